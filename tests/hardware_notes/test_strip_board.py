"""The contact-and-driver board: strips, cuts, links and parts make the nets of the circuits and of the wire list."""

from __future__ import annotations

import sys
from collections import defaultdict
from pathlib import Path
from xml.etree import ElementTree

import pytest

NOTES = Path(__file__).parents[2] / "hardware_notes"
sys.path[:0] = [str(NOTES / "drawing"), str(NOTES)]

import make_reference_build as build  # noqa: E402
import strip_board  # noqa: E402

from steadyram.press import parts_list  # noqa: E402

BOARD = strip_board.board()
PINS = parts_list.board_pins()
CONTACTS = [name for name in PINS if name.startswith("in_")] + ["knob_a", "knob_b"]
DRIVERS = ["extend", "retract", "slow", "lamp", "buzzer"]


def strips(board: strip_board.Board) -> dict[tuple[int, int], int]:
    """Number of the piece of copper at each hole: a row between two cuts, joined with others by links."""
    piece: dict[tuple[int, int], int] = {}
    number = 0
    for row in range(board.rows):
        number += 1
        for column in range(board.columns):
            if (column, row) in board.cuts:
                number += 1
                continue
            piece[column, row] = number
    for begin, end in board.links:
        old, new = piece[end], piece[begin]
        piece = {hole: new if each == old else each for hole, each in piece.items()}
    return piece


def nets(board: strip_board.Board) -> set[frozenset[str]]:
    """What is joined: for each piece of copper with more than one thing on it, everything on it."""
    piece = strips(board)
    on: dict[int, set[str]] = defaultdict(set)
    for part in board.parts:
        legs = ("gate", "drain", "source") if part.kind == "transistor" else ("a", "b")
        for leg, hole in zip(legs, part.holes, strict=True):
            on[piece[hole]].add(f"{part.circuit}.{part.name}.{leg}")
    for net, hole in board.wires:
        on[piece[hole]].add(net)
    return {frozenset(each) for each in on.values()}


def wanted() -> set[frozenset[str]]:
    """Nets of the circuits as drawn: contact with resistors, capacitor and clamps; driver with its two; the bleeder."""
    found = {
        frozenset(
            {
                "3V3",
                "board.bleeder.a",
                *(f"{each}.pull_up.a" for each in CONTACTS),
                *(f"{each}.clamp_high.b" for each in CONTACTS),
            }
        ),
        frozenset(
            {
                "GND",
                "board.bleeder.b",
                *(f"{each}.filter.b" for each in CONTACTS),
                *(f"{each}.clamp_low.a" for each in CONTACTS),
                *(f"{each}.transistor.source" for each in DRIVERS),
                *(f"{each}.pull_down.b" for each in DRIVERS),
            }
        ),
    }
    for each in CONTACTS:
        found.add(frozenset(f"{each}.{end}" for end in ("pull_up.b", "filter.a", "series.a", "pin_series.b")))
        found.add(
            frozenset(
                {f"{each} pin", *(f"{each}.{end}" for end in ("pin_series.a", "clamp_high.a", "clamp_low.b"))}
            )
        )
        found.add(frozenset({f"{each} contact", f"{each}.series.b"}))
    for each in DRIVERS:
        found.add(frozenset({f"{each} pin", f"{each}.gate.a"}))
        found.add(frozenset({f"{each}.gate.b", f"{each}.transistor.gate", f"{each}.pull_down.a"}))
        found.add(frozenset({f"{each} drain", f"{each}.transistor.drain"}))
    return found


def test_copper_makes_the_nets_of_the_circuits():
    assert nets(BOARD) == wanted()


@pytest.mark.parametrize("cut", sorted(BOARD.cuts)[5:])
def test_each_cut_counts(cut):
    first = {min(each for each in BOARD.cuts if each[1] == row) for row in {each[1] for each in BOARD.cuts}}
    left_out = strip_board.Board(
        BOARD.columns, BOARD.rows, BOARD.parts, BOARD.wires, BOARD.links, BOARD.cuts - {cut}
    )
    # The cut before the first circuit of a bank only keeps its strips off the board's edge.
    assert (nets(left_out) == wanted()) == (cut in first)


def test_each_hole_has_one_leg():
    holes = [hole for part in BOARD.parts for hole in part.holes]
    holes += [hole for _, hole in BOARD.wires] + [hole for link in BOARD.links for hole in link]
    assert len(holes) == len(set(holes))
    assert all(0 <= column < BOARD.columns and 0 <= row < BOARD.rows for column, row in holes)
    assert not set(holes) & BOARD.cuts


def test_every_wire_of_the_board_stands_in_the_wire_list():
    wires = [(row["from"], row["to"]) for row in build.tables()["wire"]]
    for each in CONTACTS:
        assert (f"strip board row 3, {each}", f"board pin {PINS[each]}") in wires
        assert f"strip board row 9, {each}" in [end for _, end in wires]
    for number, each in enumerate(DRIVERS, 1):
        assert (f"board pin {PINS[each]}", f"driver {number}, row 12") in wires
        assert f"driver {number}, row 17" in [end for _, end in wires]
    # Its rails: 3.3 V at row 1, 0 V at row 7.
    assert ("board pin 36", "strip board row 1") in wires
    assert ("strip board row 7", "star bar") in wires
    assert {net for net, _ in BOARD.wires} == (
        {"3V3", "GND"}
        | {f"{each} {end}" for each in CONTACTS for end in ("pin", "contact")}
        | {f"{each} {end}" for each in DRIVERS for end in ("pin", "drain")}
    )


def test_the_parts_list_has_as_many_of_each():
    parts = {row["id"]: row for row in build.tables()["part"]}
    assert parts["E17"]["qty"] >= len(CONTACTS)
    assert parts["E12"]["qty"] == len(DRIVERS)


def test_the_drawing_shows_every_cut_and_part():
    sheet = ElementTree.fromstring(strip_board.drawing())
    shapes = [each for each in sheet.iter() if each.tag.endswith("polygon")]
    assert len(shapes) == len(BOARD.cuts) + len(BOARD.parts)
