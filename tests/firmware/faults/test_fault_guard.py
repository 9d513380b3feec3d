"""The fault detector and what the controller makes of it, fed by hand: one reading and one input word a step."""

import pytest
from core_bench import DOWN, REST, VALVES, ZERO, Bench

from steadyram_fw import tables as t
from steadyram_fw.core.cells import FROZEN_MS, OPEN_MS, STAY_MS


@pytest.fixture
def bench():
    return Bench().ready()


def test_rest_is_no_fault(bench):
    assert bench.run(20_000) == 0


@pytest.mark.parametrize(("counts", "fault"), [(3276, t.FAULT_SENSOR_LOW), (62260, t.FAULT_SENSOR_HIGH)])
def test_rails_of_the_ratiometric_output(bench, counts, fault):
    for i in range(5):
        assert bench.core.fault == 0, i
        bench.core.step(counts, REST)
    assert bench.core.fault == fault


@pytest.mark.parametrize(
    ("milliampere", "refused", "fault"),
    [
        (3.5, False, t.FAULT_SENSOR_LOW),
        (3.7, True, 0),
        (3.9, False, 0),
        (20.4, False, 0),
        (20.7, True, 0),
        (21.1, False, t.FAULT_SENSOR_HIGH),
    ],
)
def test_current_loop_by_ne_43(milliampere, refused, fault):
    """NAMUR NE 43 (status: from memory of the recommendation): 3.8 to 20.5 mA measure, 3.6 and 21 mA fail."""
    bench = Bench(sensor_kind=1, zero_drift_ppt=100, overforce_n=5000000)
    guard = bench.core.guard
    counts = round(ZERO + (milliampere - 4.0) / 16.0 * 52428)
    assert guard.doubtful(counts) == (refused or fault != 0)
    for _ in range(10):
        bench.core.step(counts, REST)
    assert bench.core.fault == fault


def test_a_doubtful_signal_starts_nothing():
    bench = Bench(sensor_kind=1)
    bench.reading = round(ZERO - 0.3 / 16.0 * 52428)
    bench.run(400)
    bench.run(20, REST | t.IN_EXTEND)
    assert bench.core.refusal == t.REFUSAL_SENSOR_DOUBTFUL
    assert not bench.out & VALVES


def test_a_jump_is_impossible_but_a_steep_rise_is_not(bench):
    bench.run(300, REST | t.IN_EXTEND)
    assert bench.run(20, DOWN | t.IN_EXTEND, slope=250) == 0
    bench.reading += 3000
    bench.run(1, DOWN | t.IN_EXTEND)
    assert bench.core.fault == t.FAULT_SLOPE_IMPOSSIBLE


def test_frozen_is_judged_by_the_noise_seen_at_rest():
    bench = Bench()
    bench.run(6000)
    limit = bench.core.cells[FROZEN_MS]
    assert 0 < limit <= 120
    held = bench.reading
    for _ in range(limit + 1):
        bench.core.step(held, REST)
    assert bench.core.fault == t.FAULT_SENSOR_FROZEN


def test_a_quiet_transducer_is_not_called_frozen():
    bench = Bench()
    for _ in range(10_000):
        bench.core.step(ZERO, REST)
    assert bench.core.fault == 0


def test_rise_with_every_valve_closed(bench):
    assert bench.run(1000) == 0
    assert bench.run(100, slope=8) == t.FAULT_RISE_AFTER_CLOSE


def latch(bench):
    bench.run(3, t.IN_TOP | t.IN_CUTOFF)
    assert bench.core.fault == t.FAULT_ESTOP_OPEN
    assert not bench.out & VALVES


def test_emergency_stop_acts_in_one_step_and_latches(bench):
    bench.run(20, REST | t.IN_EXTEND)
    assert bench.out & t.OUT_EXTEND
    bench.run(1, t.IN_CUTOFF | t.IN_EXTEND)
    assert not bench.out & VALVES
    assert bench.core.fault == t.FAULT_ESTOP_OPEN


def test_acknowledged_only_with_pedals_released_and_the_cause_gone(bench):
    latch(bench)
    assert bench.acknowledge(t.IN_TOP | t.IN_CUTOFF) == t.FAULT_ESTOP_OPEN
    assert bench.acknowledge(REST | t.IN_EXTEND) == t.FAULT_ESTOP_OPEN
    assert bench.acknowledge(REST | t.IN_RETRACT) == t.FAULT_ESTOP_OPEN
    bench.run(200, REST)
    assert bench.core.fault == t.FAULT_ESTOP_OPEN
    assert bench.acknowledge() == 0


def test_nothing_moves_after_a_fault_before_a_pedal_is_pressed_anew(bench):
    latch(bench)
    bench.run(150, REST)
    assert bench.acknowledge() == 0
    for _ in range(500):
        bench.run(1, REST)
        assert not bench.out & VALVES
    bench.run(10, REST | t.IN_EXTEND)
    assert bench.out & t.OUT_EXTEND


def test_top_switch_that_never_opens_while_extending(bench):
    limit = bench.core.cells[STAY_MS] + bench.core.cells[OPEN_MS]
    assert bench.run(limit - 30, REST | t.IN_EXTEND) == 0
    assert bench.run(200, REST | t.IN_EXTEND) == t.FAULT_NO_RISE
    assert not bench.out & VALVES


def test_retract_without_a_fall(bench):
    bench.run(1, DOWN)
    bench.run(100, DOWN, slope=100)
    bench.run(2000, DOWN)
    bench.core.clear_fault()
    bench.run(700, DOWN)
    bench.run(900, DOWN | t.IN_RETRACT)
    assert bench.core.fault == 0
    assert bench.out & t.OUT_RETRACT
    bench.run(700, DOWN | t.IN_RETRACT)
    assert bench.core.fault == t.FAULT_NO_FALL


def test_pressure_that_leaks_away(bench):
    bench.run(100, DOWN, slope=100)
    bench.run(1000, DOWN)
    bench.core.clear_fault()
    bench.run(900, DOWN)
    assert bench.core.fault == 0
    assert bench.run(600, DOWN, slope=-8) == t.FAULT_LEAK_FAST


def test_the_counter_of_steps_wraps_in_a_stroke(bench):
    core = bench.core
    core.ms = 0x1FFFFFFF - 50
    bench.run(300, REST)
    bench.run(30, REST | t.IN_EXTEND)
    assert core.ms < 400
    assert core.fault == 0
    assert bench.out & t.OUT_EXTEND
    bench.run(10, REST)
    assert not bench.out & VALVES


def test_a_second_stroke_on_a_finished_part_is_flagged(bench):
    core = bench.core
    for turn, flagged in enumerate((False, True, False)):
        top = t.IN_TOP if turn != 1 else 0
        core._finished = turn > 0
        bench.run(400, REST if top else DOWN)
        core.record_stored()
        bench.run(40, DOWN | top | t.IN_EXTEND)
        bench.run(600, DOWN | top)
        assert core.record_ready
        assert bool(core.record[t.R_FLAGS] & t.FLAG_AGAIN) == flagged
        assert core.fault == 0
        core.record_stored()
        bench.run(20, DOWN | top)
