"""Detectors at their limits, each by itself: what latches, what just does not, and a curved calibration."""

from array import array

import pytest

from steadyram_fw import tables as t
from steadyram_fw.core.cells import CELLS
from steadyram_fw.core.controller import Controller
from steadyram_fw.core.faults import Guard, pressure, readings
from steadyram_fw.core.job_model import LEARNED_LEN
from steadyram_fw.core.press import Press
from steadyram_fw.core.sense import Sense, take

ZERO = 6554
PLACES = {row[0]: i for i, row in enumerate(t.SETTINGS)}
REST = t.IN_ESTOP_OK | t.IN_TOP
DOWN = t.IN_ESTOP_OK
OVERFORCE_N = 100_000
C1 = 350_000
OUT = {"extend": t.OUT_EXTEND, "rest": 0, "retract": t.OUT_RETRACT}


def settings(**changed):
    values = array("i", [row[3] for row in t.SETTINGS])
    given = {
        "capacity_n": 95_000, "overforce_n": OVERFORCE_N, "char_valid": 1, "open_lag_us": 38_000,
        "close_lag_us": 33_000, "sensor_lag_us": 2000, "jitter_us": 1400, "noise_n": 140,
        "rate_low_n_s": 944_000, "rate_high_n_s": 270_000,
    } | changed  # fmt: skip
    for name, value in given.items():
        values[PLACES[name]] = value
    return values


class Watched:
    """The detectors over a reading given as a force, outputs and state by hand."""

    def __init__(self, **changed):
        press = Press()
        press.configure(settings(**changed))
        sense = Sense()
        sense.set_polynomial(0, C1, 0, 0)
        sense.set_zero(ZERO << 4)
        self.cells = sense.cells
        guard = Guard(press, self.cells)
        guard.configure(settings(**changed))
        guard.calibrate(C1)
        self.guard = guard
        self.n = 0

    def run(self, ms, force, state=t.STATE_READY, outputs=0, inputs=DOWN, slope=0.0):
        """First fault in so many milliseconds and when; (0, ms) without one. slope: newtons a millisecond."""
        for n in range(1, ms + 1):
            self.n += 1
            counts = ZERO + round((force + slope * n) * 65536 / C1) + (0, 32, 16, -16, 48)[self.n % 5] - 16
            take(self.cells, counts)
            told = outputs | state << 8
            found = readings(self.cells, inputs, told, pressure(self.cells, inputs, told))
            if found:
                return found, n
        return 0, ms

    def ramp(self, begin, end, state=t.STATE_READY, outputs=0, each=400.0):
        """Go from one force to another by `each` newtons a millisecond; as run()."""
        ms = max(1, round(abs(end - begin) / each))
        return self.run(ms, begin, state, outputs, slope=(end - begin) / ms)


def settled(force, **changed):
    watched = Watched(**changed)
    assert watched.run(400, 0.0)[0] == 0
    # up in steps that the press can make
    for part in range(1, 41):
        found, _ = watched.run(8, force * part / 40, t.STATE_ADVANCE, t.OUT_EXTEND)
        if found:
            return watched, found
    return watched, 0


@pytest.mark.parametrize("share", [0.9, 0.98])
def test_force_below_the_limit_is_no_fault(share):
    watched, found = settled(share * OVERFORCE_N)
    assert found == 0
    assert watched.run(500, share * OVERFORCE_N, t.STATE_ADVANCE, t.OUT_EXTEND) == (0, 500)


@pytest.mark.parametrize("share", [1.02, 1.04, 1.2])
@pytest.mark.parametrize("state", [t.STATE_ADVANCE, t.STATE_READY, t.STATE_DONE])
def test_force_above_the_limit_latches_within_8_ms_in_any_state(share, state):
    watched, found = settled(0.97 * OVERFORCE_N)
    assert found == 0
    outputs = t.OUT_EXTEND if state == t.STATE_ADVANCE else 0
    assert watched.run(40, 0.97 * OVERFORCE_N, state, outputs)[0] == 0
    assert watched.ramp(0.97 * OVERFORCE_N, 0.995 * OVERFORCE_N, state, outputs)[0] == 0
    found, ms = watched.ramp(0.995 * OVERFORCE_N, share * OVERFORCE_N, state, outputs)
    if not found:
        found, held_ms = watched.run(60, share * OVERFORCE_N, state, outputs)
        ms += held_ms
    assert found == t.FAULT_OVER_FORCE
    # 500 N to the limit at 400 N a millisecond, then 8 ms
    assert ms <= 10


