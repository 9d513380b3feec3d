"""The reference build's lists: current, complete, and consistent with pins, components and one another."""

from __future__ import annotations

import csv
import io
import re
import sys
from pathlib import Path

import pytest

from steadyram.press import parts_list

NOTES = Path(__file__).parents[2] / "hardware_notes"
sys.path.insert(0, str(NOTES))

import make_reference_build as build  # noqa: E402


def test_pages_and_lists_are_current() -> None:
    for name, text in build.wanted().items():
        assert (NOTES / name).read_text(encoding="utf-8") == text, name


def numbers(text: str) -> list[int]:
    """Every wire number that a row of the list stands for: "4, 5", "31-34"."""
    found: list[int] = []
    for part in re.findall(r"\d+(?:-\d+)?", text):
        first, _, last = part.partition("-")
        found += range(int(first), int(last or first) + 1)
    return found


def test_no_wire_has_two_rows() -> None:
    every = [number for row in build.tables()["wire"] for number in numbers(row["number"])]
    assert len(every) == len(set(every)) >= 60


def test_every_pin_of_the_board_is_wired() -> None:
    wired = " ".join(row["from"] + " " + row["to"] for row in build.tables()["wire"])
    there = set(re.findall(r"\d+", wired))
    missing = {name: pin for name, pin in parts_list.board_pins().items() if str(pin) not in there}
    # `alive` and the ram position are options of other pages.
    assert missing == {}


def test_every_solenoid_has_a_suppressor_and_every_contact_a_circuit() -> None:
    parts = {row["id"]: row for row in build.tables()["part"]}
    assert parts["E13"]["qty"] == 4
    wired = next(row for row in build.tables()["wire"] if row["number"] == "81-94")
    assert parts["E17"]["qty"] >= wired["to"].count(",") + 3


def test_cutout_lies_between_largest_setpoint_and_relief() -> None:
    table = build.known_values()
    relief, switch = float(table["press.relief_mpa"]), float(table["press.switch_mpa"])
    assert 0.88 * relief * 1.03 < switch < 0.97 * relief


@pytest.mark.parametrize("name", ["reference_build", "hand_pump_build"])
def test_order_list_is_a_table_a_spreadsheet_reads(name: str) -> None:
    made = build.wanted()
    rows = list(csv.DictReader(io.StringIO(made[f"{name}-parts.csv"])))
    assert len(rows) > 25
    assert all(float(row["qty"]) > 0 and float(row["price_usd"]) > 0 for row in rows)
    assert len({row["id"] for row in rows}) == len(rows)
    assert "{" not in "".join(text for each, text in made.items() if each.startswith(name))


def test_every_wire_of_the_hand_pump_has_one_row() -> None:
    every = [number for row in build.tables(build.HAND_PUMP)["wire"] for number in numbers(row["number"])]
    assert len(every) == len(set(every)) > 40
    wired = " ".join(row["from"] + " " + row["to"] for row in build.tables(build.HAND_PUMP)["wire"])
    there = set(re.findall(r"\d+", wired))
    needed = (
        "extend",
        "lamp",
        "buzzer",
        "in_extend",
        "in_cutoff",
        "in_estop_ok",
        "in_push",
        "knob_a",
        "knob_b",
    )
    pins = parts_list.board_pins()
    assert [name for name in needed if str(pins[name]) not in there] == []


def test_the_whole_system_names_only_wires_and_parts_of_the_lists() -> None:
    sys.path.insert(0, str(NOTES / "drawing"))
    import whole_system

    found = parts_list.build_file()
    wires = {row["number"] for row in found["wire"]}
    ends = {end for number in wires for end in re.split(r"[-,] ?", number)}
    for _, _, numbers, _ in whole_system.WIRES:
        assert set(re.split(r"[-,] ?", numbers)) <= ends, numbers
    parts = {row["id"] for row in found["part"]}
    named = set(re.findall(r"\b[EH]\d+\b", " ".join(words for _, _, words in whole_system.BLOCKS.values())))
    assert len(named) > 12
    assert named <= parts
