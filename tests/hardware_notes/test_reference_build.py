"""The reference build's lists: current, complete, and consistent with pins, components and one another."""

from __future__ import annotations

import csv
import io
import re
import sys
from collections import Counter
from pathlib import Path

import pytest

from steadyram.press import parts_list
from steadyram.press.pressfile import read_press
from steadyram.press.sizing_parts import Wiring

NOTES = Path(__file__).parents[2] / "hardware_notes"
sys.path.insert(0, str(NOTES))

import make_reference_build as build  # noqa: E402


def test_pages_and_lists_are_current() -> None:
    for name, text in build.wanted().items():
        assert (NOTES / name).read_text(encoding="utf-8") == text, name


PRESSES = sorted((NOTES / "presses").glob("*.toml"))
EACH_PRESS = pytest.mark.parametrize("press", PRESSES, ids=lambda path: path.stem)


def pins_wired(wires: list[dict[str, str]]) -> set[int]:
    """Header pins that a wire goes to."""
    ends = " ".join(f"{row['from']} ; {row['to']}" for row in wires)
    return {int(number) for number in re.findall(r"board pin (\d+)", ends)}


@EACH_PRESS
def test_one_number_is_one_wire(press: Path) -> None:
    every = [row["number"] for row in build.tables(press)["wire"]]
    assert len(every) == len(set(every)) >= 50


@EACH_PRESS
def test_no_terminal_but_a_rail_has_more_than_two_wires(press: Path) -> None:
    """A screw takes two; what more go to is a bar, a strip, a fuse block or a terminal of its own name."""
    many = (
        "star bar",
        "earth bar",
        "fuse",
        "strip board row",
        "terminal",
        "supply",
        "driver",
        "cable",
        "board pin",
    )
    wires = build.tables(press)["wire"]
    at = Counter(end for row in wires for end in (row["from"], row["to"]))
    assert {end for end, n in at.items() if n > 2 and not end.startswith(many)} <= {
        "K5:13",
        "stop button NC 2:22",
        "main switch",
        "green lamp +",
        "contactor E8:A1",
        "converter E6 output +",
    }


@EACH_PRESS
def test_every_coil_lamp_and_device_has_its_minus(press: Path) -> None:
    wires = build.tables(press)["wire"]
    ends = {end for row in wires for end in (row["from"], row["to"])}
    text = " ; ".join(sorted(ends))
    for plus, minus in (
        ("E7:A1", "E7:A2"),
        ("K5:A1", "K5:A2"),
        ("K4:A1", "K4:A2"),
        ("contactor E8:A1", "contactor E8:A2"),
        ("red lamp +", "red lamp -"),
        ("green lamp +", "green lamp -"),
        ("buzzer +", "buzzer -"),
        ("converter E6 input +", "converter E6 input -"),
        ("K1 coil +", "K1 coil -"),
        ("plug of Y4:1", "plug of Y4:2"),
    ):
        assert (plus in text) == (minus in text), (plus, minus)
    for needed in (
        "strip board row 1",
        "strip board row 7",
        "board pin 33",
        "board pin 36",
        "board pin 38",
        "board pin 39",
    ):
        assert needed in text


def test_every_pin_of_the_board_is_wired() -> None:
    there = pins_wired(build.tables()["wire"])
    assert {name: pin for name, pin in parts_list.board_pins().items() if pin not in there} == {}


