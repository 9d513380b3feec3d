"""A press without valves: lamp and buzzer for a person who pumps, records, and no valve output in any state."""

from __future__ import annotations

import random
from array import array
from pathlib import Path

import pytest

from steadyram.commission.characterise import characterise
from steadyram.errors import BadInput, CheckFailed
from steadyram.link.definition import definition
from steadyram.nameplate import nameplate_settings
from steadyram.press.pressfile import build_press, read_press, read_press_tables
from steadyram.virtual.hands import VirtualHands
from steadyram.virtual.press import VirtualPress
from steadyram.virtual.quick_setup import nameplate_calibration, set_up
from steadyram.virtual.runtime import RuntimeName
from steadyram_fw import tables
from steadyram_fw.core.controller import Controller

PRESSES = Path(__file__).parents[3] / "hardware_notes" / "presses"
BOTTLE_JACK = PRESSES / "bottle-jack-lamp.toml"
VALVES = tables.OUT_EXTEND | tables.OUT_RETRACT | tables.OUT_SLOW
SETPOINT_N = 40_000


def state_after(press: VirtualPress, device, seconds: float) -> str:
    press.run(seconds)
    return device.now().state


def a_day(runtime: RuntimeName):
    """A part, a touch of both pedals, a stroke without cutoff, a force above the limit, an emergency stop."""
    with VirtualPress(BOTTLE_JACK, seed=411, runtime=runtime) as press:
        device = set_up(press, SETPOINT_N, job={"cutoff_required": 0})
        operator = press.operator
        states = {device.now().state}
        operator.press_extend()
        beeped_at_N = None
        lit_s = press.time_s
        while press.time_s - lit_s < 1.5:
            assert press.time_s < 90.0
            press.run(0.02)
            if press.outputs & tables.OUT_LAMP:
                lit_s = press.time_s
            if beeped_at_N is None and press.outputs & tables.OUT_BUZZER:
                beeped_at_N = press.plant.force_N
        states.add(device.now().state)
        peak_N = press.plant.peak_N
        operator.release_extend()
        states.add(state_after(press, device, 0.1))
        states.add(state_after(press, device, 0.4))
        operator.open_release()
        press.run_until(lambda p: p.plant.at_top, 20.0)
        operator.shut_release()
        states.add(state_after(press, device, 1.0))
        operator.press_retract()
        states.add(state_after(press, device, 0.2))
        operator.press_extend()
        states.add(state_after(press, device, 0.2))
        operator.release_all()
        press.run(0.2)
        operator.cutoff(False)
        press.run(0.2)
        operator.press_extend()
        states.add(state_after(press, device, 1.0))
        operator.push_estop()
        states.add(state_after(press, device, 0.3))
        operator.pull_estop()
        operator.release_all()
        press.run(0.3)
        operator.tap_ack()
        states.add(state_after(press, device, 0.5))
        records = [(each.stop, each["peak_n"], sorted(each.flags)) for each in device.log(1)]
        words = [(round(1000 * each.time_s), each.word) for each in press.valve_log]
        return {
            "states": states,
            "records": records,
            "words": words,
            "peak_N": peak_N,
            "beeped_at_N": beeped_at_N,
        }


@pytest.fixture(scope="module")
def days():
    return {runtime: a_day(runtime) for runtime in ("cpython", "micropython")}


@pytest.mark.parametrize("runtime", ["cpython", "micropython"])
def test_no_valve_output_is_energised_in_any_state(days, runtime):
    day = days[runtime]
    assert day["states"] >= {"ready", "advance", "done", "refused", "fault"}
    assert [word for _, word in day["words"] if word & VALVES] == []
    assert any(word & tables.OUT_LAMP for _, word in day["words"])


def test_both_interpreters_show_the_same(days):
    assert days["cpython"]["words"] == days["micropython"]["words"]
    assert days["cpython"]["records"] == days["micropython"]["records"]


