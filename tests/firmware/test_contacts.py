"""Contacts as they are: each filtered by its stated time, selectors that move at the wrong moment, the acknowledge
button that must be pushed on purpose."""

import pytest
from core_bench import DOWN, REST, VALVES, ZERO, Bench

from steadyram_fw import tables as t
from steadyram_fw.core.inputs import ACK_MOST_MS, ACK_MS, ACK_STUCK_MS

NAMES = [name for name in dir(t) if name.startswith("IN_")]


@pytest.fixture
def bench():
    return Bench().ready()


def places():
    return {name: getattr(t, name).bit_length() - 1 for name in NAMES}


@pytest.mark.parametrize("name", NAMES)
def test_a_contact_counts_after_its_stated_time_and_not_before(name):
    bit, place = getattr(t, name), places()[name]
    bench = Bench().ready()
    rest = (REST | t.IN_LATCH) & ~bit
    bench.run(300, rest)
    for level, stated_ms in ((rest | bit, t.CONTACT_CLOSE_MS[place]), (rest, t.CONTACT_OPEN_MS[place])):
        was = bench.core.inputs & bit
        for _ in range(stated_ms - 1):
            bench.run(1, level)
            assert bench.core.inputs & bit == was
        bench.run(1, level)
        assert bench.core.inputs & bit == level & bit


@pytest.mark.parametrize("name", [name for name in NAMES if name != "IN_ESTOP_OK"])
def test_chatter_shorter_than_the_stated_time_is_not_seen(name):
    bit = getattr(t, name)
    bench = Bench().ready()
    before = bench.core.inputs
    for _ in range(50):
        bench.run(2, REST ^ bit)
        assert bench.core.inputs == before
        bench.run(1, REST)
        assert bench.core.inputs == before


def test_emergency_stop_is_fast_off_and_slow_on(bench):
    bench.run(1, REST & ~t.IN_ESTOP_OK)
    assert bench.core.fault == t.FAULT_ESTOP_OPEN
    # Its contact chatters while it is pulled out: not closed for long enough to acknowledge by.
    for _ in range(20):
        bench.run(90, REST | t.IN_ACK)
        bench.run(1, REST & ~t.IN_ESTOP_OK | t.IN_ACK)
        bench.run(50, REST)
    assert bench.core.fault == t.FAULT_ESTOP_OPEN
    bench.run(100, REST)
    assert bench.acknowledge() == 0


# ------------------------------------------------------------------ selectors
@pytest.mark.parametrize("selector", [t.IN_CUTOFF, t.IN_LATCH])
@pytest.mark.parametrize("open_ms", [1, 2, 5, 50])
def test_a_selector_that_moves_while_the_pedal_goes_down_refuses_the_stroke(selector, open_ms):
    bench = Bench(job={"cutoff_required": 0}).ready()
    for ms in range(100):
        moved = REST ^ selector if ms < open_ms else REST
        bench.run(1, moved | t.IN_EXTEND)
        assert not bench.out & VALVES
    assert bench.core.state == t.STATE_REFUSED
    assert bench.core.refusal == t.REFUSAL_SELECTOR_MOVED
    # With the pedals up the next stroke is looked at afresh.
    bench.run(100, REST)
    bench.run(20, REST | t.IN_EXTEND)
    assert bench.out & t.OUT_EXTEND


def test_a_selector_that_moves_while_retract_goes_down_leaves_the_return_momentary(bench):
    bench.run(100, DOWN | t.IN_LATCH)
    bench.run(2, DOWN | t.IN_RETRACT)
    bench.run(200, DOWN | t.IN_LATCH | t.IN_RETRACT)
    assert bench.out & t.OUT_RETRACT
    bench.run(10, DOWN | t.IN_LATCH)
    assert not bench.out & VALVES


def test_the_cutoff_switched_off_in_mid_stroke_ends_it(bench):
    bench.run(200, DOWN | t.IN_EXTEND)
    assert bench.out & t.OUT_EXTEND
    bench.run(t.CONTACT_OPEN_MS[places()["IN_CUTOFF"]] + 1, (DOWN | t.IN_EXTEND) & ~t.IN_CUTOFF)
    assert not bench.out & VALVES
    assert bench.core.stop == t.STOP_SELECTOR
    bench.run(500, DOWN | t.IN_EXTEND)
    assert not bench.out & VALVES