@EACH_PRESS
def test_a_feed_needs_the_pedal_and_passes_the_cutout(press: Path) -> None:
    """From the coils' fuse to a feed's solenoid there is no way round stop, cutout and pedal."""
    wires = build.tables(press)["wire"]
    kinds = parts_list.kinds(read_press(press))
    if "lamp" in kinds:
        return
    target = "plug of A1:1" if "air" in kinds else "plug of P1:1" if "hand" in kinds else "plug of Y1:1"
    assert reachable(wires, set(), target)
    stop = {("E7:13", "E7:14")} if "motor" in kinds else {("stop button NC 1:11", "stop button NC 1:12")}
    pedal = {(f"{name}pedal block 2:13", f"{name}pedal block 2:14") for name in ("", "extend ")}
    guards = [stop, pedal] + ([{("K5:13", "K5:14")}] if "cutout" in kinds else [])
    assert len(guards) == 3 or "air_force" in kinds
    for opened in guards:
        assert not reachable(wires, opened, target), opened
        if "slow" in kinds:
            assert not reachable(wires, opened, "plug of Y3:1"), opened
    if "motor" in kinds:
        for opened in ({("E7:23", "E7:24")}, {("K5:23", "K5:24")}):
            assert reachable(wires, set(), "contactor E8:A1", "fuse F2")
            assert not reachable(wires, opened, "contactor E8:A1", "fuse F2"), opened
    if "double" in kinds:
        # The return does not pass the cutout, and the diodes bring nothing back to the feeds.
        assert reachable(wires, {("K5:13", "K5:14")}, "plug of Y2:1")


# Contacts that are joined when everything is pressed, pulled in and turned, both ways of the key at once.
CONTACTS = (
    ("E7:13", "E7:14"),
    ("E7:23", "E7:24"),
    ("K5:13", "K5:14"),
    ("K5:23", "K5:24"),
    ("stop button NC 1:11", "stop button NC 1:12"),
    ("stop button NC 2:21", "stop button NC 2:22"),
    *((f"{name}pedal block 2:13", f"{name}pedal block 2:14") for name in ("", "extend ", "retract ")),
    *((f"{name} pedal block 2:21", f"{name} pedal block 2:22") for name in ("extend", "retract")),
    *((f"key {n}:13", f"key {n}:14") for n in range(1, 5)),
    *((f"K{n}:11", f"K{n}:14") for n in (1, 2, 3)),
    ("motor stop button:11", "motor stop button:12"),
    ("motor start button:13", "motor start button:14"),
    ("contactor E8:13", "contactor E8:14"),
)


def reachable(
    wires: list[dict[str, str]], opened: set[tuple[str, str]], target: str, source: str = "fuse F1"
) -> bool:
    """True when current can come from a fuse to a terminal with every contact closed but the `opened` ones.

    Diodes pass one way. 0 V is no way.
    """
    ways: list[tuple[str, str]] = []
    for row in wires:
        begin, end = _place(row["from"]), _place(row["to"])
        ways.append((begin, end))
        if "diodes" not in row["to"]:
            ways.append((end, begin))
    for one, other in CONTACTS:
        if (one, other) not in opened:
            ways += [(one, other), (other, one)]
    seen, left = {source}, [source]
    while left:
        at = left.pop()
        for begin, end in ways:
            if begin == at and end not in seen and end != "star bar":
                seen.add(end)
                left.append(end)
    return target in seen


def _place(end: str) -> str:
    """Return the terminal that a cell of the table names, without what the key's position is called there."""
    end = end.partition(", CONTROLLED")[0].partition(", PLAIN")[0]
    return (
        end.removeprefix("diodes D1 in series, then ")
        .removeprefix("diodes D2 in series, then ")
        .removeprefix("diodes D3 in series, then ")
    )


def test_every_solenoid_has_a_suppressor_and_every_contact_a_circuit() -> None:
    found = build.tables()
    parts = {row["id"]: row for row in found["part"]}
    ends = [row[side] for row in found["wire"] for side in ("from", "to")]
    assert parts["E13"]["qty"] == sum(end.startswith("plug of Y") and end.endswith(":1") for end in ends) == 4
    assert parts["E17"]["qty"] == len({end for end in ends if end.startswith("strip board row 3, ")}) == 10
    assert parts["E12"]["qty"] == len({end for end in ends if re.fullmatch(r"driver \d, row 12", end)})


