"""The assertions on valves fail when they should, not only pass."""

from __future__ import annotations

import pytest

from steadyram.virtual.checks import ValveChecks
from steadyram.virtual.press_face import Noted, Output
from steadyram_fw import tables

EXTEND, RETRACT, SLOW, LAMP = tables.OUT_EXTEND, tables.OUT_RETRACT, tables.OUT_SLOW, tables.OUT_LAMP


class Told(ValveChecks):
    """A made-up log."""

    def __init__(self, log: list[tuple[float, int]], events: list[tuple[float, str]], now_s: float) -> None:
        self.valve_log = [Output(*entry) for entry in log]
        self.events = [Noted(*entry) for entry in events]
        self.outputs = log[-1][1] if log else 0
        self.coil_log: list[Output] = []
        self.coils = 0
        self._now_s = now_s

    @property
    def time_s(self) -> float:
        return self._now_s


STROKE = Told(
    [(1.0, EXTEND), (2.0, SLOW | LAMP), (2.5, LAMP), (3.0, RETRACT), (4.0, 0)],
    [(0.9, "press-extend"), (2.49, "let-go"), (2.9, "press-retract")],
    5.0,
)


def test_a_sound_stroke_passes() -> None:
    STROKE.assert_never_both()
    STROKE.assert_extend_off_within(11, after="let-go")
    STROKE.assert_extend_off_within(0, after=2.5)
    STROKE.assert_stays_off(since=4.0)
    STROKE.assert_extended_once(since="press-extend")
    assert STROKE.on_times(EXTEND | SLOW) == [(1.0, 2.5)]


def test_late_closing_fails_with_both_times() -> None:
    with pytest.raises(AssertionError, match=r"went off 10 ms after let-go; at most 9 ms"):
        STROKE.assert_extend_off_within(9, after="let-go")


def test_still_energised_fails() -> None:
    with pytest.raises(AssertionError, match="still energised"):
        Told([(1.0, SLOW)], [], 1.5).assert_extend_off_within(1000, after=1.0)


def test_energised_again_before_its_time_is_over_fails() -> None:
    """Off when it happened, on again since without a new press of the pedal, and the time allowed still runs."""
    on_now = Told([(1.0, EXTEND), (1.2, 0), (1.4, EXTEND)], [(0.9, "press-extend"), (1.3, "stop")], 1.5)
    with pytest.raises(AssertionError, match="still energised"):
        on_now.assert_extend_off_within(20_000, after="stop")
    with pytest.raises(AssertionError, match="still energised"):
        on_now.assert_all_off_within(5000, after=0.95)


def test_a_moment_that_is_yet_to_come_fails() -> None:
    for check in (STROKE.assert_stays_off, lambda since: STROKE.assert_all_off_within(5, after=since)):
        with pytest.raises(AssertionError, match="yet to come"):
            check(since=6.0)


def test_any_valve_counts_for_all_off() -> None:
    with pytest.raises(AssertionError, match="1000 ms"):
        STROKE.assert_all_off_within(100, after=3.0)


@pytest.mark.parametrize("word", [EXTEND | RETRACT, SLOW | RETRACT])
def test_both_ways_at_once_fails(word: int) -> None:
    with pytest.raises(AssertionError, match=r"together at 1\.000 s"):
        Told([(1.0, word), (1.1, 0)], [], 2.0).assert_never_both()


def test_energising_again_fails_stays_off() -> None:
    with pytest.raises(AssertionError, match=r"energised at 3\.000 s"):
        STROKE.assert_stays_off(since=2.6)


def test_no_stroke_and_unfinished_stroke_fail() -> None:
    with pytest.raises(AssertionError, match="never energised"):
        STROKE.assert_extended_once(since=2.6)
    with pytest.raises(AssertionError, match="still energised"):
        Told([(1.0, EXTEND)], [], 2.0).assert_extended_once(since=0.5)


def test_an_unknown_happening_fails_with_those_that_were() -> None:
    with pytest.raises(AssertionError, match="press-retract"):
        STROKE.time_of("lunch")


def test_off_at_that_instant_is_not_enough() -> None:
    """Extend was off when the switch opened and came on 200 ms later, with nobody at the pedal."""
    log = [(1.0, EXTEND), (1.1, 0), (1.3, EXTEND)]
    with pytest.raises(AssertionError, match="energised 200 ms after let-go"):
        Told(log, [(1.1, "let-go")], 1.5).assert_extend_off_within(50, after="let-go")
    # A stroke that a person began later is another matter.
    Told([*log, (1.4, 0)], [(1.1, "let-go"), (1.25, "press-extend")], 1.5).assert_extend_off_within(
        50, after="let-go"
    )


def test_three_strokes_are_not_one() -> None:
    log = [
        (1.0, EXTEND),
        (1.1, 0),
        (1.2, EXTEND),
        (1.21, 0),
        (2.0, EXTEND),
        (2.1, 0),
        (3.0, EXTEND),
        (3.1, 0),
    ]
    presses = [(0.9, "press-extend"), (1.9, "press-extend"), (2.9, "press-extend")]
    with pytest.raises(AssertionError, match="for 3 strokes"):
        Told(log, presses, 4.0).assert_extended_once(since=0.5)
    # The pulse at 1.2 s belongs to the first.
    Told(log[:4], presses[:1], 4.0).assert_extended_once(since=0.5)


def test_a_coil_that_stays_on_fails_although_the_firmware_let_go() -> None:
    """A welded relay: the output word is off at once, the coil is not."""
    welded = Told([(1.0, EXTEND), (1.5, 0)], [(0.9, "press-extend"), (1.5, "release-extend")], 3.0)
    welded.assert_extend_off_within(5, after="release-extend")
    welded.coil_log, welded.coils = [Output(1.0, EXTEND)], EXTEND
    assert welded.off_at("release-extend") == 1.5
    assert welded.off_at("release-extend", of="coils") is None
    for check in (welded.assert_extend_off_within, welded.assert_all_off_within):
        with pytest.raises(AssertionError, match="still energised 1500 ms"):
            check(50, after="release-extend")
    with pytest.raises(AssertionError, match=r"energised at 1\.500 s"):
        welded.assert_stays_off(since="release-extend")
    with pytest.raises(AssertionError, match="still energised"):
        welded.assert_extended_once(since="press-extend")


def test_a_check_of_a_stroke_that_never_was_fails() -> None:
    """Cutoff off, the pedal refused, the emergency stop pushed: nothing was switched off."""
    before = [(1.0, EXTEND), (1.1, 0)]
    events = [(0.9, "press-extend"), (2.0, "press-extend"), (2.5, "estop-pushed")]
    with pytest.raises(AssertionError, match=r"nothing was energised between the pedal at 2\.000 s"):
        Told(before, events, 3.0).assert_all_off_within(5, after="estop-pushed")
