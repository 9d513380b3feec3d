"""Let the force down by taps of the retract pedal, as long as this valve needs them."""

from __future__ import annotations

from collections.abc import Callable

from steadyram.commission.hands import Hands

FIRST_TAP_S = 0.012
_SHORTEST_S = 0.004
_LONGEST_S = 0.5
# A tap that takes less than this share of what is left to go did nothing: what it takes may be the leak.
_NOTHING = 0.1
_MUCH = 0.5


def ease_off(
    hands: Hands,
    read: Callable[[], float],
    below: float,
    tap_s: float = FIRST_TAP_S,
    *,
    most: int = 60,
    settle_s: float = 0.25,
) -> tuple[float, float]:
    """Tap until `read` gives no more than `below`; return the last reading and the length of the last tap.

    read: the reading after a tap, in any unit. A tap shorter than the valve's opening lets nothing out, and one that is
    too long lets all of it out: where a tap did next to nothing the next is longer, where it did much, shorter.
    """
    here = read()
    for _ in range(most):
        if here <= below:
            break
        hands.tap_retract(tap_s)
        hands.wait(settle_s)
        before, here = here, read()
        if before - here < _NOTHING * (before - below):
            tap_s = min(_LONGEST_S, 1.3 * tap_s + 0.001)
        elif before - here > _MUCH * (before - below):
            tap_s = max(_SHORTEST_S, 0.8 * tap_s)
    return here, tap_s