def test_a_rise_after_the_close_latches():
    watched, _ = settled(20_000.0)
    # twice the closing time, its jitter and the sensor: 66 + 11 + 8 + 20 ms, then a 128th of the capacity
    assert watched.run(110, 20_000.0, t.STATE_SETTLE)[0] == 0
    found, ms = watched.run(400, 20_000.0, t.STATE_SETTLE, slope=20.0)
    assert found == t.FAULT_RISE_AFTER_CLOSE
    assert ms <= 80


def test_a_rise_while_the_valve_may_still_close_is_none():
    watched, _ = settled(20_000.0)
    assert watched.run(66, 20_000.0, t.STATE_SETTLE, slope=20.0)[0] == 0


def test_pulses_on_the_part_that_bring_nothing_latch_after_40():
    watched, _ = settled(20_000.0)
    watched.run(150, 20_000.0, t.STATE_SETTLE)
    for pulse in range(60):
        found, _ = watched.run(45, 20_000.0, t.STATE_NUDGE, t.OUT_EXTEND)
        if found:
            assert found == t.FAULT_NO_RISE
            assert 39 <= pulse <= 42
            return
        assert watched.run(80, 20_000.0, t.STATE_SETTLE)[0] == 0, pulse
    raise AssertionError("never")


def test_pulses_that_inch_down_against_a_stiff_seal_are_no_missing_rise():
    # Its friction alone reads 6 kN as the ram breaks away; the same pulses on a press without one are a fault.
    for friction_n, expected in ((3000, 0), (0, t.FAULT_NO_RISE)):
        watched, _ = settled(6_000.0)
        watched.guard.calibrate(C1, friction_n)
        found = 0
        for _ in range(60):
            found = (
                found
                or watched.run(45, 6_000.0, t.STATE_NUDGE, t.OUT_EXTEND)[0]
                or watched.run(80, 6_000.0, t.STATE_SETTLE)[0]
            )
        assert found == expected


def test_noise_cuts_no_pulse_short_before_oil_can_flow():
    core = Controller()
    core.press.noise_n = 30
    core.full.configure(1186, 547, 640, 37, 35, 134)
    core.cut.setpoint = 4257
    core.sense.rise16 = 60
    for width_ms, left_ms, outruns in ((50, 45, False), (50, 5, False), (120, 10, True)):
        core.cut.width_ms = width_ms
        core._timer = left_ms
        assert core._pulse_outruns(4200) == outruns
    core.sense.rise16 = 25
    assert not core._pulse_outruns(4200)


def test_a_fall_while_holding_latches():
    watched, _ = settled(40_000.0)
    watched.run(150, 40_000.0, t.STATE_SETTLE)
    # the limit is a tenth a second
    assert watched.run(600, 40_000.0, t.STATE_SETTLE, slope=-2.0)[0] == 0
    watched, _ = settled(40_000.0)
    watched.run(150, 40_000.0, t.STATE_SETTLE)
    found, ms = watched.run(900, 40_000.0, t.STATE_SETTLE, slope=-20.0)
    assert found == t.FAULT_LEAK_FAST
    assert ms <= 600


@pytest.mark.parametrize(
    ("flowing", "held", "fault"), [(6_000.0, 700.0, 0), (20_000.0, 2_000.0, t.FAULT_LEAK_FAST)]
)
def test_what_the_line_drops_while_oil_flows_is_no_leak(flowing, held, fault):
    # 6 bar of a 250 bar transducer: 6.7 kN here.
    watched, _ = settled(flowing, range_kpa=25_000)
    found, _ = watched.ramp(flowing, held, t.STATE_SETTLE)
    assert (found or watched.run(400, held, t.STATE_SETTLE)[0]) == fault