def test_buzzer_comes_before_the_force_and_the_stroke_is_recorded(days):
    day = days["cpython"]
    # 60 thousandths before the setpoint is the setting's default; a look comes each 20 ms of a slow lever.
    assert 0.93 * SETPOINT_N < day["beeped_at_N"] < 0.98 * SETPOINT_N
    stop, peak_n, flags = day["records"][0]
    assert stop == "setpoint"
    # No valve closes at a threshold: a person stops, by lamp and buzzer.
    assert flags == ["cutoff"]
    assert peak_n == pytest.approx(day["peak_N"], rel=0.02)
    # With the cutoff selector off the stroke is recorded as one without it, here ended by the emergency stop.
    assert [each[0] for each in day["records"][1:]] == ["estop"]


def random_session(drive_kind: int, seed: int) -> tuple[set[int], set[str]]:
    """Output words and states of 100,000 steps with random contacts and readings, faults cleared now and then."""
    press = read_press(BOTTLE_JACK)
    settings = nameplate_settings(press) | {"drive_kind": drive_kind, "slow_fitted": 1}
    calibration = nameplate_calibration(press, 6554)
    core = Controller()
    core.configure(
        array(
            "i",
            [
                settings.get(field.name, field.default)
                for field in definition().settings + definition().measured
            ],
        )
    )
    core.calibrate(array("i", list(calibration.values())[: tables.CAL_CORE_LEN]))
    job = {field.name: field.default for field in definition().job} | {
        "setpoint_n": SETPOINT_N,
        "cutoff_required": 0,
    }
    core.choose(1, array("i", job.values()), core.learned)
    draw = random.Random(seed)
    seen: set[int] = set()
    states: set[str] = set()
    word, counts, towards = tables.IN_ESTOP_OK, 6554, 6554
    for step in range(100_000):
        if draw.random() < 0.004:
            word ^= draw.choice(
                (tables.IN_EXTEND,) * 6 + (tables.IN_RETRACT, tables.IN_CUTOFF, tables.IN_TOP)
            )
            word ^= tables.IN_ESTOP_OK if draw.random() < 0.02 else 0
        if draw.random() < 0.002:
            towards = draw.choice((6554, 9000, 15_000, 22_000, 40_000))
        counts += max(-20, min(20, towards - counts))
        if step % 1000 == 0:
            core.clear_fault()
            word |= tables.IN_ESTOP_OK
        core.record_stored()
        if draw.random() < 0.001:
            core.arm_probe(draw.randrange(2), 20_000, draw.randrange(1, 50), draw.randrange(4), 30, 30_000)
        seen.add(core.step(counts + draw.randrange(12), word) & VALVES)
        states.add(tables.STATE_NAMES[core.state])
    return seen, states


def test_random_contacts_and_readings_energise_nothing():
    words, states = random_session(2, 7001)
    assert words == {0}
    assert states >= {"starting", "ready", "advance", "settle", "nudge", "done", "return", "fault", "refused"}
    # The same session with a solenoid valve set energises: the session reaches what it must reach.
    words, _ = random_session(0, 7001)
    assert words >= {tables.OUT_EXTEND, tables.OUT_RETRACT}


def test_an_arm_is_not_characterised():
    with VirtualPress(BOTTLE_JACK, seed=3, runtime="cpython") as press:
        device = set_up(press, SETPOINT_N)
        with pytest.raises(CheckFailed, match="no valve"):
            characterise(device, VirtualHands(press, 3), capacity_N=1e5, slow_fitted=False, burst=True)


def test_an_indicator_needs_a_pump_and_a_release_worked_by_hand():
    raw = read_press_tables(BOTTLE_JACK)
    raw["cylinder"]["return"] = "powered"
    with pytest.raises(BadInput, match=r"valve\.indicator"):
        build_press(raw, "press")


def test_a_release_by_hand_is_no_leak():
    """A spring-returned ram is let go by a valve that no contact reports: rest goes on, and the next part presses."""
    with VirtualPress(PRESSES / "hand-pump-70mpa.toml", seed=412, runtime="cpython") as press:
        device = set_up(press, 30_000)
        for _ in range(2):
            press.load_part()
            press.run(0.7)
            press.operator.press_extend()
            assert press.run_until(
                lambda p: device.now().state != "advance" and p.plant.force_N > 25_000, 60.0
            )
            press.run(1.0)
            press.operator.release_all()
            press.run(0.5)
            press.operator.open_release()
            assert press.run_until(lambda p: p.plant.at_top, 30.0)
            press.operator.shut_release()
            assert state_after(press, device, 1.0) == "ready"
