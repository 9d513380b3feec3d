"""Ways past the cutoff that were found on the virtual press, each judged by the plant: the true force on the work.

Every one of them drove the press far beyond its setpoint once (or moved the ram with every pedal up).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from steadyram.errors import DeviceRefusal
from steadyram.link.definition import definition
from steadyram.virtual import script
from steadyram.virtual.default_press import default_press
from steadyram.virtual.operator import ACK_S
from steadyram.virtual.tester_press import TesterPress

SETPOINT_N = 20_000.0
OVER = 1.1
ERRORS = {entry.name: number for number, entry in definition().errors.items()}


@pytest.fixture
def press(tmp_path: Path) -> Iterator[TesterPress]:
    with TesterPress(default_press(), 5, "cpython", tmp_path) as made:
        made.make_ready(SETPOINT_N, job={"cutoff_required": 0})
        yield made


def stroke(press: TesterPress, held_s: float = 8.0) -> float:
    """Press a fresh part from the top with the pedal held; returns the highest true force over the setpoint."""
    press.load_part()
    press.run(0.3)
    press.plant.peak_N = 0.0
    press.operator.press_extend()
    press.run(held_s)
    press.operator.release_extend()
    press.run(0.5)
    return press.plant.peak_N / SETPOINT_N


def arm(press: TesterPress) -> None:
    """Arm the stroke that once pressed a part to 7.5 times its setpoint: full feed up to near the over-force limit."""
    settings = press.device.settings().values
    press.device.probe(cut_counts=settings["counts_zero"] + 25_000)
    assert press.device.now().armed_s > 0


# ------------------------------------------------------------------ an armed valve test
def test_an_armed_valve_test_does_press_past_the_setpoint_so_that_the_rest_of_this_proves_something(
    press: TesterPress,
) -> None:
    arm(press)
    assert "VALVE TEST ARMED" in panel(press)
    assert stroke(press, 3.0) > 2.0


def panel(press: TesterPress) -> str:
    press.run(0.3)
    return press.display


def wait(press: TesterPress) -> None:
    """The host stays on the line and nobody presses for a minute."""
    for _ in range(61):
        press.run(1.0)
        press.device.now()


def recount(press: TesterPress) -> None:
    press.device.recount()


def latch(press: TesterPress) -> None:
    press.operator.latch(True)
    press.run(0.1)
    press.operator.latch(False)


def estop(press: TesterPress) -> None:
    press.operator.push_estop()
    press.run(0.1)
    press.operator.pull_estop()
    press.run(0.5)
    press.operator.tap_ack()


WAYS: dict[str, Callable[[TesterPress], object]] = {
    "a minute": wait,
    "host silent": lambda press: press.run(6.0),
    "host gone for long, changes closed": lambda press: press.run(700.0),
    "changes closed": lambda press: press.operator.hold_enable(),
    "job chosen": lambda press: (
        (press.device.use_job(1) and press.device.use_job(0)) or press.device.use_job(1)
    ),
    "set pushed": lambda press: press.device.push_settings(press.device.settings().values),
    "jobs pushed": lambda press: press.device.push_jobs(press.device.jobs().jobs),
    "recount": recount,
    "return selector": latch,
    "retract": lambda press: press.operator.tap_retract(),
    "verb": lambda press: press.device.disarm(),
    "another host": lambda press: press.device.hello(),
    "emergency stop": estop,
    "link closed by the tool": lambda press: press.device.close(),
}


@pytest.mark.parametrize("way", WAYS)
def test_an_armed_valve_test_is_gone_and_the_part_lands(press: TesterPress, way: str) -> None:
    arm(press)
    WAYS[way](press)
    press.run(0.5)
    assert "VALVE TEST" not in panel(press)
    assert stroke(press) <= OVER


def test_a_job_that_requires_the_cutoff_is_never_pressed_by_a_valve_test(press: TesterPress) -> None:
    job = press.device.jobs().jobs[0]
    press.device.push_jobs([type(job)(1, job.name, {**job.fields, "cutoff_required": 1})])
    with pytest.raises(DeviceRefusal) as refused:
        press.device.probe(cut_counts=30_000)
    assert refused.value.number == ERRORS["job-chosen"]
    assert stroke(press) <= OVER


@pytest.mark.parametrize("cut_counts", [65_535, 65_534, 58_983])
def test_a_valve_test_without_an_end_is_refused(press: TesterPress, cut_counts: int) -> None:
    press.device.use_job(0)
    with pytest.raises(DeviceRefusal) as refused:
        press.device.probe(cut_counts=cut_counts)
    assert refused.value.number == ERRORS["out-of-range"]


def test_a_valve_test_ends_at_its_own_ceiling_and_at_the_toolings(press: TesterPress) -> None:
    device = press.device
    job = device.jobs().jobs[0]
    device.push_jobs([type(job)(1, job.name, {**job.fields, "tool_limit_n": 30_000})])
    with pytest.raises(DeviceRefusal):
        device.probe(cut_counts=7000, ceiling_N=30_001)
    press.operator.swap_block()
    # Pulses without an end of their own: the ceiling ends them, one pulse of full feed later at most.
    assert device.probe(pulse_ms=45, pulses=200, pause_ms=120) == 30_000
    press.plant.peak_N = 0.0
    press.operator.press_extend()
    press.run(0.2)
    while press.device.now().state in ("advance", "settle", "nudge"):
        press.run(0.1)
    press.operator.release_extend()
    press.run(0.5)
    record = list(device.log(device.now().next_seq - 1))[-1]
    assert record.stop == "stalled"
    assert "probe" in record.flags
    # Reached, and passed by less than a pulse of 45 ms lets in on a dead stop.
    assert 0.95 * 30_000 < press.plant.peak_N < 1.7 * 30_000


# ------------------------------------------------------------------ contacts
@pytest.mark.parametrize("open_ms", [1, 5, 50])
@pytest.mark.parametrize("before_ms", [0, 1, 2])
def test_a_cutoff_contact_that_opens_as_the_pedal_goes_down(
    press: TesterPress, open_ms: int, before_ms: int
) -> None:
    press.load_part()
    press.run(0.3)
    press.plant.peak_N = 0.0
    press.operator.press_extend()
    press.run(before_ms / 1000)
    press.operator.cutoff(False)
    press.run(open_ms / 1000)
    press.operator.cutoff(True)
    press.run(8.0)
    assert press.plant.peak_N <= OVER * SETPOINT_N


@pytest.mark.parametrize("after_s", [0.7, 1.0, 1.5])
def test_the_cutoff_switched_off_in_mid_stroke(press: TesterPress, after_s: float) -> None:
    press.after(after_s, lambda: press.operator.cutoff(False))
    assert stroke(press) <= OVER
    record = list(press.device.log(press.device.now().next_seq - 1))[-1]
    assert record.stop in ("selector", "setpoint")


@pytest.mark.parametrize("share", [0.0, 0.1, 0.3, 0.5])
def test_the_cutoff_switched_on_in_mid_stroke_takes_effect(press: TesterPress, share: float) -> None:
    press.operator.cutoff(False)
    press.run(0.2)
    press.when(
        lambda p: p.outputs & 1 != 0 and p.plant.force_N >= share * SETPOINT_N,
        lambda: press.operator.cutoff(True),
    )
    peak = stroke(press)
    record = list(press.device.log(press.device.now().next_seq - 1))[-1]
    assert peak <= OVER, record.stop
    assert record.stop in ("setpoint", "short", "over", "selector")


def test_without_the_switch_that_stroke_passes_the_setpoint(press: TesterPress) -> None:
    press.operator.cutoff(False)
    assert stroke(press, 3.0) > 2.0


def test_an_acknowledge_contact_that_closes_for_a_millisecond_or_sticks_clears_nothing(
    press: TesterPress,
) -> None:
    press.inject("sensor-open")
    press.run(0.2)
    press.clear_faults()
    press.run(0.5)
    for closed_ms in (1, 20, 150):
        press.operator.tap_ack(closed_ms / 1000)
        assert press.device.now().fault == "sensor-low"
    press.operator.ack_held = True
    press.run(20.0)
    assert press.device.now().fault == "sensor-low"
    press.operator.ack_held = False
    press.run(0.2)
    assert press.device.now().fault == "sensor-low"
    press.operator.tap_ack(ACK_S)
    assert press.device.now().fault is None


# ------------------------------------------------------------------ never measured
def test_the_learned_cutoff_of_a_press_that_was_never_characterised_refuses(press: TesterPress) -> None:
    values = dict(press.device.settings().values)
    press.device.push_press({**values, "char_valid": 0})
    assert stroke(press) == 0.0
    press.operator.press_extend()
    press.run(0.1)
    assert press.device.now().refusal == "not-characterised"
    press.operator.release_extend()
    press.run(0.1)
    # A plain threshold only where asked for by name; it goes over, and every record says so.
    press.device.push_press({**values, "char_valid": 0, "strategy": 0})
    press.plant.peak_N = 0.0
    assert stroke(press) > 1.1
    record = list(press.device.log(press.device.now().next_seq - 1))[-1]
    assert "threshold" in record.flags


# ------------------------------------------------------------------ handling
@pytest.mark.parametrize("choice", [1, 2])
def test_in_handling_one_touch_of_retract_does_not_send_the_ram_up(press: TesterPress, choice: int) -> None:
    values = press.device.settings().values
    press.device.push_settings({**values, "handling_n": 40_000})
    job = press.device.jobs().jobs[0]
    press.device.push_jobs([type(job)(1, job.name, {**job.fields, "handling": 1, "latch_return": choice})])
    press.operator.remove_part()
    press.operator.latch(True)
    press.run(0.3)
    press.operator.tap_ack()
    press.run(0.6)
    press.operator.press_extend()
    press.run(10.0)
    press.operator.release_extend()
    press.run(0.5)
    down_m = press.plant.position_m
    assert down_m > 0.004
    press.operator.tap_retract(0.03)
    press.run(0.1)
    held_m = press.plant.position_m
    press.run(5.0)
    assert press.plant.position_m == pytest.approx(held_m, abs=1e-4)
    assert not press.plant.at_top


# ------------------------------------------------------------------ what is shown
def test_a_transducer_fault_while_the_part_is_held_shows_no_force_anywhere(press: TesterPress) -> None:
    press.stroke()
    assert press.device.now().force_N == pytest.approx(SETPOINT_N, rel=0.1)
    press.inject("sensor-open")
    press.run(0.3)
    reading = press.device.now()
    assert press.plant.force_N > 0.5 * SETPOINT_N
    assert reading.force_N is None
    assert reading.pressure_Pa is None
    shown = set()
    for _ in range(4):
        press.run(3.0)
        shown |= set(panel(press).split("\n"))
    assert "PRESSURE NOT KNOWN:" in shown
    assert "treat as loaded" in shown
    assert not any("kN" in line for line in shown)


def test_at_rest_panel_and_link_tell_the_same_force(press: TesterPress) -> None:
    script.play(press, script.to_top(press))
    press.run(2.0)
    reading = press.device.now()
    assert reading.force_N is not None
    figure = f"{reading.force_N / 1000:.2f} kN"
    assert figure in panel(press)
    assert reading.force_N == 0.0


def test_healthy_parts_are_neither_refused_nor_stopped(tmp_path: Path) -> None:
    """Seed 2101, 12 parts by a latched return: what the filters and refusals above must leave alone."""
    with TesterPress(default_press(), 2101, "cpython", tmp_path) as press:
        press.make_ready(SETPOINT_N)
        press.operator.latch(True)
        press.run(0.2)
        for _ in range(12):
            press.plant.peak_N = 0.0
            press.part()
            reading = press.device.now()
            assert (reading.fault, reading.refusal, reading.stop) == (None, None, "setpoint")
            assert press.plant.peak_N <= OVER * SETPOINT_N