@pytest.mark.parametrize(("ms", "fault"), [(8, 0), (60, t.FAULT_SLOPE_IMPOSSIBLE)])
def test_a_coils_spike_is_no_slope_and_a_jump_at_any_other_time_is(ms, fault):
    # 3 % of the range: what relay and coil couple in together.
    watched, _ = settled(20_000.0)
    watched.run(200, 20_000.0, t.STATE_SETTLE)
    assert watched.run(ms, 20_000.0, t.STATE_NUDGE, t.OUT_EXTEND)[0] == 0
    assert watched.run(1, 20_000.0 + 0.03 * C1 * 52_428 / 65_536, t.STATE_NUDGE, t.OUT_EXTEND)[0] == fault


def test_gains_that_are_lost_again_latch_after_six_pulses():
    watched, _ = settled(40_000.0)
    watched.run(40, 40_000.0, t.STATE_SETTLE)
    for _pulse in range(12):
        found, _ = watched.ramp(12_000.0, 40_000.0, t.STATE_NUDGE, t.OUT_EXTEND)
        if not found:
            found, _ = watched.ramp(40_000.0, 12_000.0, t.STATE_SETTLE)
        if found:
            break
    assert found == t.FAULT_LEAK_FAST


@pytest.mark.parametrize(("c2", "c3"), [(60_000, 0), (-60_000, 0), (0, 30_000), (40_000, -30_000)])
def test_a_curved_calibration_is_taken_as_it_is_written(c2, c3):
    """force = c1 x + c2 x^2 + c3 x^3, x in 65536ths (protocol/REFERENCE.md); rounding of three products: 3 N."""
    sense = Sense()
    sense.set_polynomial(-500, 350_000, c2, c3)
    sense.set_zero(ZERO << 4)
    for counts in (ZERO, 9000, 20_000, 40_000, 58_000):
        for _ in range(80):
            force = take(sense.cells, counts)
        x = (counts - ZERO) / 65536
        wanted = -500 + 350_000 * x + c2 * x * x + c3 * x**3
        assert force == pytest.approx(wanted, abs=3.0), counts
        assert sense.force_of(counts - ZERO) == pytest.approx(wanted, abs=3.0)
    assert len(sense.cells) == CELLS


def job_core(top_switch):
    core = Controller()
    core.configure(settings(top_switch=top_switch))
    core.calibrate(array("i", [ZERO, -600, C1, 0, 0, 58_982, 600, 1]))
    job = array("i", [row[3] for row in t.JOB])
    job[t.J_SETPOINT_N] = 20_000
    core.choose(1, job, array("i", [0] * LEARNED_LEN))
    return core


def steps(core, ms, inputs, counts=ZERO):
    for n in range(ms):
        core.step(counts + (0, 32, 16, -16, 48)[n % 5], inputs | t.IN_CUTOFF)


def pressed(core):
    """The refusal of a stroke, 0 where it runs."""
    steps(core, 30, DOWN | t.IN_EXTEND)
    refusal = core.refusal
    steps(core, 400, DOWN)
    return refusal


def test_without_a_top_switch_each_batch_begins_with_a_zero():
    core = job_core(0)
    steps(core, 400, DOWN)
    assert pressed(core) == t.REFUSAL_ZERO_FIRST
    core.take_zero()
    steps(core, 400, DOWN)
    assert pressed(core) == 0
    core.record_stored()
    steps(core, 400, DOWN)
    assert pressed(core) == 0
    core.record_stored()
    # the next batch, or another job
    core.new_batch()
    steps(core, 400, DOWN)
    assert pressed(core) == t.REFUSAL_ZERO_FIRST


def test_with_a_top_switch_the_zero_is_followed_there():
    core = job_core(1)
    steps(core, 400, REST)
    steps(core, 30, REST | t.IN_EXTEND)
    assert core.refusal == 0