@pytest.mark.parametrize(
    "name", ["two-stage-slow", "shared-12v", "open-centre", "hand-pump-70mpa", "air-over-oil"]
)
def test_the_supply_can_open_the_fuse_and_contacts_carry_twice_their_coils(name: str) -> None:
    press = read_press(NOTES / "presses" / f"{name}.toml")
    for volts, watts in ((24.0, 30.0), (12.0, 30.0), (24.0, 60.0)):
        known = parts_list.known_values(press, Wiring(volts, watts))
        assert float(known["press.supply_a"]) >= 1.5 * float(known["press.fuse_a"])
        assert float(known["press.feed_a"]) >= 2.0 * float(known["press.coils_a"]) * 0.99
        rows = {row["id"]: row for row in parts_list.tables(press, Wiring(volts, watts))["part"]}
        for part in ("E10", "E11", "E18", "E19", "E21"):
            assert f"DC-13 {volts:g} V {known['press.feed_a']} A" in rows[part]["rating"], part


@EACH_PRESS
def test_a_contact_that_the_proposed_settings_say_is_fitted_is_in_list_and_wires(press: Path) -> None:
    from steadyram.nameplate import nameplate_settings

    model = read_press(press)
    found = parts_list.tables(model, Wiring())
    settings = nameplate_settings(model)
    ends = {row["from"] for row in found["wire"]}
    assert ("strip board row 3, in_top" in ends) == bool(settings["top_switch"])
    assert any(row["id"] == "E22" for row in found["part"]) == bool(settings["top_switch"])
    assert ("terminal Y3" in ends) == bool(settings["slow_fitted"])
    circuits = {end for end in ends if end.startswith("strip board row 3, ")}
    knob = {end for end in circuits if "knob" in end}
    parts = {row["id"]: row for row in found["part"]}
    assert parts["E17"]["qty"] == len(circuits)
    assert len(knob) == 2


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


def test_every_pin_that_a_hand_pump_needs_is_wired() -> None:
    there = pins_wired(build.tables(build.HAND_PUMP)["wire"])
    needed = (
        "extend",
        "lamp",
        "buzzer",
        "in_extend",
        "in_cutoff",
        "in_estop_ok",
        "in_push",
        "in_cutout_ok",
        "in_top",
    )
    pins = parts_list.board_pins()
    assert [name for name in (*needed, "knob_a", "knob_b") if pins[name] not in there] == []


def test_the_whole_system_names_only_wires_and_parts_of_the_lists() -> None:
    sys.path.insert(0, str(NOTES / "drawing"))
    import whole_system

    found = parts_list.build_file()
    wires = {row["number"] for row in build.tables()["wire"]}
    ends = wires | {number.rstrip("abcdef") for number in wires}
    for _, _, numbers, _ in whole_system.WIRES:
        assert numbers in ends or set(numbers.split(", ")) <= ends, numbers
    parts = {row["id"] for row in found["part"]}
    named = set(re.findall(r"\b[EH]\d+\b", " ".join(words for _, _, words in whole_system.BLOCKS.values())))
    assert len(named) > 12
    assert named <= parts


def test_the_board_side_shows_each_wire_at_its_pin_where_the_pin_sits() -> None:
    sys.path.insert(0, str(NOTES / "drawing"))
    import board_side

    wires = build.tables()["wire"]
    drawn = re.findall(r'<text x="([\d.]+)" y="([\d.]+)"[^>]*>([^<]+)<', board_side.drawing())
    pin_height = {words: float(y) for _, y, words in drawn if re.fullmatch(r"\d{1,2}", words)}
    assert set(pin_height) == {str(pin) for pin in range(1, 41)}
    at = {words.split()[0]: float(y) for x, y, words in drawn if float(x) < 600 and "  " in words}
    for row in wires:
        for end in (row["from"], row["to"]):
            pin = re.search(r"board pin (\d+)$", end)
            if pin:
                assert at[row["number"]] == pin_height[pin[1]], row
