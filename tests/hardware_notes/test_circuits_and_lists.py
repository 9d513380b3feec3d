"""The drawing of a press and its shopping list: the same valves, under the same numbers, with the same settings."""

from __future__ import annotations

import re
import sys
from functools import cache
from pathlib import Path

import pytest

NOTES = Path(__file__).parents[2] / "hardware_notes"
sys.path[:0] = [str(NOTES / "drawing"), str(NOTES)]

import circuits  # noqa: E402
import draw  # noqa: E402

from steadyram.press.parts_list import tables  # noqa: E402
from steadyram.press.pressfile import PressFile, read_press  # noqa: E402
from steadyram.press.sizing_parts import Wiring  # noqa: E402

# What joins the valves, and is not drawn: manifold, tubes, hoses, tees.
JOINTS = {"H18", "P4", "P5", "P6", "A4"}
DRAWN = pytest.mark.parametrize("name", draw.CIRCUITS)


@cache
def press_and_words(name: str) -> tuple[PressFile, str]:
    press = read_press(NOTES / "presses" / f"{name}.toml")
    return press, " ".join(re.findall(r">([^<]+)</text>", circuits.circuit(press).svg()))


def hydraulics(press: PressFile) -> dict[str, str]:
    """Number and rating of each hydraulic part of the list; the transducer counts as one of them."""
    return {
        row["id"]: row["rating"]
        for row in tables(press, Wiring())["part"]
        if row["group"] == "hydraulics" and row["id"] not in JOINTS
    }


@DRAWN
def test_each_valve_of_the_list_is_drawn_and_no_other(name: str) -> None:
    press, words = press_and_words(name)
    assert set(re.findall(r"\b[HPAS]\d+\b", words)) == set(hydraulics(press))


@DRAWN
def test_solenoids_drawn_are_those_that_are_wired(name: str) -> None:
    press, words = press_and_words(name)
    wired = {row["to"] for row in tables(press, Wiring())["wire"] if row["to"].startswith("plug of")}
    drawn = set(re.findall(r"\bY\d\b", words)) or {"P1" if "P1" in words else "A1"}
    assert {f"plug of {each}:1" for each in drawn} == wired


@DRAWN
def test_settings_drawn_are_those_of_the_list(name: str) -> None:
    press, words = press_and_words(name)
    rated = hydraulics(press)
    for number, drawn in re.findall(
        r"\b([HPAS]\d+) (?:over-force cutout switch|relief|rod-side relief) ([\d.]+) MPa", words
    ):
        assert re.search(rf"set {re.escape(drawn)}\b", rated[number]), (number, drawn, rated[number])


@DRAWN
def test_oil_that_two_seats_shut_in_has_a_relief(name: str) -> None:
    press, words = press_and_words(name)
    if press.valve.load_holding:
        assert re.search(r"\b(H11|P8|A5) relief [\d.]+ MPa", words)


@DRAWN
def test_a_ram_that_oil_returns_has_counterbalance_and_rod_side_relief(name: str) -> None:
    press, words = press_and_words(name)
    double = press.cylinder.return_ == "powered"
    assert ("H19 counterbalance" in words) == double
    assert ("H20 rod-side" in words) == double
    if double:
        # A rod side that is shut in comes to the relief's pressure times the ratio of the areas.
        bore, rod = press.cylinder.bore, press.cylinder.rod
        shut_in_mpa = press.pump.relief / 1e6 * bore**2 / (bore**2 - rod**2)
        setting = float(re.search(r"rod-side relief ([\d.]+)", words)[1])  # type: ignore[index]
        assert press.pump.relief / 1e6 < setting < shut_in_mpa


def test_no_part_of_the_cap_side_is_rated_below_its_relief() -> None:
    for name in draw.CIRCUITS:
        press, _ = press_and_words(name)
        rated = hydraulics(press)
        limit = float(
            re.search(r"set ([\d.]+)", rated.get("H11", rated.get("P8", rated.get("A5", "set 0"))))[1]
        )  # type: ignore[index]
        for number in ("H3", "H4", "H12", "H14", "P1", "P2", "P3"):
            if number in rated:
                proof = re.search(r"proof ([\d.]+) MPa", rated[number]) or re.search(
                    r"([\d.]+) MPa", rated[number]
                )
                assert float(proof[1]) >= limit, (name, number)  # type: ignore[index]


EACH_FILE = pytest.mark.parametrize("name", sorted(path.stem for path in (NOTES / "presses").glob("*.toml")))
# Oil and air beyond the build: nothing else of the list is joined there.
OUTSIDE = {"tank", "open air", "other machine", "compressor"}


@EACH_FILE
def test_each_hydraulic_part_has_its_ports_and_each_port_a_line_thread_and_seal(name: str) -> None:
    press = read_press(NOTES / "presses" / f"{name}.toml")
    found = tables(press, Wiring())
    parts = {row["id"] for row in found["part"] if row["group"] == "hydraulics"}
    with_port = {row["part"].split()[0] for row in found["port"]}
    assert parts <= with_port
    assert {each for each in with_port if re.fullmatch(r"[HPAS]\d+", each)} <= parts
    sized = {row["name"] for row in found["line"]}
    joined: dict[str, int] = {}
    for row in found["port"]:
        assert row["thread"]
        assert row["seal"]
        joined[row["line"]] = joined.get(row["line"], 0) + 1
    assert sized - {"compressor"} == {line for line in joined if line not in OUTSIDE - {"tank"}} - (
        {"tank"} - sized
    )
    assert [line for line in sized - {"compressor", "drain"} if joined[line] < 2] == []


@EACH_FILE
def test_held_oil_can_leave_only_by_valves_that_are_meant_to_let_it(name: str) -> None:
    """What stands on the cap side's line: instruments, its relief, its release, and non-return valves' outlets."""
    press = read_press(NOTES / "presses" / f"{name}.toml")
    ports = tables(press, Wiring())["port"]
    cap = {(row["part"].split()[0], row["port"]) for row in ports if row["line"] in ("cap side", "ram side")}
    if press.pump.driven_by in ("motor", "shared"):
        assert (("H3", "A") in cap) == (not press.valve.load_holding)
        assert (("H12", "inlet") in cap) == press.valve.load_holding
    if press.pump.driven_by == "hand" and not press.valve.indicator:
        assert {("P2", "outlet"), ("P3", "inlet"), ("P8", "inlet")} <= cap
        assert not {part for part, _ in cap} & {"P1"}
    if press.valve.slow_feed is not None:
        assert ("H8", "outlet") in cap
        assert not {part for part, _ in cap} & {"H6", "H7", "H9"}


@EACH_FILE
def test_every_build_has_circuit_movements_and_a_bring_up_that_proves_its_stop(name: str) -> None:
    press = read_press(NOTES / "presses" / f"{name}.toml")
    found = tables(press, Wiring())
    assert len(" ".join(row["text"] for row in found["circuit"])) > 200
    assert any("release" in row["movement"] or "rest" in row["movement"] for row in found["movement"])
    steps = " ".join(f"{row['do']} {row['accept']}" for row in found["step"])
    if press.valve.indicator:
        assert "the lever goes on pressing" in steps
        return
    assert re.search(r"[Ss]top", steps)
    assert ("trips at" in steps) == any(row["id"] in ("H16", "P7") for row in found["part"])
