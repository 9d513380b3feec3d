"""Every fault does to the press what its row says, and is repaired; when it comes on is as asked."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from steadyram.errors import BadInput
from steadyram.press.pressfile import read_press
from steadyram.virtual import quick_setup, script
from steadyram.virtual.default_press import default_press
from steadyram.virtual.faults import FAULTS, PHASES, parse_fault
from steadyram.virtual.press import VirtualPress
from steadyram_fw import tables

REPO = Path(__file__).parents[3]


@pytest.fixture
def press(tmp_path: Path) -> Iterator[VirtualPress]:
    with VirtualPress(default_press(), 5, "cpython", tmp_path) as made:
        made.run(0.5)
        yield made


def inputs(press: VirtualPress) -> int:
    """The input word of the next tick, as the firmware gets it."""
    press.run(0.001)
    return int(press.firmware.raw)


def readings(press: VirtualPress, count: int) -> list[int]:
    found = []
    for _ in range(count):
        press.run(0.001)
        found.append(press.counts)
    return found


def test_every_fault_can_come_on_and_be_repaired(press: VirtualPress) -> None:
    healthy = inputs(press)
    rest = press.plant.step_index
    for name, fault in FAULTS.items():
        if fault.lacks(press.plant.press) is not None:
            continue
        press.inject(name)
        assert name in press.faults
        press.run(0.02)
        press.clear_faults()
        assert press.faults == []
    press.run(0.05)
    assert press.plant.step_index > rest
    assert inputs(press) == healthy
    plant = press.plant
    assert (plant.sensor_override, plant.supply_factor, plant.leak_extra) == (None, 1.0, 0.0)
    assert not any(s.dead or s.stuck for s in (plant.extend, plant.retract, plant.slow))
    assert plant.flow_low == plant.press.pump.flow_low_stage


def test_a_fault_that_the_press_cannot_have_is_refused_with_the_reason(press: VirtualPress) -> None:
    lacking = [name for name, fault in FAULTS.items() if fault.lacks(press.plant.press)]
    assert lacking == [name for name in FAULTS if name.startswith("position-")]
    for when in ("", "@1:rise", "@9s"):
        with pytest.raises(BadInput, match="no position sensor"):
            press.inject(f"position-open{when}")
    folder = REPO / "tests" / "presses"
    assert [n for n, f in FAULTS.items() if f.lacks(read_press(folder / "depth-20.toml"))] == []
    by_hand = read_press(REPO / "hardware_notes/presses/bottle-jack-lamp.toml")
    assert "worked by hand" in str(FAULTS["relay-welded"].lacks(by_hand))


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [
        ("sensor-open", 0, 0),
        ("sensor-short", 65520, 65520),
        ("zero-shift", 9000, 9600),
        ("supply-shift", 5800, 6200),
    ],
)
def test_sensor_faults_move_the_reading(name: str, low: int, high: int, press: VirtualPress) -> None:
    press.inject(name)
    assert all(low <= count <= high for count in readings(press, 20))
    press.clear_faults()
    assert all(6500 <= count <= 6900 for count in readings(press, 20))


def test_frozen_sensor_repeats_its_last_reading(press: VirtualPress) -> None:
    last = press.counts
    press.inject("sensor-frozen")
    assert set(readings(press, 50)) == {last}


def test_spike_is_one_reading(press: VirtualPress) -> None:
    press.inject("sensor-spike")
    high = [count > 15_000 for count in readings(press, 50)]
    assert high[0]
    assert sum(high) == 1


def test_noise_is_that_of_its_row(press: VirtualPress) -> None:
    quiet = readings(press, 200)
    press.inject("sensor-noisy")
    noisy = readings(press, 200)
    assert max(noisy) - min(noisy) > 5 * (max(quiet) - min(quiet))


@pytest.mark.parametrize(
    ("name", "set_bits", "cleared_bits"),
    [
        ("pedal-stuck", tables.IN_EXTEND, 0),
        ("both-pedals", tables.IN_EXTEND | tables.IN_RETRACT, 0),
        ("estop-open", 0, tables.IN_ESTOP_OK),
        ("top-switch-open", 0, tables.IN_TOP),
    ],
)
def test_contact_faults_alter_the_levels(
    name: str, set_bits: int, cleared_bits: int, press: VirtualPress
) -> None:
    press.inject(name)
    word = inputs(press)
    assert word & set_bits == set_bits
    assert not word & cleared_bits


def test_bounce_chatters_and_settles(press: VirtualPress) -> None:
    press.inject("contact-bounce")
    press.operator.press_retract()
    levels = [bool(inputs(press) & tables.IN_RETRACT) for _ in range(40)]
    assert False in levels[:13]
    assert all(levels[13:])


def ready(press: VirtualPress) -> None:
    quick_setup.set_up(press, 20_000.0)
    press.cycle = 0


def ready_for_full_feed(press: VirtualPress) -> None:
    """A first part is pressed at slow feed, until the reading has moved: full feed is the second one's."""
    ready(press)
    script.play(press, script.one_part(press))
    press.run(0.5)
    press.cycle = 0


def extend_until_force(press: VirtualPress) -> None:
    press.operator.load_part()
    press.operator.press_extend()
    assert press.run_until(lambda p: p.plant.force_N > 2000, 5.0)


