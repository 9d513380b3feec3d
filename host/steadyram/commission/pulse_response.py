"""What one short pulse lets in: series of equal pulses on the block, from long ones down to those that do nothing.

A pulse of width w lets in full flow for w - dead once the spool opens fully, less where it turns back half-way, and
nothing where the relay is released before it pulls in. All of it is measured in milliseconds of full flow: the rise of
a series over its number and the rise rate.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

from steadyram.late import np

# Mean flow, in ms of full flow, from which a pulse counts as one that moves something.
MOVES_MS = 0.2
# From nothing to this much within one millisecond of width: a relay that pulls in, not a spool that slews.
_JUMP_MS = 2.0
_LONGEST_MS = 600


@dataclass(frozen=True)
class Series:
    """Equal pulses in a row: width, how many, mean flow of one (ms of full flow) and its standard error."""

    width_ms: int
    pulses: int
    flow_ms: float
    error_ms: float

    @property
    def moves(self) -> bool:
        """True where the pulses let in more than MOVES_MS on the mean."""
        return self.flow_ms > MOVES_MS

    @property
    def clear(self) -> bool:
        """True where that is beyond doubt, either way."""
        return abs(self.flow_ms - MOVES_MS) > 2.0 * self.error_ms


@dataclass(frozen=True)
class PulseResponse:
    """Dead time and shortest pulse of one feed, ms; None where it was not found. u_*: expanded uncertainty (95 %).

    limit: what keeps shorter pulses from moving anything; None where the shortest there is (1 ms) moves something.
    """

    dead_ms: float | None
    u_dead_ms: float | None
    least_ms: float | None
    u_least_ms: float | None
    limit: Literal["relay", "spool"] | None
    series: tuple[Series, ...] = field(default=())


UNKNOWN = PulseResponse(None, None, None, None, None)


def find_response(
    run: Callable[[int, int], Series | None], *, dead_ms: float, slew_ms: float, u_rate: float
) -> PulseResponse:
    """Run series from long to short and read the response off them.

    run: series of `width` and at most so many pulses, None where there was no room for one; dead_ms, slew_ms: as the
    corners of the strokes show them; u_rate: expanded relative uncertainty of the rise rate.
    """
    seen: dict[int, Series] = {}

    def take(width: int, pulses: int) -> Series | None:
        if width not in seen:
            got = run(width, pulses)
            if got is None:
                return None
            seen[width] = got
        return seen[width]

    for width in _widths(dead_ms, slew_ms):
        got = take(width, 5 if width > dead_ms + 8 else 8)
        if got is not None and not got.moves:
            break
    else:
        # Even these let something in: a relay's pull-in, if anything, ends it.
        take(1, 8)
    moved = [w for w, s in seen.items() if s.moves]
    if not moved:
        # Nothing moved where the corners say that it should: the search goes upward.
        width = max(seen, default=8)
        for _ in range(12):
            width = min(_LONGEST_MS, math.ceil(1.3 * width) + 1)
            got = take(width, 6)
            if got is not None and got.moves:
                moved = [width]
                break
            if width == _LONGEST_MS:
                break
        if not moved:
            return PulseResponse(None, None, None, None, None, _ordered(seen))
    low = max((w for w, s in seen.items() if not s.moves and w < max(moved)), default=0)
    high = min(w for w in moved if w > low)
    while high - low > 1:
        middle = (low + high) // 2
        got = take(middle, 10)
        if got is None:
            break
        low, high = (low, middle) if got.moves else (middle, high)
    return _read(seen, low, high, slew_ms, u_rate)


def _widths(dead_ms: float, slew_ms: float) -> list[int]:
    """Widths to try, longest first: down to where the corners of the strokes say that nothing comes through."""
    tried = {math.ceil(dead_ms + slew_ms + 20)} | {round(dead_ms + e) for e in (16, 10, 5, 2, -1)}
    return sorted((w for w in tried if w > 1), reverse=True) or [20, 10, 5]


def _ordered(seen: dict[int, Series]) -> tuple[Series, ...]:
    return tuple(seen[w] for w in sorted(seen))


def _read(seen: dict[int, Series], low: int, high: int, slew_ms: float, u_rate: float) -> PulseResponse:
    """Dead time from the widths that open the spool fully; the shortest pulse from the bracket (low, high]."""
    wide = [s for s in seen.values() if s.moves and s.flow_ms > max(3.0, 1.2 * slew_ms)]
    dead = u_dead = None
    if wide:
        weights = np.array([1.0 / max(s.error_ms, 0.05) ** 2 for s in wide])
        values = np.array([s.width_ms - s.flow_ms for s in wide])
        dead = float(np.sum(weights * values) / np.sum(weights))
        inner = 1.0 / math.sqrt(float(np.sum(weights)))
        if len(wide) > 1:
            # Widths that disagree by more than their errors widen the uncertainty (Birge's ratio).
            chi = float(np.sum(weights * (values - dead) ** 2)) / (len(wide) - 1)
            inner *= math.sqrt(max(1.0, chi))
        scale = u_rate * float(np.sum(weights * np.array([s.flow_ms for s in wide])) / np.sum(weights))
        u_dead = math.hypot(2.6 * inner, scale) + 0.5
    limit: Literal["relay", "spool"] | None = None
    if low > 0:
        limit = (
            "relay"
            if high - low == 1 and seen[high].flow_ms > _JUMP_MS + 2 * seen[high].error_ms
            else "spool"
        )
    doubt = 0.0 if low == 0 or seen[low].clear else 1.0
    doubt += 0.0 if seen[high].clear else 1.0
    return PulseResponse(
        dead, u_dead, float(high), 0.5 if low == 0 and doubt == 0 else max(1.0, float(high - low)) + doubt,
        limit, _ordered(seen),
    )  # fmt: skip
