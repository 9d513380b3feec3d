"""How a flow that starts or stops shows in the reading: spool, transducer, and the line's swing and drop.

A flow of constant rate r that stops at T is read as level - r * remaining(t - T). Behind a first-order transducer (time
constant tau) and a second-order line (natural frequency, damping) the step response is a sum of exponentials, so its
integrals are known in closed form (linear systems textbooks: partial fractions of the transfer function). A spool that
slews at constant speed averages the edge over its travel time. A transducer at the pump's end of a hose reads the drop
along it, too, which is proportional to the flow (laminar) and so looks like a lead. Times in milliseconds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, TypeAlias

from steadyram.late import np

if TYPE_CHECKING:
    from numpy.typing import NDArray

Samples: TypeAlias = "NDArray[np.float64]"

# Two poles closer than this share of each other would make the partial fractions blow up.
_APART = 1e-3


@dataclass(frozen=True)
class Shape:
    """Shape of a corner: tau_ms of the transducer, slew_ms of the flow's edge, line_hz and damping (0 Hz: no line).

    lead_ms: the line's pressure drop over the rise rate.
    """

    tau_ms: float
    slew_ms: float = 0.0
    line_hz: float = 0.0
    damping: float = 0.5
    lead_ms: float = 0.0

    @property
    def line_delay_ms(self) -> float:
        """Return how far the line's reading trails a steady ramp: 2 zeta / omega."""
        return 2.0 * self.damping / self._omega if self.line_hz > 0 else 0.0

    @property
    def delay_ms(self) -> float:
        """Return how far the whole reading trails a steady ramp."""
        return self.tau_ms + self.line_delay_ms - self.lead_ms

    @property
    def _lag_ms(self) -> float:
        return self.tau_ms + self.line_delay_ms

    @property
    def settled_ms(self) -> float:
        """Return after how long an edge has died away to about a hundredth."""
        slowest = max(self.tau_ms, 1.0 / (self.damping * self._omega) if self.line_hz > 0 else 0.0)
        if self.line_hz > 0 and self.damping > 1:
            slowest = max(self.tau_ms, self.line_delay_ms)
        return 4.6 * slowest + self.slew_ms / 2

    @property
    def _omega(self) -> float:
        return 2.0 * math.pi * self.line_hz / 1000.0

    def without_slew(self) -> Shape:
        """Return the shape of an edge that no spool makes: contact, a changeover."""
        return Shape(self.tau_ms, 0.0, self.line_hz, self.damping, self.lead_ms)

    def _terms(self) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
        poles: list[complex] = [-1.0 / max(self.tau_ms, 0.02)]
        if self.line_hz > 0:
            root = np.emath.sqrt(self.damping**2 - 1.0)
            poles += [self._omega * (-self.damping + root), self._omega * (-self.damping - root)]
        for i in range(1, len(poles)):
            for j in range(i):
                if abs(poles[i] - poles[j]) < _APART * abs(poles[i]):
                    poles[i] *= 1.0 + 2 * _APART * (i + 1)
        p = np.array(poles, dtype=np.complex128)
        gain = np.prod(-p)
        c = np.array(
            [gain / (p[i] * np.prod([p[i] - p[j] for j in range(len(p)) if j != i])) for i in range(len(p))]
        )
        return p, c

    def remaining(self, t: Samples) -> Samples:
        """Return what is still to be seen of a unit flow that stops at 0, at times `t`."""
        left, slope = self._left(t)
        seen: Samples = left + self.lead_ms * slope
        return seen

    def _left(self, t: Samples) -> tuple[Samples, Samples]:
        """Return the same without the line's drop, and its slope."""
        p, c = self._terms()
        lag = self._lag_ms

        def once(x: Samples) -> Samples:
            after = (np.exp(np.outer(np.maximum(x, 0.0), p)) @ (c / p)).real
            both: Samples = np.where(x < 0, lag - x, after)
            return both

        if self.slew_ms < 0.05:
            fall = (np.exp(np.outer(np.maximum(t, 0.0), p)) @ c).real
            return once(t), np.where(t < 0, -1.0, fall)
        half = self.slew_ms / 2
        first = float((-(c / p**2)).sum().real)

        def twice(x: Samples) -> Samples:
            after = (np.exp(np.outer(np.maximum(x, 0.0), p)) @ (-(c / p**2))).real
            both: Samples = np.where(x < 0, first - lag * x + x * x / 2, after)
            return both

        late = np.maximum(t, -half)
        edge: Samples = (twice(late - half) - twice(late + half)) / self.slew_ms
        slope: Samples = (once(late + half) - once(late - half)) / self.slew_ms
        return np.where(t < -half, lag - t, edge), np.where(t < -half, -1.0, slope)

    def remaining_soon(self, t: Samples) -> Samples:
        """Return `remaining` from a table, for fits in which the shape stays the same."""
        grid, values = _table(self)
        seen: Samples = np.where(t < grid[0], self.delay_ms - t, np.interp(t, grid, values, right=0.0))
        return seen

    def ramp(self, t: Samples) -> Samples:
        """Return the reading of a unit flow that starts at 0, at times `t`."""
        risen: Samples = t - self.delay_ms + self.remaining_soon(t)
        return risen


@lru_cache(maxsize=64)
def _table(shape: Shape) -> tuple[Samples, Samples]:
    """Return times and `remaining` there, from before the edge until it has died away."""
    grid = np.arange(-shape.slew_ms / 2 - 0.5, 2.0 * shape.settled_ms + 10.0, 0.1)
    return grid, shape.remaining(grid)
