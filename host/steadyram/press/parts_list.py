"""The build's lists fitted to a press: which parts and wires it needs, with every rating filled in.

The rows come from `reference_build.toml`, `reference_wires.toml` and `reference_lines.toml`, installed with the package
or in the notes of a checkout.
"""

from __future__ import annotations

import csv
import io
import re
import tomllib
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

from steadyram.errors import BadInput
from steadyram.plain_file import make_folder, write_whole
from steadyram.press.part_ratings import ratings
from steadyram.press.pressfile import PressFile
from steadyram.press.sizing_parts import Wiring

NOT_COVERED = (
    "Not in this list: cylinder, frame and guards. Mains and hydraulics by licensed people. The electronics were "
    "simulated for 24 V coils of 30 W: with others look at the claims of hardware_notes/electronics.md again."
)
PORTS_NOTE = (
    "One line is one space of oil or air: every port on it is joined to every other. Tubes by outer diameter x wall. "
    "Threads and seals as such parts are commonly sold (common practice, no source): your part's sheet decides. Order "
    "fittings last, with the parts on the table. One family of threads throughout, no adapter below the line's rating."
)
PART_COLUMNS = ("id", "group", "qty", "what", "rating", "why", "price_usd")
WIRE_COLUMNS = ("number", "from", "to", "mm2", "carries")
_BRACES = re.compile(r"\{([\w.]+)\}")


def _source(name: str) -> str:
    packaged = resources.files("steadyram").joinpath("_parts", name)
    if packaged.is_file():
        return packaged.read_text(encoding="utf-8")
    notes = Path(__file__).resolve().parents[3] / "hardware_notes"
    place = notes / name if (notes / name).is_file() else notes / "electronics" / name
    return place.read_text(encoding="utf-8")


@cache
def _tables_of(name: str) -> dict[str, Any]:
    # Read once: nobody changes what comes out.
    return tomllib.loads(_source(name))


def build_file() -> dict[str, Any]:
    """Return the tables of the build's files, nothing filled in."""
    names = ("reference_build.toml", "reference_wires.toml", "reference_lines.toml")
    return {name: rows for each in names for name, rows in _tables_of(each).items()}


def board_pins() -> dict[str, int]:
    """Return header pin numbers of the Pico-class board by name; inputs begin with in_."""
    return {name: int(number) for name, number in _tables_of("board_pins.toml").items()}


def known_values(press: PressFile, wiring: Wiring) -> dict[str, str]:
    """Return what stands in braces: component values, pins of the board, ratings for the press."""
    components = _tables_of("values.toml")
    found = {
        f"{table}.{key}": f"{value:g}" for table, rows in components.items() for key, value in rows.items()
    }
    return found | ratings(press, wiring) | {f"pin.{name}": str(n) for name, n in board_pins().items()}


def kinds(press: PressFile) -> set[str]:
    """Return the names of what a press has, as the `for` of the rows has them.

    pressure or force: its sensor. lamp: no valve. motor, shared, hand or air: what works the pump, with a valve;
    unit: motor or shared; direct: all but motor, the stop's contacts carry the coils; two: stages; one: a motor's one
    pump; slow; hold or open: what the centre does with the force; double: oil drives the return; cutout: a pressure
    switch has a place; air_port or air_force: an air-driven jack with or without one; unit_pressure, hand_force and the
    like: drive and sensor.
    """
    sensor = "force" if press.force_sensor is not None else "pressure"
    found = {"any", sensor}
    drives = {"motor": "unit", "shared": "unit", "hand": "hand"}
    if press.pump.driven_by in drives and not press.valve.indicator:
        found.add(f"{drives[press.pump.driven_by]}_{sensor}")
    if press.valve.indicator:
        return found | {"lamp", "plain_supply"}
    drive = press.pump.driven_by
    found |= {"valves", drive}
    if drive != "motor":
        found.add("direct")
    if drive in ("hand", "air"):
        found |= {"hand_or_air", "plain_supply"}
    if drive == "air":
        found.add(f"air_{'port' if sensor == 'pressure' else 'force'}")
    if "air_force" not in found:
        found.add("cutout")
        if drive != "motor":
            found.add("direct_cutout")
        if drive in ("hand", "air"):
            found.add("hand_or_air_port")
    return found | (_of_a_unit(press) if drive in ("motor", "shared") else set())


