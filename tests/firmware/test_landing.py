"""The last moves of a stroke: pulses where no short one exists, and the slope that sizes them."""

from __future__ import annotations

from array import array

import pytest
from hypothesis import given
from hypothesis import strategies as st

from steadyram_fw.core import feed, learn
from steadyram_fw.core.closing import by_slope16, landable16
from steadyram_fw.core.cutoff import Cutoff
from steadyram_fw.core.modes import LATE_PULSES, MODE_FIRST, MODE_PLAN, NEXT_PULSE, NEXT_SHORT
from steadyram_fw.core.press import Press
from steadyram_fw.core.sense import Sense
from steadyram_fw.core.teach import set_between

T16 = st.integers(0, 4000)


@given(w16=T16, need16=T16, least=st.integers(1, 1000), off16=st.integers(0, 400))
def test_a_pulse_leaves_nothing_or_room_for_another(w16: int, need16: int, least: int, off16: int) -> None:
    width = landable16(w16, need16, least, off16)
    left = need16 - width
    assert left == 0 or left >= least + off16
    # It never lets through more than is needed.
    assert width <= need16
    # Nor more than was asked, unless nothing smaller can be let through or landed.
    if width > max(w16, least):
        assert need16 - max(w16, least) < least + off16


def _stroke(setpoint: int, half: int, scatter: int) -> Cutoff:
    cut = Cutoff(Press(), Sense())
    cut.setpoint = setpoint
    cut.learned = array("i", [0] * learn.LEARNED_LEN)
    cut.learned[learn.L_CYCLES] = 5
    cut.learned[learn.L_HALF] = half
    cut.learned[learn.L_HALF_SCATTER] = scatter
    cut.learned[learn.L_END] = setpoint // 2 * 256 // half if half else 0
    cut.half16 = 1000
    return cut


def test_a_straight_rise_is_closed_by_its_own_slope() -> None:
    # 10 kN; the upper half takes 400 sixteenths of oil, so a newton takes 0.08: 1 kN more takes 80.
    cut = _stroke(10_000, 400, 16)
    cut.slope16 = 5000 * 256 // 400
    cut.u16 = 1000 + 320
    assert by_slope16(cut, 1000) == pytest.approx(80 - 4, abs=1)


def test_before_a_knee_position_limits_what_the_slope_promises() -> None:
    cut = _stroke(10_000, 400, 30 * 30)
    # A plateau at a tenth of the mean slope, 150 of oil short of where parts reach the setpoint.
    cut.slope16 = 5000 * 256 // 400 // 10
    cut.u16 = 1000 + 250
    assert by_slope16(cut, 3000) == 150 - 3 * 30
    cut.u16 = 1000 + 340
    assert by_slope16(cut, 3000) == 0


def test_a_knee_just_below_the_setpoint_is_remembered_by_the_rise_after_it() -> None:
    cut = _stroke(10_000, 400, 16)
    cut.slope16 = 5000 * 256 // 400
    cut.u16 = 1000 + 320
    cut.learned[learn.L_END] = 4 * cut.slope16
    assert by_slope16(cut, 1000) == pytest.approx(80 / 3.5, abs=1)


def test_nothing_known_promises_nothing() -> None:
    cut = _stroke(10_000, 0, 0)
    cut.slope16 = 3200
    cut.u16 = 1300
    assert by_slope16(cut, 1000) == 0


def test_a_spike_in_the_air_is_no_contact() -> None:
    cells = feed.new_cells()
    cells[feed.MODE] = MODE_FIRST
    cells[feed.SETPOINT_N] = 10_000
    cells[feed.SHARE_LOW] = cells[feed.SHARE_HIGH] = 256
    cells[feed.CHANGEOVER_N] = 5_000_000
    cells[feed.CONTACT16] = -1
    cells[feed.TOUCH_N] = 150
    cells[feed.LEVEL] = 1
    learned = array("i", [0] * learn.LEARNED_LEN)
    told = []
    for force in (0, 160, 20, 0, 100, 160, 90, 200, 400):
        assert feed.due(cells, learned, force, 0) == 0
        told.append(cells[feed.CONTACT16])
    # The spike is forgotten; the touch after it stays, though it dips once.
    assert told == [-1, 32, -1, -1, -1, 96, 96, 96, 96]


def test_parts_that_land_over_are_aimed_lower_within_bounds_and_no_longer_than_they_do() -> None:
    learned = array("i", [0] * learn.LEARNED_LEN)
    accept = 400
    over = 150
    # What a part is aimed lower by, it lands lower by.
    for cycle in range(40):
        learned[learn.L_CYCLES] = cycle
        learn.follow_aim(learned, over - learned[learn.L_AIM], accept)
        assert 0 <= learned[learn.L_AIM] <= accept // 2
    assert over - learned[learn.L_AIM] < 0
    for _ in range(40):
        learn.follow_aim(learned, -accept - learned[learn.L_AIM], accept)
    assert learned[learn.L_AIM] == 0


def _waiting(late16: int, pulses: int) -> Cutoff:
    """A learned part that is still far below the setpoint."""
    press = Press()
    press.holds_load = True
    press.jitter16 = 20
    press._close16 = 500
    press.open16 = 500
    press.set_late(late16)
    cut = Cutoff(press, Sense())
    cut.learned = array("i", [0] * learn.LEARNED_LEN)
    cut.setpoint = 10_000
    cut.mode = MODE_PLAN
    cut.pulses = pulses
    cut.accept_n = 100
    cut.rs16 = 2000
    cut.width_ms = 5
    return cut


def test_pulses_for_a_late_valve_that_get_nowhere_end_and_are_believed_less() -> None:
    cut = _waiting(400, LATE_PULSES)
    assert cut.decide(5000) == NEXT_SHORT
    assert cut.p.late16 == 200
    assert cut.late_seen
    # Not so soon, and not where the valve is as it was.
    assert _waiting(400, LATE_PULSES - 1).decide(5000) == NEXT_PULSE
    assert _waiting(0, LATE_PULSES).decide(5000) == NEXT_PULSE


def test_levels_that_no_part_could_have_are_spread_between_the_noted_ones() -> None:
    learned = array("i", [0] * learn.LEARNED_LEN)
    for level in range(learn.LEVELS + 1):
        learned[learn.L_PROFILE + level] = 1000 + 10 * level
    told = list(learned)
    # In order, a knee among them or not: left as they are.
    learned[learn.L_PROFILE + 6] = told[learn.L_PROFILE + 6] = 1068
    set_between(learned, 5, 9)
    assert list(learned) == told
    # Two stay behind where an early part had them; the third is believed.
    learned[learn.L_PROFILE + 5] = 300
    learned[learn.L_PROFILE + 7] = 1500
    set_between(learned, 5, 8)
    assert list(learned[learn.L_PROFILE + 4 : learn.L_PROFILE + 9]) == [1040, 1050, 1068, 1070, 1080]
