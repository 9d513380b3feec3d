"""What a stroke with friction and a line's drop shows, and taps as long as a valve needs them."""

from __future__ import annotations

from unittest.mock import Mock

import numpy as np

from steadyram.commission.characterise import contact_seen
from steadyram.commission.corners import Window
from steadyram.commission.easing import ease_off


class _Valve:
    """Opens 30 ms after the pedal, then lets out 4 units a millisecond."""

    def __init__(self, held: float) -> None:
        self.held = held
        self.taps: list[float] = []

    def tap(self, seconds: float) -> None:
        self.taps.append(seconds)
        self.held -= 4.0 * max(0.0, 1000.0 * seconds - 30.0)


def test_taps_grow_until_the_valve_opens_and_shrink_near_the_end() -> None:
    valve = _Valve(1000.0)
    hands = Mock(tap_retract=valve.tap)
    left, tap_s = ease_off(hands, lambda: valve.held, 600.0)
    assert 450.0 < left <= 600.0
    assert max(valve.taps) > 0.03
    # The next level goes on from there: no tap that does nothing comes first.
    before = len(valve.taps)
    ease_off(hands, lambda: valve.held, 300.0, tap_s)
    assert len(valve.taps) - before < 9


def test_contact_is_not_free_travel_with_friction_and_the_line_s_drop() -> None:
    # Zero reads -1.4 kN (friction taken off), free travel 2 kN from 90 ms on, the block comes at 1600 ms: the level of
    # free travel is a fifth of the way to the force at which the valve was told to close.
    rng = np.random.default_rng(3)
    t = np.arange(0.0, 1815.0, 8.0)
    y = np.where(t < 90.0, -1400.0, np.minimum(2000.0, -1400.0 + 150.0 * (t - 90.0)))
    y = y + np.maximum(0.0, 70.0 * (t - 1600.0)) + 44.0 * rng.standard_normal(len(t))
    seen = contact_seen(Window(t, y, 1815.0), -1400.0, 44.0)
    assert abs(seen - 1600.0) < 20.0
