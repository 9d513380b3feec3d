"""What the cutoff decides: by the oil left to the setpoint, and by what the valves are believed to do."""

from __future__ import annotations

import math
from array import array

import pytest
from hypothesis import given
from hypothesis import strategies as st

from steadyram_fw import tables as t
from steadyram_fw.core import job_model as job
from steadyram_fw.core import position, stroke_plan
from steadyram_fw.core.modes import (
    FEED_FULL,
    MODE_FIRST,
    MODE_PLAN,
    NEXT_DONE,
    NEXT_FEED,
    NEXT_PULSE,
    NEXT_SHORT,
)
from steadyram_fw.core.press import Press
from steadyram_fw.core.stroke import Stroke, landable16
from steadyram_fw.core.valve_estimate import Valve

T16 = st.integers(0, 4000)
PLACES = {row[0]: i for i, row in enumerate(t.SETTINGS)}
# A dead stop gains 100 N a millisecond; the valve opens and closes in 30 ms.
MEASURED = dict(
    char_valid=1, strategy=1, holds_load=1, capacity_n=200_000, overforce_n=210_000, open_lag_us=30_000,
    close_lag_us=30_000, sensor_lag_us=2000, jitter_us=1000, rate_low_n_s=100_000, rate_high_n_s=100_000, noise_n=40,
)  # fmt: skip
SETPOINT = 20_000


def valve(**changed: int) -> Valve:
    made = Valve()
    made.configure(*{**dict(open16=480, close16=480, dead16=0, least=1, jit=16, lag=32), **changed}.values())
    return made


def stroke(**changed: int) -> Stroke:
    settings = array("i", [row[3] for row in t.SETTINGS])
    for name, value in {**MEASURED, **changed}.items():
        settings[PLACES[name]] = value
    press = Press()
    press.configure(settings)
    full, slow = Valve(), Valve()
    full.configure(
        press.open16, press.close16, press.dead_time16, press.least_ms, press.jitter16, press.sensor16
    )
    slow.configure(
        press.slow_open16, press.slow_close16, press.slow_dead_time16, 1, press.jitter16, press.sensor16
    )
    return Stroke(press, full, slow)


def taught(spread: int = 16, end: int = 800) -> array[int]:
    """A job that rises evenly: 400 ms of oil to contact, from there 25 ms a level (50 N a millisecond)."""
    a = array("i", [0] * job.LEARNED_LEN)
    a[job.L_CYCLES], a[job.L_SETPOINT] = 8, SETPOINT
    a[job.L_UC], a[job.L_UC_SPREAD], a[job.L_END] = 6400, 20, end
    for level in range(job.LEVELS + 1):
        a[job.L_NEED + level] = (job.LEVELS - level) * 400
        a[job.L_SPREAD + level] = spread
    return a


def on_part(learned: array[int], force: int, **changed: int) -> Stroke:
    """A stroke whose first feed has come to rest at a force, where the job's curve says that it should be."""
    cut = stroke(**changed)
    cut.begin(SETPOINT, learned, True)
    cut.feed_starts()
    cut.cells[position.CONTACT16] = cut.cells[position.MARK] = 6400
    cut.feed_ends(force, 0)
    cut.u16 = 6400 + 6400 - (SETPOINT - force) * 16 // 50 if learned[job.L_CYCLES] else 6400
    return cut


@given(w16=T16, need16=T16, least=st.integers(1, 1000), off16=st.integers(0, 400))
def test_a_pulse_never_exceeds_what_its_spread_allows(w16: int, need16: int, least: int, off16: int) -> None:
    assert landable16(w16, need16, least, off16) <= w16


@given(w16=T16, need16=T16, least=st.integers(1, 1000), off16=st.integers(0, 400))
def test_a_pulse_leaves_nothing_or_room_for_another(w16: int, need16: int, least: int, off16: int) -> None:
    left = need16 - landable16(w16, need16, least, off16)
    # (Less than two pulses' worth cannot be divided so: then the spread alone decides.)
    assert left <= off16 or left >= least or need16 < 2 * least