def _of_a_unit(press: PressFile) -> set[str]:
    found = {"unit", "hold" if press.valve.load_holding else "open"}
    pump = press.pump
    if pump.changeover is not None and pump.flow_low_stage != pump.flow_high_stage:
        found.add("two")
    elif pump.driven_by == "motor":
        found.add("one")
    if press.valve.slow_feed is not None:
        found.add("slow")
    if press.cylinder.return_ == "powered":
        found.add("double")
    return found


def counts(wanted: set[str]) -> dict[str, str]:
    """Return how many pieces of what depends on the kinds of a press, under the names of the rows."""
    unit, slow, lamp = "unit" in wanted, "slow" in wanted, "lamp" in wanted
    relays = 2 + slow if unit else 0 if lamp else 1
    contacts = {"unit": 10, "lamp": 7}.get(
        next(iter(wanted & {"unit", "lamp"}), ""), 7 + ("cutout" in wanted)
    )
    checks = [words for kind, words in (("two", "large stage"), ("slow", "slow feed")) if kind in wanted]
    found = {
        "relays": relays,
        "drivers": 2 + relays,
        "solenoids": relays + ("hold" in wanted),
        "diodes": 2 + relays + ("cutout" in wanted),
        "unload_diodes": 2 * relays,
        "contacts": contacts,
        "pedals": 2 if unit else 1,
        "checks": len(checks),
    }
    return {f"count.{name}": str(n) for name, n in found.items()} | {"count.checks_words": "; ".join(checks)}


# Kinds whose keys stand before a row's own (`hand_price_usd`), the first that a press has first.
_FORMS = ("lamp", "air_force", "air", "hand", "unit_force", "shared", "motor", "direct", "hold")


def _forms(wanted: set[str]) -> list[str]:
    found = [form for form in _FORMS if form in wanted]
    # What an air-driven jack does not say of itself is as on a hand pump.
    return found + (["hand"] if "air" in wanted else [])


def filled(value: Any, known: dict[str, str]) -> Any:
    """Return a text with its braces filled; KeyError names one that nothing gives. Other values stay."""
    return _BRACES.sub(lambda found: known[found[1]], value) if isinstance(value, str) else value


def tables(press: PressFile, wiring: Wiring) -> dict[str, list[dict[str, Any]]]:
    """Return the build's tables for a press: the rows that it needs, every value filled in."""
    wanted = kinds(press)
    known = known_values(press, wiring) | counts(wanted)
    forms = _forms(wanted)
    found: dict[str, list[dict[str, Any]]] = {}
    for name, rows in build_file().items():
        if isinstance(rows, list):
            own = [_own(row, forms) for row in rows if wanted & set(row.get("for", ["unit"]))]
            found[name] = [{key: filled(value, known) for key, value in row.items()} for row in own]
    for row in found["part"]:
        row["qty"] = int(row["qty"])
    return found


def _own(row: dict[str, Any], forms: list[str]) -> dict[str, Any]:
    """Return a row with what is another piece or reason on such a press in place of the common one."""
    plain = {
        key: value
        for key, value in row.items()
        if key != "for" and not key.startswith(tuple(f"{f}_" for f in _FORMS))
    }
    for form in reversed(forms):
        plain |= {key: row[f"{form}_{key}"] for key in plain if f"{form}_{key}" in row}
    return plain