# ------------------------------------------------------------------ handling and latched return
@pytest.mark.parametrize("choice", [1, 2])
def test_handling_is_momentary_whatever_the_selector_and_the_job_say(choice):
    bench = Bench(job={"handling": 1, "latch_return": choice}).ready()
    bench.run(100, DOWN | t.IN_LATCH)
    bench.run(100, DOWN | t.IN_LATCH | t.IN_RETRACT)
    assert bench.out & t.OUT_RETRACT
    bench.run(10, DOWN | t.IN_LATCH)
    assert not bench.out & VALVES
    # The same on a job that is not handling goes on: the one exception that is asked for by name.
    bench.use(1, latch_return=choice)
    bench.run(100, DOWN | t.IN_LATCH)
    bench.run(100, DOWN | t.IN_LATCH | t.IN_RETRACT)
    bench.run(10, DOWN | t.IN_LATCH)
    assert bench.out & t.OUT_RETRACT


def test_no_zero_is_taken_on_what_a_move_too_small_to_leave_the_top_has_let_in():
    bench = Bench(job={"cutoff_required": 0}).ready()
    off = REST & ~t.IN_CUTOFF
    bench.run(1000, off)
    zero = bench.core.zero
    assert zero == pytest.approx(ZERO, abs=16)
    bench.run(60, off | t.IN_EXTEND)
    bench.run(60, off)
    # The seal holds 1.1 kN; the ram has not left the top switch.
    bench.reading += 200
    bench.run(100, off)
    bench.core.record_stored()
    bench.run(3000, off)
    assert (bench.core.state, bench.core.zero) == (t.STATE_READY, zero)
    # A return lets it off, although the top switch is closed: for a moment, and no longer.
    bench.run(150, off | t.IN_RETRACT)
    assert bench.out & t.OUT_RETRACT
    bench.run(100, off | t.IN_RETRACT)
    assert not bench.out & VALVES
    bench.run(3000, off)
    assert bench.core.zero == pytest.approx(zero + 200, abs=16)
    # With nothing to let off it does not go on at the top at all.
    bench.run(50, off | t.IN_RETRACT)
    assert not bench.out & VALVES


# ------------------------------------------------------------------ acknowledge
def in_fault():
    bench = Bench().ready()
    bench.core.raise_fault(t.FAULT_OVER_FORCE)
    bench.run(1000)
    return bench


FILTER_MS = t.CONTACT_CLOSE_MS[places()["IN_ACK"]]


@pytest.mark.parametrize(
    ("held_ms", "clears"),
    [(1, False), (50, False), (ACK_MS - 10, False), (ACK_MS + 10, True), (1000, True),
     (ACK_MOST_MS - 10, True), (ACK_MOST_MS + 30, False), (20_000, False)],
)  # fmt: skip
def test_acknowledged_by_a_push_of_a_fifth_to_three_seconds_released(held_ms, clears):
    bench = in_fault()
    bench.run(held_ms, REST | t.IN_ACK)
    assert bench.core.fault == t.FAULT_OVER_FORCE  # not before it is released
    bench.run(FILTER_MS + 1)
    assert (bench.core.fault == 0) == clears


def test_a_push_that_began_before_the_fault_acknowledges_nothing():
    bench = Bench().ready()
    bench.run(100, REST | t.IN_ACK)
    bench.core.raise_fault(t.FAULT_OVER_FORCE)
    bench.run(500, REST | t.IN_ACK)
    bench.run(100)
    assert bench.core.fault == t.FAULT_OVER_FORCE
    assert bench.acknowledge() == 0


@pytest.mark.parametrize("pedal", [t.IN_EXTEND, t.IN_RETRACT])
def test_a_pedal_touched_during_the_push_spoils_it(pedal):
    bench = in_fault()
    bench.run(200, REST | t.IN_ACK)
    bench.run(1, REST | t.IN_ACK | pedal)
    bench.run(300, REST | t.IN_ACK)
    bench.run(100)
    assert bench.core.fault == t.FAULT_OVER_FORCE


def test_an_acknowledge_button_that_is_stuck_is_a_fault_of_its_own(bench):
    bench.run(ACK_STUCK_MS, REST | t.IN_ACK)
    assert bench.core.fault == 0
    bench.run(FILTER_MS + 2, REST | t.IN_ACK)
    assert bench.core.fault == t.FAULT_ACK_STUCK
    bench.run(60_000, REST | t.IN_ACK)
    assert bench.core.fault == t.FAULT_ACK_STUCK
    bench.run(100)
    assert bench.acknowledge() == 0