def test_a_first_part_gets_no_more_than_a_dead_stop_could_stand() -> None:
    cut = on_part(array("i", [0] * job.LEARNED_LEN), SETPOINT // 2)
    assert cut.mode == MODE_FIRST
    assert cut.decide(SETPOINT // 2) == NEXT_PULSE
    # 10 kN at 100 N a millisecond.
    assert 60 < cut.full.flow16(cut.width_ms) / 16 < 100


def test_a_learned_part_is_closed_by_what_the_job_needs() -> None:
    cut = on_part(taught(), SETPOINT - 1000)
    assert cut.mode == MODE_PLAN
    assert cut.decide(SETPOINT - 1000) == NEXT_PULSE
    # 1 kN at 50 N a millisecond.
    assert cut.full.flow16(cut.width_ms) / 16 == pytest.approx(20, abs=4)


def test_parts_that_differ_more_get_less_at_once() -> None:
    widths = []
    for spread in (16, 60, 120):
        cut = on_part(taught(spread), SETPOINT - 2000)
        cut.decide(SETPOINT - 2000)
        widths.append(cut.width_ms)
    assert widths[0] > widths[1] >= widths[2]
    # A dead stop could stand 2 kN at 100 N a millisecond in any case.
    assert widths[2] >= 15


def test_a_part_stiffer_than_any_before_is_believed() -> None:
    # By oil 40 ms are left, by force the setpoint is near: the smaller counts.
    cut = on_part(taught(), SETPOINT - 2000)
    cut.u16 -= 640
    cut.decide(SETPOINT - 2000)
    cut.left_spread16 = 16
    before = cut.left16
    cut.width_ms, cut.base16, cut.u16 = 10, cut.u16, cut.u16 + 160
    cut.note_left(SETPOINT - 200, 160, True)
    assert cut.left16 < before - 160


def test_near_enough_is_done_and_short_of_it_is_not() -> None:
    cut = on_part(taught(), SETPOINT)
    accept = cut.accept_n
    assert 0 < accept < SETPOINT // 40
    assert on_part(taught(), SETPOINT - accept).decide(SETPOINT - accept) == NEXT_DONE
    assert on_part(taught(), SETPOINT - 2 * accept - 50).decide(SETPOINT - 2 * accept - 50) != NEXT_DONE


def test_far_below_a_watched_feed_goes_on() -> None:
    assert on_part(taught(), SETPOINT // 4).decide(SETPOINT // 4) == NEXT_FEED


def test_a_feed_closes_where_the_job_has_needed_the_rest() -> None:
    cut = stroke()
    cut.begin(SETPOINT, taught(), True)
    cut.feed_starts()
    cells = cut.cells
    force, ms = 0, 0
    while not position.due(cells, force, 0 if force == 0 else 800) and ms < 2000:
        ms += 1
        # Contact after 400 ms of oil, then 50 N a millisecond; the valve opens after 30.
        force = max(0, ms - 430) * 50
    # 400 ms later the setpoint is reached: closing takes 30 ms, seeing 4, and half a lag is kept for a later valve.
    assert 330 < ms - 430 < 372


def test_a_slope_that_promises_the_setpoint_closes_the_feed() -> None:
    cut = stroke()
    cut.begin(SETPOINT, taught(), True)
    cut.feed_starts()
    cells = cut.cells
    for _ in range(440):
        assert position.due(cells, 0, 0) == 0
    assert position.due(cells, 2000, 0) == 0
    # A dead stop's slope gains 3.4 kN in the lag.
    assert position.due(cells, SETPOINT - 3000, 1600) == 1


def test_a_spike_in_the_air_is_no_contact() -> None:
    cells = position.new_cells()
    cells[position.MODE] = MODE_FIRST
    cells[position.SETPOINT_N] = 10_000
    cells[position.SHARE_LOW] = cells[position.SHARE_HIGH] = 256
    cells[position.CHANGEOVER_N] = 5_000_000
    cells[position.CONTACT16] = -1
    cells[position.TOUCH_N] = 150
    cells[position.MOVE_FROM16] = 1 << 20
    cells[position.LEVEL] = 1
    cells[position.TRIP_N] = cells[position.GUARD_N] = 9000
    told = []
    for force in (0, 160, 20, 0, 100, 160, 90, 200, 400):
        assert position.due(cells, force, 0) == 0
        told.append(cells[position.CONTACT16])
    # The spike is forgotten; the touch after it stays, though it dips once.
    assert told == [-1, 32, -1, -1, -1, 96, 96, 96, 96]


def test_friction_of_the_moving_ram_is_no_contact_and_no_force() -> None:
    cut = stroke()
    cut.friction_n = 3000
    a = taught()
    a[job.L_AIR_N], a[job.L_AIR_KNOWN] = 200, 5
    cut.begin(SETPOINT, a, True)
    cut.feed_starts()
    cells = cut.cells
    # This stroke's seal holds 900 N more than the calibration's, whatever the job's strokes read in the mean.
    assert cut.offset_n() == 200
    for _ in range(380):
        assert position.due(cells, 900, 0) == 0
    assert cells[position.CONTACT16] == -1
    position.due(cells, 2000, 0)
    assert cells[position.CONTACT16] > 0
    assert cut.offset_n() == pytest.approx(900, abs=40)


def test_a_line_that_drops_pressure_while_oil_flows_is_no_contact_and_no_force() -> None:
    cut = stroke(line_drop_n=2000)
    cut.friction_n = 300
    cut.begin(SETPOINT, taught(), True)
    cut.feed_starts()
    c = cut.cells
    for n in range(400):
        # A step of 2 kN where the oil begins to flow; it swings at 20 Hz and dies away with 40 ms.
        swing = 800.0 * math.exp(-max(0, n - 30) / 40) * math.cos(2 * math.pi * (n - 30) / 50)
        position.due(c, 0 if n < 30 else round(2000 - swing), 0)
        assert c[position.CONTACT16] < 0, n
    assert c[position.NET_N] == pytest.approx(0, abs=20)
    for n in range(60):
        position.due(c, 2000 + 50 * n, 800)
    assert c[position.CONTACT16] > 0
    assert c[position.NET_N] == 50 * 59


def test_where_a_plateau_ends_parts_are_taken_to_differ_as_on_it() -> None:
    # Parts yield up to level 10 and differ in where; level 11 on is a dead stop. At level 10 itself most agree.
    a = taught()
    for level in range(job.LEVELS + 1):
        a[job.L_NEED + level] = (job.LEVELS - level) * 50 + max(0, 11 - level) * 1600
        a[job.L_SPREAD + level] = 600 if level < 10 else 16
    cut = on_part(a, SETPOINT // 4, rate_low_n_s=400_000, rate_high_n_s=400_000)
    stroke_plan.outlook(cut)
    # Three spreads and the lag fit below level 9, not at the end of the plateau.
    assert cut.told == 9
    for level in (8, 9):
        a[job.L_SPREAD + level] = 16
    stroke_plan.outlook(cut)
    assert cut.told == 10


@given(
    st.lists(st.integers(1, 900), min_size=16, max_size=16),
    st.lists(st.integers(1, 600), min_size=17, max_size=17),
    st.booleans(),
    st.integers(0, 900),
)
def test_the_look_ahead_leaves_at_each_level_what_its_margin_says(
    steps: list[int], spreads: list[int], holds_load: bool, aim_n: int
) -> None:
    """The margin is written out there, for a small board's sake: it must stay the one that the other moves leave."""
    learned = taught()
    for level in range(job.LEVELS + 1):
        learned[job.L_NEED + level] = sum(steps[level:])
        learned[job.L_SPREAD + level] = spreads[level]
    learned[job.L_AIM] = aim_n
    c = stroke(holds_load=int(holds_load), pulse_least_us=3000)
    c.begin(SETPOINT, learned, True)
    c.known = True
    jitter16 = stroke_plan.outlook(c)
    step16 = stroke_plan.plateau_step16(c)
    off16 = stroke_plan.time_for(c.aim_n, c.end16)
    for level in range(c.told, job.LEVELS + 1):
        spread = max(stroke_plan.level_spread16(c, level, step16), jitter16)
        left16 = learned[job.L_NEED + level] - off16 - stroke_plan.margin16(c, spread)
        assert c.ahead16[level] == left16


def test_an_outlier_moves_a_mean_by_three_spreads_at_most() -> None:
    a = array("i", [0] * job.LEARNED_LEN)
    a[0], a[1] = 1000, 20
    assert job.follow(a, 0, 1, 3000, 9, 10)
    assert 1000 < a[0] < 1030
    assert not job.follow(a, 0, 1, a[0] + 30, 9, 10)


def test_what_was_only_guessed_is_soon_forgotten() -> None:
    a = array("i", [0] * job.LEARNED_LEN)
    a[0], a[1] = 1000, 1000
    job.follow(a, 0, 1, 400, 9, 10)
    assert a[0] < 500


def test_pulses_that_moved_nothing_lengthen_the_next() -> None:
    v = valve()
    assert v.width_ms(160) == 10
    v.saw_pulse(10, 0, 10)
    assert v.width_ms(160) > 10
    v.saw_pulse(10, 0, 10)
    assert v.least_ms == 11
    assert v.width_ms(20) == 0
    # One that did move is no longer the shortest.
    v.saw_pulse(11, v.flow16(11), 10)
    assert v.least_ms == 10


def test_counted_oil_does_not_shrink_without_end() -> None:
    # A job known only in the oil of its pulses bears out whatever they are believed to let in: each part says that a
    # tenth less came in than was counted.
    v = valve(dead16=80, least=6)
    for _ in range(300):
        for width in (8, 12, 20, 40):
            v.saw_pulse(width, v.flow16(width) * 9 // 10, 4)
    # Two standard deviations, 3 ms and a sixteenth of the lag from what was measured.
    assert v.dead16 <= 80 + 2 * 16 + 48 + 30
    assert v.flow16(40) > 320
    for width in (8, 12, 20, 40):
        for _ in range(50):
            v.saw_pulse(width, 0, 4)
    assert v.dead16 <= 80 + 2 * 16 + 48 + 30
    assert v.least_ms == 6 + 7


def test_pulses_follow_what_a_slow_spool_lets_in() -> None:
    v = valve()
    for _ in range(40):
        v.saw_pulse(8, 60, 4)
    assert v.flow16(8) == pytest.approx(60, abs=8)
    # Nothing lets in less by being longer.
    flows = [v.flow16(ms) for ms in range(1, 60)]
    assert flows == sorted(flows)


def test_width_and_flow_are_each_others_inverse() -> None:
    v = valve(dead16=70)
    for oil in range(20, 900, 20):
        assert v.flow16(v.width_ms(oil)) == pytest.approx(oil, abs=17)


def test_a_valve_is_not_believed_later_than_three_quarters_of_its_lag() -> None:
    v = valve()
    v.set_late(10_000)
    assert v.close16 == 480 + 360
    v.set_late(-10_000)
    assert v.close16 == 480 - 360


def test_before_contact_a_move_lets_in_what_a_contact_of_this_moment_could_stand() -> None:
    cut = stroke()
    cut.begin(SETPOINT, taught(), False)
    cut.feed = FEED_FULL
    # The whole of what the job's parts need from contact on, less three spreads and half a lag's reserve.
    assert 0 < stroke_plan.in_air_oil16(cut) <= 6400


def test_a_leak_while_the_part_is_held_is_no_news_of_the_valve() -> None:
    cut = on_part(taught(), SETPOINT - 1000)
    assert cut.decide(SETPOINT - 1000) == NEXT_PULSE
    cut.feed_starts()
    cut.feed_ends(SETPOINT - 1000, 0)
    assert cut.decide(SETPOINT) == NEXT_DONE
    before = (cut.full.least_ms, cut.full.dead16, list(cut.full.let16))
    for _ in range(5):
        # Every look finds a kilonewton gone since the pulse.
        assert cut.top_up(SETPOINT - 1000) == NEXT_PULSE
    assert (cut.full.least_ms, cut.full.dead16, list(cut.full.let16)) == before


def test_oil_that_makes_good_a_leak_is_not_learned() -> None:
    ends = []
    for topped in (False, True):
        cut = on_part(taught(), SETPOINT - 1000)
        assert cut.decide(SETPOINT - 1000) == NEXT_PULSE
        cut.feed_starts()
        cut.feed_ends(SETPOINT - 1000, 0)
        assert cut.decide(SETPOINT) == NEXT_DONE
        if topped:
            for _ in range(10):
                assert cut.top_up(SETPOINT - 1000) == NEXT_PULSE
                cut.feed_starts()
                cut.feed_ends(SETPOINT - 1000, 0)
                cut.decide(SETPOINT)
        cut.learn(SETPOINT)
        ends.append(list(cut.learned[job.L_NEED : job.L_NEED + job.LEVELS]))
    assert ends[0] == ends[1]


def test_rest_in_the_air_after_travel_is_this_strokes_friction() -> None:
    cut = stroke()
    cut.friction_n = 3000
    cut.begin(SETPOINT, array("i", [0] * job.LEARNED_LEN), True)
    told = []
    for force in (-900, -900, -700, 900):
        cut.base16, cut.u16 = cut.u16, cut.u16 + 3000
        cut.width_ms = 60
        cut.watch(force - cut.offset_n())
        told.append((cut.offset_n(), cut.touched))
    # Soon down, slowly up: a part that begins softly must not pass for friction.
    assert told[:2] == [(-900, False), (-900, False)]
    assert told[2] == (-875, False)
    assert told[3][1], "1.8 kN above free travel is a part"


def test_what_a_feed_reads_in_free_travel_is_bounded_before_its_part_is_known() -> None:
    """A part met softly in the first feed may pass for friction by a quarter of it, not by more."""
    cut = stroke()
    cut.friction_n = 2000
    cut.begin(SETPOINT, array("i", [0] * job.LEARNED_LEN), True)
    cut.feed_starts()
    for _ in range(200):
        position.due(cut.cells, 1900, 0)
    cut.feed_ends(1900, 0)
    assert cut.offset_n() == 500
    cut.handling = True
    cut.begin(SETPOINT, array("i", [0] * job.LEARNED_LEN), True)
    cut.feed_starts()
    for _ in range(200):
        position.due(cut.cells, 1900, 0)
    cut.feed_ends(1900, 0)
    assert cut.offset_n() == 0, "the load of a bed that is moved is no friction"


def test_pressure_that_the_seal_may_hold_has_not_reached_the_setpoint() -> None:
    cut = stroke(breakaway_n=1500)
    cut.friction_n = 2000
    cut.begin(1300, array("i", [0] * job.LEARNED_LEN), True)
    cut.watch(1310)
    assert not cut.touched
    assert cut.next_move(1310) == NEXT_SHORT
    cut.touched = True
    assert cut.next_move(1310) == NEXT_DONE
