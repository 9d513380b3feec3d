"""A ram at rest sticks: pressure may rise by its breakaway friction and the force on the block does not follow.

A calibration point read in that state shows a pressure that belongs to no force. Breakaway friction is at most twice
the running one (common practice), so what it may hide is at most the friction that free travel shows; a pulse that
lifts the reading by more than that has moved the ram.
"""

from __future__ import annotations

from steadyram.commission.hands import Hands
from steadyram.commission.strokes import mean_counts, probe_stroke
from steadyram.device import Device

_FIRST_MS = 5
_LONGEST_MS = 200
_PAUSE_MS = 90
_TRIES = 24
# A reading that a longer pulse lifts by less than this share is free travel's: the ram has moved.
_LEVEL = 0.25


def seal_counts(device: Device, hands: Hands, zero: float, noise: float, low: float) -> float:
    """Return what seal friction holds in free travel, counts: read at rest, after pulses that moved the ram.

    The ram must be at the top. zero, noise: reading without pressure and its spread; low: lowest point above the
    zero, which bounds the result where free travel does not come to a level (counts all).
    """
    # 4 % of capacity: no seal is known to hold more (common practice, no source).
    most = low
    before, width = 0.0, _FIRST_MS
    while width <= _LONGEST_MS:
        probe_stroke(device, hands, pulse_ms=width, pulses=1, pause_ms=_PAUSE_MS, collect=False)
        here = mean_counts(device, hands, 1) - zero
        if here > most:
            return most
        if here > noise and before > 0.0 and here < (1.0 + _LEVEL) * before:
            return here
        before = here if here > noise else 0.0
        width += max(2, width // 2)
    return max(before, noise)


def break_away(device: Device, hands: Hands, *, slow: bool, width: int, seal: float) -> int:
    """Pulse on until one pulse has lifted the reading by more than `seal`; return its width in milliseconds.

    slow: by the slow feed; width: of the first pulse; seal: from `seal_counts`. Gives up where pulses of a fifth of
    a second do not (at the relief valve): the point stands as it is.
    """
    before = mean_counts(device, hands, 1)
    for _ in range(_TRIES):
        probe_stroke(device, hands, slow=slow, pulse_ms=width, pulses=1, pause_ms=_PAUSE_MS, collect=False)
        here = mean_counts(device, hands, 1)
        if here - before > seal:
            return width
        before = here
        if width < (_LONGEST_MS * 8 if slow else _LONGEST_MS):
            width += max(2, width // 2)
    return width
