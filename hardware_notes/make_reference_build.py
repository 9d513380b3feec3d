"""Make the builds' pages and order lists from reference_build.toml.

python hardware_notes/make_reference_build.py           writes board_pins.toml, reference_build and hand_pump_build
python hardware_notes/make_reference_build.py --check   exits 1 if one of them is out of date
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

from steadyram.press import parts_list
from steadyram.press.pressfile import read_press
from steadyram.press.sizing_parts import Wiring
from steadyram_fw.boards import pins_pico as pins

HERE = Path(__file__).resolve().parent
REFERENCE = HERE / "presses" / "two-stage-slow.toml"
HAND_PUMP = HERE / "presses" / "hand-pump-70mpa.toml"
WIRING = Wiring()
Tables = dict[str, list[dict[str, Any]]]


def known_values(press: Path = REFERENCE) -> dict[str, str]:
    """Return what stands in braces, for the press of a file."""
    return parts_list.known_values(read_press(press), WIRING)


def tables(press: Path = REFERENCE) -> Tables:
    """Return the tables that a press needs, with every value filled in."""
    return parts_list.tables(read_press(press), WIRING)


def _text(name: str, press: Path) -> dict[str, str]:
    known = known_values(press)
    return {key: parts_list.filled(value, known) for key, value in parts_list.build_file()[name].items()}


def page(found: Tables) -> str:
    """Return the reference build's page."""
    text = _text("text", REFERENCE)
    return _page(
        "Reference build",
        text,
        text,
        ("whole-system", "hydraulic-two-stage-slow", "board-side", "strip-board"),
        found,
    )


def hand_page(found: Tables) -> str:
    """Return the hand pump's page."""
    text = _text("text_hand", HAND_PUMP)
    both = _text("text", HAND_PUMP)
    return _page(text["title"], text, both, ("hydraulic-hand-pump-70mpa", "board-side", "strip-board"), found)


def _page(
    title: str,
    text: dict[str, str],
    both: dict[str, str],
    pictures: tuple[str, ...],
    found: Tables,
) -> str:
    sums = {
        group: sum(row["qty"] * row["price_usd"] for row in found["part"] if row["group"] == group)
        for group in dict.fromkeys(row["group"] for row in found["part"])
    }
    total = ", ".join(f"{group} {_round(value)}" for group, value in sums.items())
    lines = [
        f"# {title}",
        "",
        text["made"],
        "",
        text["power_off"],
        "",
        both["caution"],
        "",
        *(f"![{title.lower()}](diagrams/{picture}.svg)" for picture in pictures),
        "",
        *parts_list.oil_markdown(found),
        "## Shopping list",
        "Prices are orders of magnitude a piece, in US dollars, from memory.",
        "",
        *parts_list.parts_markdown(found["part"]),
        "",
        f"Sums, rounded: {total}; all {_round(sum(sums.values()))}.",
        "",
        "## Wires",
        "One row a wire, its number on both ends. Wires of one number and different letters are one potential; "
        "the number changes at each contact, fuse and coil. Colours are free but for earth (green and yellow). "
        "Terminals as such devices commonly have them; your part's sheet decides.",
        "",
        *parts_list.wires_markdown(found["wire"]),
        "",
        "## Panel",
        *parts_list.panel_markdown(found["panel"]),
        "",
        "## From dead to live",
        both["bring_up"],
        "",
        *parts_list.steps_markdown(found["step"]),
        "",
    ]
    return "\n".join(lines)


def _round(value: float) -> str:
    return f"{round(value, -1):,.0f}"


def pin_file() -> str:
    """Return header pin numbers by name, from the firmware's own pin map; inputs begin with in_."""
    found = {f"in_{bits[0]}": number for bits, _, number in [*pins.INPUTS, pins.CUTOUT]}
    found |= {name: number for name, _, number in pins.OUTPUTS + pins.KNOB}
    rows = (pins.ADC_SDA, pins.ADC_SCL, pins.ADC_READY, pins.SCREEN_SDA, pins.SCREEN_SCL)
    found |= {row[0]: row[2] for row in rows}
    lines = ["# Header pins of the Pico-class board, made of firmware/steadyram_fw/boards/pins_pico.py."]
    return "\n".join([*lines, *(f"{name} = {number}" for name, number in found.items()), ""])


def wanted() -> dict[str, str]:
    """Return every file that is made, by its name."""
    made = {"board_pins.toml": pin_file()}
    for name, press, show in (
        ("reference_build", REFERENCE, page),
        ("hand_pump_build", HAND_PUMP, hand_page),
    ):
        found = tables(press)
        made[f"{name}.md"] = show(found)
        made[f"{name}-parts.csv"] = parts_list.as_csv(parts_list.PART_COLUMNS, found["part"])
        made[f"{name}-wires.csv"] = parts_list.as_csv(parts_list.WIRE_COLUMNS, found["wire"])
    return made


def main() -> int:
    """Write or check; return the exit code."""
    if "--check" in sys.argv[1:]:
        stale = [
            name
            for name, text in wanted().items()
            if not (HERE / name).exists() or (HERE / name).read_text(encoding="utf-8") != text
        ]
        if stale:
            print(f"Out of date, run make_reference_build.py: {', '.join(stale)}", file=sys.stderr)
        return 1 if stale else 0
    (HERE / "board_pins.toml").write_text(pin_file(), encoding="utf-8")
    for name, text in wanted().items():
        (HERE / name).write_text(text, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
