"""The build's lists fitted to a press: which parts and wires it needs, with every rating filled in.

The rows come from `reference_build.toml`, installed with the package or in the notes of a checkout.
"""

from __future__ import annotations

import csv
import io
import re
import tomllib
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
    "simulated for 24 V coils of 30 W."
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


def build_file() -> dict[str, Any]:
    """Return the tables of the build's file, nothing filled in."""
    return tomllib.loads(_source("reference_build.toml"))


def board_pins() -> dict[str, int]:
    """Return header pin numbers of the Pico-class board by name; inputs begin with in_."""
    return {name: int(number) for name, number in tomllib.loads(_source("board_pins.toml")).items()}


def known_values(press: PressFile, wiring: Wiring) -> dict[str, str]:
    """Return what stands in braces: component values, pins of the board, ratings for the press."""
    components = tomllib.loads(_source("values.toml"))
    found = {
        f"{table}.{key}": f"{value:g}" for table, rows in components.items() for key, value in rows.items()
    }
    return found | ratings(press, wiring) | {f"pin.{name}": str(n) for name, n in board_pins().items()}


def kinds(press: PressFile) -> set[str]:
    """Return which rows of the file a press needs: any, unit, hand or lamp, slow, pressure or force."""
    found = {"any", "force" if press.force_sensor is not None else "pressure"}
    if press.valve.indicator:
        return found | {"lamp"}
    if press.pump.burst:
        return found | {"hand"}
    found.add("unit")
    if press.valve.slow_feed is not None:
        found.add("slow")
    return found


def filled(value: Any, known: dict[str, str]) -> Any:
    """Return a text with its braces filled; KeyError names one that nothing gives. Other values stay."""
    return _BRACES.sub(lambda found: known[found[1]], value) if isinstance(value, str) else value


def tables(press: PressFile, wiring: Wiring) -> dict[str, list[dict[str, Any]]]:
    """Return the build's tables for a press: the rows that it needs, every value filled in."""
    known = known_values(press, wiring)
    wanted = kinds(press)
    form = "lamp" if "lamp" in wanted else "hand" if "hand" in wanted else "unit"
    found: dict[str, list[dict[str, Any]]] = {}
    for name, rows in build_file().items():
        if not isinstance(rows, list):
            continue
        found[name] = []
        for row in rows:
            if not wanted & set(row.get("for", ["unit"])):
                continue
            # What is another piece or another reason on such a press stands beside it: hand_qty, lamp_what.
            own = {key: row.get(f"{form}_{key}", value) for key, value in row.items()}
            found[name].append(
                {
                    key: filled(value, known)
                    for key, value in own.items()
                    if key != "for" and not key.startswith(("hand_", "lamp_"))
                }
            )
    return found


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
    lines = [
        f"# Parts for: {press.name}",
        "",
        f"Ratings from bore, relief, stroke, pump flow and a supply of {wiring.supply_V:g} V with coils of "
        f"{wiring.solenoid_W:g} W. Prices are orders of magnitude a piece, in US dollars, from memory: "
        f"{round(total, -1):,.0f} in all.",
        "",
        NOT_COVERED,
        "",
        *parts_markdown(found["part"]),
        "",
        "## Wires",
        "",
        *wires_markdown(found["wire"]),
        "",
    ]
    texts = ("\n".join(lines), as_csv(PART_COLUMNS, found["part"]), as_csv(WIRE_COLUMNS, found["wire"]))
    make_folder(folder)
    paths = [folder / name for name in names]
    for path, text in zip(paths, texts, strict=True):
        write_whole(path, text)
    return paths
