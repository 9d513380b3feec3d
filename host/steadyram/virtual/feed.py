"""Oil that a pump's rippling flow lets through valves whose opening changes: exact, in closed form.

The opening of both feeds is g(t) = min(1, full(t) + slow flow / pump flow * slow(t)), each of the two along a
straight line; the flow is Q g(t) (1 + r sin w t), t on the press's own clock.
"""

from __future__ import annotations

import math

_BISECTIONS = 60


class Feed:
    """The feed in one interval of `span` seconds.

    full, slow: share of each valve's flow at begin and end; ripple: amplitude as a share; rad_s: its frequency.
    """

    __slots__ = ("_law", "full", "rad_s", "ripple", "slow", "span")

    def __init__(
        self,
        span: float,
        full: tuple[float, float],
        slow: tuple[float, float],
        ripple: float,
        rad_s: float,
    ) -> None:
        self.span, self.full, self.slow, self.ripple, self.rad_s = span, full, slow, ripple, rad_s
        self._law = (0.0, 0.0, 0.0, 0.0)

    def part(self, offset: float, span: float) -> Feed:
        """Return the feed of a part of the interval."""

        def cut(line: tuple[float, float]) -> tuple[float, float]:
            slope = (line[1] - line[0]) / self.span
            return line[0] + slope * offset, line[0] + slope * (offset + span)

        return Feed(span, cut(self.full), cut(self.slow), self.ripple, self.rad_s)

    def oil(self, now: float, offset: float, left: float, pump: float, slow: float) -> tuple[float, float]:
        """Return how long the opening goes along one line from `offset` on (at most `left`), and the oil in it.

        now: time of the interval's begin, s; pump, slow: full flow of each, m3/s.
        """
        if pump <= 0.0:
            return left, 0.0
        ratio = min(1.0, slow / pump)
        slope = (self.full[1] - self.full[0] + ratio * (self.slow[1] - self.slow[0])) / self.span
        at = self.full[0] + ratio * self.slow[0] + slope * offset
        piece = left
        if at > 1.0 or (at == 1.0 and slope >= 0.0):
            # Both together would pass more than the pump delivers.
            if at + slope * left < 1.0:
                piece = min(left, max(1e-12, (1.0 - at) / slope))
            at, slope = 1.0, 0.0
        elif at + slope * left > 1.0:
            piece = min(left, (1.0 - at) / slope)
        begin = now + offset
        self._law = (pump * at, pump * slope, begin, piece)
        return piece, self._volume(piece)

    @property
    def begin_Q(self) -> float:
        """Flow at the begin of the last piece, m3/s."""
        return self._flow(0.0)

    @property
    def end_Q(self) -> float:
        """Flow at its end, m3/s."""
        return self._flow(self._law[3])

    def _flow(self, t: float) -> float:
        q, slope, begin, _ = self._law
        return (q + slope * t) * (1.0 + self.ripple * math.sin(self.rad_s * (begin + t)))

    def _volume(self, t: float) -> float:
        """Integrate (q + s t)(1 + r sin(w (begin + t))) from 0 to t."""
        q, slope, begin, _ = self._law
        steady = q * t + slope * t * t / 2.0
        if self.ripple <= 0.0:
            return steady
        w = self.rad_s
        a, b = w * begin, w * (begin + t)
        wave = (q * math.cos(a) - (q + slope * t) * math.cos(b)) / w
        if slope:
            wave += slope * (math.sin(b) - math.sin(a)) / (w * w)
        return steady + self.ripple * wave

    def time_for(self, volume: float) -> float:
        """Return the time into the last piece at which `volume` has come through."""
        q, slope, _, piece = self._law
        if volume <= 0.0:
            return 0.0
        if self.ripple <= 0.0:
            if slope == 0.0:
                return volume / q
            # q t + s t^2/2 = V, the root that stays finite as s goes to 0.
            return 2.0 * volume / (q + math.sqrt(max(0.0, q * q + 2.0 * slope * volume)))
        low, high = 0.0, piece
        for _ in range(_BISECTIONS):
            middle = 0.5 * (low + high)
            if self._volume(middle) < volume:
                low = middle
            else:
                high = middle
        return high