def as_csv(columns: tuple[str, ...], rows: list[dict[str, Any]]) -> str:
    """Return rows as a table for a spreadsheet."""
    out = io.StringIO()
    writer = csv.DictWriter(out, columns, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def parts_markdown(rows: list[dict[str, Any]]) -> list[str]:
    """Return the shopping list as lines of a Markdown table."""
    return [
        "| # | pieces | part | rating | why | USD |",
        "|---|---|---|---|---|---|",
        *(
            f"| {r['id']} | {r['qty']} | {r['what']} | {r['rating']} | {r['why']} | {r['price_usd']:g} |"
            for r in rows
        ),
    ]


def wires_markdown(rows: list[dict[str, Any]]) -> list[str]:
    """Return the wire list as lines of a Markdown table."""
    return [
        "| wire | from | to | mm² | carries |",
        "|---|---|---|---|---|",
        *(
            f"| {r['number']} | {r['from']} | {r['to']} | {float(r['mm2']):g} | {r['carries']} |"
            for r in rows
        ),
    ]


def movements_markdown(rows: list[dict[str, Any]]) -> list[str]:
    """Return which solenoids move what as lines of a Markdown table."""
    return [
        "| movement | energised |",
        "|---|---|",
        *(f"| {r['movement']} | {r['energised']} |" for r in rows),
    ]


def lines_markdown(rows: list[dict[str, Any]], ports: list[dict[str, Any]]) -> list[str]:
    """Return each line with its size and what is joined to it as lines of a Markdown table."""
    found = ["| line | size, mm | joins |", "|---|---|---|"]
    for row in rows:
        joined = "; ".join(f"{p['part']}: {p['port']}" for p in ports if p["line"] == row["name"])
        found.append(f"| {row['name']} | {row['size']} | {joined} |")
    return found


def ports_markdown(rows: list[dict[str, Any]]) -> list[str]:
    """Return every port with its line, thread and seal as lines of a Markdown table."""
    return [
        "| part | port | on line | thread or pattern | seal |",
        "|---|---|---|---|---|",
        *(f"| {r['part']} | {r['port']} | {r['line']} | {r['thread']} | {r['seal']} |" for r in rows),
    ]


def circuit_words(rows: list[dict[str, Any]]) -> str:
    """Return the circuit in words as one paragraph."""
    return " ".join(r["text"] for r in rows)


def oil_markdown(found: dict[str, list[dict[str, Any]]]) -> list[str]:
    """Return circuit in words, movements, lines and ports, with their headings."""
    lines = ["## Circuit in words", "", circuit_words(found["circuit"]), ""]
    lines += [*movements_markdown(found["movement"]), ""]
    if found["line"]:
        lines += [
            "## Lines and ports",
            "",
            PORTS_NOTE,
            "",
            *lines_markdown(found["line"], found["port"]),
            "",
            *ports_markdown(found["port"]),
            "",
        ]
    return lines


def panel_markdown(rows: list[dict[str, Any]]) -> list[str]:
    """Return where what sits as lines of a Markdown table."""
    return ["| place | what |", "|---|---|", *(f"| {r['place']} | {r['what']} |" for r in rows)]


def steps_markdown(rows: list[dict[str, Any]]) -> list[str]:
    """Return the bring-up as lines of a Markdown table."""
    return [
        "| step | do | accept | if not |",
        "|---|---|---|---|",
        *(f"| {i} | {r['do']} | {r['accept']} | {r['if_not']} |" for i, r in enumerate(rows, 1)),
    ]


def _words(press: PressFile, wiring: Wiring) -> dict[str, str]:
    """Return the caution and the bring-up's first lines."""
    known, texts = known_values(press, wiring), build_file()["text"]
    found = {
        "caution": texts["caution"],
        "bring_up": texts["bring_up"].replace("](", "](hardware_notes/"),
    }
    return {name: filled(text, known) for name, text in found.items()}


def write_lists(press: PressFile, wiring: Wiring, folder: Path) -> list[Path]:
    """Write parts.md, parts.csv and wires.csv for a press into a folder, made if it is not there; return the paths.

    Raises BadInput where one of them is there already or the folder cannot be made.
    """
    names = ("parts.md", "parts.csv", "wires.csv")
    there = [name for name in names if (folder / name).exists()]
    if there:
        raise BadInput(f"{folder / there[0]} is there already; give another folder or move it away.")
    found = tables(press, wiring)
    total = sum(row["qty"] * row["price_usd"] for row in found["part"])
    words = _words(press, wiring)
    lines = [
        f"# Parts for: {press.name}",
        "",
        f"Ratings from bore, relief, stroke, pump flow and a supply of {wiring.supply_V:g} V with coils of "
        f"{wiring.solenoid_W:g} W. Prices are orders of magnitude a piece, in US dollars, from memory: "
        f"{round(total, -1):,.0f} in all.",
        "",
        NOT_COVERED,
        "",
        words["caution"],
        "",
        *oil_markdown(found),
        "## Parts",
        "",
        *parts_markdown(found["part"]),
        "",
        "## Wires",
        "",
        "One row a wire, its number on both ends; one number is one potential. Your part's sheet decides on terminals.",
        "",
        *wires_markdown(found["wire"]),
        "",
        "## Panel",
        "",
        *panel_markdown(found["panel"]),
        "",
        "## From dead to live",
        "",
        words["bring_up"],
        "",
        *steps_markdown(found["step"]),
        "",
    ]
    texts = ("\n".join(lines), as_csv(PART_COLUMNS, found["part"]), as_csv(WIRE_COLUMNS, found["wire"]))
    make_folder(folder)
    paths = [folder / name for name in names]
    for path, text in zip(paths, texts, strict=True):
        write_whole(path, text)
    return paths