@pytest.mark.parametrize("fault", [t.FAULT_SETTINGS_BAD, t.FAULT_CALIBRATION_BAD])
def test_what_only_good_data_clears_is_told_to_the_services_by_the_same_push(fault):
    bench = Bench().ready()
    bench.core.raise_fault(fault)
    bench.run(100)
    bench.run(50, REST | t.IN_ACK)
    bench.run(100)
    assert not bench.core.acknowledged
    bench.acknowledge()
    assert bench.core.acknowledged
    assert bench.core.fault == fault


# ------------------------------------------------------------------ refused at the pedal
@pytest.mark.parametrize(
    ("job", "refusal"),
    [
        ({"setpoint_n": 40000, "tool_limit_n": 39999}, t.REFUSAL_SETPOINT_RANGE),
        ({"setpoint_n": 40000, "tool_limit_n": 40000}, 0),
        ({"setpoint_n": 178000}, 0),
        ({"setpoint_n": 178001}, t.REFUSAL_SETPOINT_RANGE),
    ],
)
def test_a_setpoint_beyond_tooling_or_press_is_refused_at_the_pedal_too(job, refusal):
    """Whatever let it past the commit: a job that was stored before its tooling limit was lowered, or a damaged set."""
    bench = Bench(job=job).ready()
    bench.run(20, REST | t.IN_EXTEND)
    assert bench.core.refusal == refusal
    assert bool(bench.out & t.OUT_EXTEND) == (refusal == 0)


@pytest.mark.parametrize(("strategy", "refused"), [(0, False), (1, True), (2, True)])
def test_without_the_dead_stop_test_only_a_plain_threshold_asked_for_by_name_presses(strategy, refused):
    bench = Bench(strategy=strategy).ready()
    bench.run(20, REST | t.IN_EXTEND)
    assert bool(bench.out & t.OUT_EXTEND) != refused
    assert bench.core.refusal == (t.REFUSAL_NOT_CHARACTERISED if refused else 0)


def test_a_plain_threshold_is_marked_in_its_record_and_by_its_lamp(bench):
    lamps = set()
    for _ in range(2100):
        bench.run(1)
        lamps.add(bench.out & t.OUT_LAMP)
    assert lamps == {0, t.OUT_LAMP}
    bench.run(200, DOWN | t.IN_EXTEND)
    bench.run(300, DOWN)
    assert bench.core.record_ready
    assert bench.core.record[t.R_FLAGS] & t.FLAG_THRESHOLD
    measured = Bench(char_valid=1, rate_low_n_s=200000, rate_high_n_s=200000, noise_n=30).ready()
    lamps = set()
    for _ in range(2100):
        measured.run(1)
        lamps.add(measured.out & t.OUT_LAMP)
    assert lamps == {t.OUT_LAMP}
    measured.run(200, DOWN | t.IN_EXTEND)
    measured.run(300, DOWN)
    assert measured.core.record_ready
    assert not measured.core.record[t.R_FLAGS] & t.FLAG_THRESHOLD


# ------------------------------------------------------------------ what is shown
@pytest.mark.parametrize(
    "fault",
    [
        t.FAULT_SENSOR_LOW,
        t.FAULT_SENSOR_HIGH,
        t.FAULT_SENSOR_FROZEN,
        t.FAULT_SENSOR_NOISY,
        t.FAULT_SLOPE_IMPOSSIBLE,
    ],
)
def test_no_force_is_shown_until_a_fault_of_the_transducer_is_acknowledged(bench, fault):
    bench.run(5000)
    assert bench.core.shown_n == 0
    bench.core.raise_fault(fault)
    bench.run(500)
    assert bench.core.shown_n is None
    assert not bench.core.reading_valid
    bench.acknowledge()
    bench.run(200)
    assert bench.core.shown_n == 0


def test_no_force_is_shown_by_a_reading_at_the_rail_before_it_is_a_fault(bench):
    bench.core.step(60, REST)
    assert bench.core.fault == 0
    assert bench.core.shown_n is None


def test_no_force_is_shown_without_a_calibration_nor_before_the_history_is_full():
    bench = Bench()
    bench.run(40)
    assert bench.core.shown_n is None
    bench.run(100)
    assert bench.core.shown_n is not None
    bench.core.calibrate(None)
    bench.run(100)
    assert bench.core.shown_n is None
    assert bench.core.reading_valid


def test_at_rest_the_force_on_the_work_is_nil_not_the_seals_friction():
    """The calibration's constant is the seal friction of a moving ram: -600 N at no pressure is no pull on the work."""
    bench = Bench().ready()
    assert bench.core.force_n < 0
    assert bench.core.shown_n == 0
