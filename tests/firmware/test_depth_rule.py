"""What a stop on depth learns of its own closings, and of which not; how far a ram that breaks away may go at once."""

from __future__ import annotations

from array import array

import pytest

from steadyram_fw import tables as t
from steadyram_fw.core.depth import Depth
from steadyram_fw.core.job_model import L_DEPTH_LEAD_UM, L_DEPTH_N, L_DEPTH_UM, LEARNED_LEN
from steadyram_fw.core.modes import FEED_FULL, NEXT_DONE
from steadyram_fw.core.press import Press
from steadyram_fw.core.travel import JUMP_UM, Travel
from steadyram_fw.core.valve_estimate import Valve

TARGET_UM = 5_000
CAL = array("i", [0] * (t.C_POSITION_STEP_NM + 1))
CAL[t.C_POSITION_STEP_NM] = 1_000


def settings(**more: int) -> array[int]:
    """A full feed of 12 mm/s that closes 60 ms late; a pulse cannot be shorter than that flow."""
    values = {
        "char_valid": 1, "open_lag_us": 45_000, "close_lag_us": 60_000, "jitter_us": 1_250, "pulse_dead_us": -15_000,
        "pulse_least_us": 6_000, "lag_u_us": 500, "rate_low_n_s": 240_000, "rate_high_n_s": 240_000,
        "position_kind": t.POSITION_KIND_ENCODER, "speed_um_s": 12_000, "breakaway_n": 0,
    } | more  # fmt: skip
    row = array("i", [each[3] for each in t.SETTINGS])
    names = [each[0] for each in t.SETTINGS]
    for name, value in values.items():
        row[names.index(name)] = value
    return row


class Stroke:
    """Strokes on depth without a plant: the ram lands where the test says."""

    def __init__(self) -> None:
        values = settings()
        press, self.travel = Press(), Travel()
        press.configure(values)
        full, slow = Valve(), Valve()
        full.configure(
            press.open16, press.close16, press.dead_time16, press.least_ms, press.jitter16, press.sensor16
        )
        self.travel.configure(values, CAL)
        self.depth = Depth(press, self.travel, full, slow)
        self.depth.configure(values)
        self.learned = array("i", [0] * LEARNED_LEN)

    def begin(self, target_um: int = TARGET_UM) -> None:
        job = array("i", [0] * t.J_LEN)
        job[t.J_STOP_ON], job[t.J_DEPTH_UM] = t.STOP_ON_DEPTH, target_um
        self.depth.begin(job, self.learned)

    def feed(self, until_um: int, rests_um: int) -> bool:
        """Run freely at 12 um a millisecond up to `until_um` or where the depth closes; then come to rest."""
        self.depth.starts(FEED_FULL, 0)
        closed = False
        while self.travel.um < until_um and not closed:
            self.travel.um += 12
            closed = self.depth.near(False, True)
        self.travel.um = rests_um
        return closed

    def part(self, rests_um: int, target_um: int = TARGET_UM) -> None:
        self.begin(target_um)
        self.travel.um = 0
        assert self.feed(target_um, rests_um)
        assert self.depth.decide() == NEXT_DONE
        self.depth.learn(self.learned)


def test_a_feed_that_the_force_ended_is_no_landing_of_the_lead() -> None:
    stroke = Stroke()
    stroke.begin()
    assert not stroke.feed(200, 217)
    stroke.depth.decide()
    assert stroke.feed(TARGET_UM, TARGET_UM - stroke.depth.aim_um + 20)
    assert stroke.depth.decide() == NEXT_DONE
    assert stroke.depth.learn(stroke.learned)
    # Twenty further than meant: told to close twenty earlier from now on. The rest at 217 um says nothing.
    assert stroke.learned[L_DEPTH_LEAD_UM] == 20


def test_the_lead_is_the_mean_of_the_first_landings() -> None:
    stroke = Stroke()
    for off_um in (20, -14, 8):
        stroke.begin()
        stroke.part(TARGET_UM - stroke.depth.aim_um + off_um)
    assert stroke.learned[L_DEPTH_N] == 3
    # 20, then half of -14, then a third of 8.
    assert stroke.learned[L_DEPTH_LEAD_UM] == 20 - 7 + 2


@pytest.mark.parametrize(("deeper_um", "first"), [(200, False), (-200, False), (3_000, True)])
def test_a_bend_that_is_corrected_keeps_what_its_landing_told(deeper_um: int, first: bool) -> None:
    stroke = Stroke()
    stroke.learned[L_DEPTH_UM], stroke.learned[L_DEPTH_N], stroke.learned[L_DEPTH_LEAD_UM] = (
        TARGET_UM,
        4,
        -120,
    )
    stroke.begin(TARGET_UM + deeper_um)
    assert stroke.depth.first == first
    # Less deep, it is closed upon no later than there: the lead that a part gave way by is taken back.
    assert stroke.depth.lead_um == (-120 if deeper_um == 200 else 0)


def test_this_strokes_own_speed_says_how_far_the_ram_goes_on() -> None:
    stroke = Stroke()
    stroke.begin()
    configured_um = stroke.depth.ahead_um(False)
    stroke.depth.starts(FEED_FULL, 0)
    stroke.travel.um = 0
    for ms in range(300):
        stroke.travel.um = 12_240 * ms // 1_000
        stroke.depth.near(False, True)
    # (lag and half a step: 60.5 ms)
    assert configured_um == pytest.approx(12.0 * 60.5, abs=6)
    assert stroke.depth.ahead_um(False) == pytest.approx(12.24 * 60.5, abs=3)


def test_a_ram_that_breaks_away_is_no_jump_of_the_sensor() -> None:
    travel = Travel()
    travel.configure(settings(), CAL)
    without_um = travel._c[JUMP_UM]
    # 2.4 kN over the stiffness on a block, 240 kN/s by 12 mm/s: 120 um at once, half more allowed for.
    travel.configure(settings(breakaway_n=2_400), CAL)
    assert travel._c[JUMP_UM] - without_um == pytest.approx(180, abs=6)