def test_welded_relay_feeds_on_until_the_emergency_stop(press: VirtualPress) -> None:
    # A press wired without the pedal's second block; with it foot-off ends the feed (test_cutout.py).
    press.change_table("circuit", {"pedal_in_supply": False})
    ready_for_full_feed(press)
    press.inject("relay-welded")
    extend_until_force(press)
    press.operator.release_extend()
    press.run(0.1)
    force = press.plant.force_N
    press.run(0.1)
    assert not press.outputs & tables.OUT_EXTEND
    assert press.plant.force_N > force + 1000
    press.operator.push_estop()
    press.run(0.1)
    force = press.plant.force_N
    press.run(0.2)
    assert press.plant.force_N <= force


def test_stuck_valve_feeds_until_the_emergency_stop_drops_the_motor(press: VirtualPress) -> None:
    ready_for_full_feed(press)
    press.inject("valve-stuck-open")
    extend_until_force(press)
    press.operator.release_extend()
    press.run(0.1)
    force = press.plant.force_N
    press.run(0.1)
    assert press.plant.force_N > force + 1000
    press.operator.push_estop()
    press.run(0.1)
    force = press.plant.force_N
    press.run(0.2)
    assert press.plant.force_N <= force


@pytest.mark.parametrize("name", ["valve-stuck-closed", "pump-off", "pedal-dead"])
def test_faults_that_keep_the_ram_still(name: str, press: VirtualPress) -> None:
    ready(press)
    press.inject(name)
    press.operator.press_extend()
    press.run(1.0)
    assert press.plant.position_m == 0.0


def test_low_relief_caps_the_force(press: VirtualPress) -> None:
    press.inject("relief-low")
    press.plant.command(True, False, False)
    for _ in range(3000):
        press.plant.step()
    assert press.plant.pressure_Pa == pytest.approx(0.05 * press.plant.press.pump.relief, rel=1e-6)


def test_fast_leak_lets_the_force_fall(press: VirtualPress) -> None:
    ready_for_full_feed(press)
    extend_until_force(press)
    press.operator.release_extend()
    press.run(0.2)
    force = press.plant.force_N
    press.inject("leak-fast")
    press.run(0.2)
    assert press.plant.force_N < 0.8 * force


def test_stuck_retract_valve_holds_the_ram_down(press: VirtualPress) -> None:
    ready_for_full_feed(press)
    press.inject("retract-stuck")
    extend_until_force(press)
    press.operator.release_extend()
    press.run(0.3)
    down = press.plant.position_m
    press.operator.press_retract()
    press.run(0.5)
    assert press.plant.position_m == pytest.approx(down, rel=1e-3)


def test_slow_valve_doubles_the_delays(press: VirtualPress) -> None:
    press.inject("slow-valve")
    assert press.plant.extend.open_s == 2 * press.plant.press.valve.open_delay


@pytest.mark.parametrize("phase", [phase for phase in PHASES if phase not in ("before", "idle")])
def test_a_fault_comes_on_in_its_cycle_and_phase(phase: str, press: VirtualPress) -> None:
    ready(press)
    # contact-bounce alters nothing that would keep a later phase from coming.
    press.inject(f"contact-bounce@2:{phase}")
    script.play(press, script.one_part(press))
    assert not any(event.name.startswith("fault ") for event in press.events)
    script.play(press, script.one_part(press))
    (when,) = [event.time_s for event in press.events if event.name == "fault contact-bounce"]
    pressed = press.time_of("press-extend")
    feed_on = press.on_times(tables.OUT_EXTEND | tables.OUT_SLOW, pressed)
    contact_earliest = pressed + 0.2
    if phase == "start":
        assert when == pytest.approx(pressed, abs=0.0015)
    elif phase == "approach":
        assert when == pytest.approx(feed_on[0][0] + 0.03, abs=0.0015)
    elif phase in ("contact", "rise", "embed", "flush"):
        assert contact_earliest < when <= feed_on[-1][1]
    elif phase in ("stop", "hold"):
        assert when > feed_on[0][1] - 1e-9
        assert when < press.time_of("press-retract")
    else:
        assert when >= press.time_of("press-retract")


def test_idle_is_at_the_top_between_two_cycles(press: VirtualPress) -> None:
    ready(press)
    press.inject("contact-bounce@2:idle")
    script.play(press, script.one_part(press))
    assert press.plant.at_top
    assert press.time_of("fault contact-bounce") > press.time_of("press-retract")
    assert press.off_at("fault contact-bounce", tables.OUT_RETRACT) == press.time_of("fault contact-bounce")


def test_a_fault_comes_on_at_a_time(press: VirtualPress) -> None:
    press.inject("estop-open@0.750s")
    press.run(1.0)
    assert press.time_of("fault estop-open") == pytest.approx(0.75)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("sensor-opened@3", "did you mean sensor-open"),
        ("sensor-open@3:lunch", "no phase"),
        ("sensor-open@0", "count from 1"),
        ("sensor-open@", "form"),
        ("", "form"),
    ],
)
def test_a_wrong_fault_gets_one_sentence(text: str, says: str) -> None:
    with pytest.raises(BadInput, match=says):
        parse_fault(text)
