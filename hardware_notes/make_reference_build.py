"""Make the reference build's page and order lists from reference_build.toml.

python hardware_notes/make_reference_build.py           writes reference_build.md, -parts.csv, -wires.csv
python hardware_notes/make_reference_build.py --check   exits 1 if one of them is out of date
"""

from __future__ import annotations

import csv
import io
import re
import sys
import tomllib
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
_BRACES = re.compile(r"\{([\w.]+)\}")


def _read() -> dict[str, Any]:
    return tomllib.loads((HERE / "reference_build.toml").read_text(encoding="utf-8"))


def known_values() -> dict[str, str]:
    """Return what stands in braces: component values, pins of the board, pressures of the build."""
    build = _read()["build"]
    components = tomllib.loads((HERE / "electronics" / "values.toml").read_text(encoding="utf-8"))
    found = {
        f"{table}.{key}": f"{value:g}" for table, rows in components.items() for key, value in rows.items()
    }
    found["relief_mpa"] = f"{build['relief_mpa']:g}"
    largest = build["relief_mpa"] * build["capacity_share"]
    found["switch_mpa"] = f"{largest * build['switch_over_capacity']:.1f}"
    return found | {f"pin.{name}": str(number) for name, number in board_pins().items()}


def board_pins() -> dict[str, int]:
    """Return header pin numbers of the Pico-class board by name; inputs begin with in_."""
    sys.path.insert(0, str(HERE.parent / "firmware"))
    from steadyram_fw.boards import pins_pico as pins

    found = {f"in_{bits[0]}": number for bits, _, number in pins.INPUTS}
    found |= {name: number for name, _, number in pins.OUTPUTS + pins.KNOB}
    rows = (pins.ADC_SDA, pins.ADC_SCL, pins.ADC_READY, pins.SCREEN_SDA, pins.SCREEN_SCL)
    return found | {row[0]: row[2] for row in rows}


def filled(value: Any, known: dict[str, str]) -> Any:
    """Return a text with its braces filled; KeyError names one that nothing gives. Other values stay."""
    return _BRACES.sub(lambda found: known[found[1]], value) if isinstance(value, str) else value


def tables() -> dict[str, list[dict[str, Any]]]:
    """Return the build's tables with every value filled in."""
    known = known_values()
    return {
        name: [{key: filled(value, known) for key, value in row.items()} for row in rows]
        for name, rows in _read().items()
        if isinstance(rows, list)
    }


def parts_csv(rows: list[dict[str, Any]]) -> str:
    """Return the order list."""
    return _csv(("id", "group", "qty", "what", "rating", "why", "price_usd"), rows)


def wires_csv(rows: list[dict[str, Any]]) -> str:
    """Return the wire list."""
    return _csv(("number", "from", "to", "mm2", "carries"), rows)


def _csv(columns: tuple[str, ...], rows: list[dict[str, Any]]) -> str:
    out = io.StringIO()
    writer = csv.DictWriter(out, columns, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def page(found: dict[str, list[dict[str, Any]]]) -> str:
    """Return the page."""
    known = known_values()
    sums = {
        group: sum(row["qty"] * row["price_usd"] for row in found["part"] if row["group"] == group)
        for group in dict.fromkeys(row["group"] for row in found["part"])
    }
    total = ", ".join(f"{group} {_round(value)}" for group, value in sums.items())
    text = {key: filled(value, known) for key, value in _read()["text"].items()}
    lines = [
        "# Reference build",
        "",
        text["made"],
        "",
        text["power_off"],
        "",
        text["caution"],
        "",
        "![whole system](diagrams/whole-system.svg)",
        "",
        "## Hydraulic circuit in words",
        text["circuit"],
        "",
        "| movement | energised |",
        "|---|---|",
        "| extend | Y1 + Y4 |",
        "| slow feed | Y3 + Y4; the rod side empties through the centre, B to tank |",
        "| retract | Y2 + Y4 |",
        "| rest, emergency stop, power off | none: pump idles, cap side holds |",
        "",
        "## Shopping list",
        "Prices are orders of magnitude a piece, in US dollars, from memory.",
        "",
        "| # | pieces | part | rating | why | USD |",
        "|---|---|---|---|---|---|",
        *(
            f"| {r['id']} | {r['qty']} | {r['what']} | {r['rating']} | {r['why']} | {r['price_usd']:g} |"
            for r in found["part"]
        ),
        "",
        f"Sums, rounded: {total}.",
        "",
        "## Wires",
        "Numbers are the markers on both ends. Colours are free but for earth (green and yellow).",
        "",
        "| wire | from | to | mm² | carries |",
        "|---|---|---|---|---|",
        *(
            f"| {r['number']} | {r['from']} | {r['to']} | {r['mm2']:g} | {r['carries']} |"
            for r in found["wire"]
        ),
        "",
        "## Panel",
        "| place | what |",
        "|---|---|",
        *(f"| {r['place']} | {r['what']} |" for r in found["panel"]),
        "",
        "## From dead to live",
        text["bring_up"],
        "",
        "| step | do | accept |",
        "|---|---|---|",
        *(f"| {i} | {r['do']} | {r['accept']} |" for i, r in enumerate(found["step"], 1)),
        "",
    ]
    return "\n".join(lines)


def _round(value: float) -> str:
    return f"{round(value, -2):,.0f}"


def main() -> int:
    """Write or check; return the exit code."""
    found = tables()
    wanted = {
        "reference_build.md": page(found),
        "reference_build-parts.csv": parts_csv(found["part"]),
        "reference_build-wires.csv": wires_csv(found["wire"]),
    }
    if "--check" in sys.argv[1:]:
        stale = [
            name
            for name, text in wanted.items()
            if not (HERE / name).exists() or (HERE / name).read_text(encoding="utf-8") != text
        ]
        if stale:
            print(f"Out of date, run make_reference_build.py: {', '.join(stale)}", file=sys.stderr)
        return 1 if stale else 0
    for name, text in wanted.items():
        (HERE / name).write_text(text, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
