"""Patterns in a run of values that charts and indices do not allow for: two levels, alternation, like neighbours.

Sources: Pettitt (1979), Applied Statistics 28, 126-135, for the change of level, with his approximation of the
significance (from memory); the standard error 1 / sqrt(n) of an autocorrelation of independent values: Bartlett (1946)
by way of NIST/SEMATECH e-Handbook 1.3.3.1.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

LEAST: Final = 12
# So unlikely by chance, each of the two tests: a shop proves many batches a year.
_P: Final = 0.01
_SIGMAS: Final = 2.576


@dataclass(frozen=True, slots=True)
class Pattern:
    """lag1: autocorrelation of neighbours, with its limit; change: index of the first value of a second level."""

    n: int
    lag1: float
    lag1_limit: float
    change: int | None
    change_p: float
    step: float

    @property
    def alternating(self) -> bool:
        """True when high and low values take turns."""
        return self.lag1 < -self.lag1_limit

    @property
    def alike(self) -> bool:
        """True when neighbours resemble each other more than independent values do."""
        return self.lag1 > self.lag1_limit


def pattern_of(values: Sequence[float]) -> Pattern | None:
    """The pattern of a run of values; None for fewer than LEAST, or for values that are all the same."""
    x = np.asarray(values, dtype=float)
    n = len(x)
    if n < LEAST or float(np.ptp(x)) == 0.0:
        return None
    off = x - x.mean()
    lag1 = float(np.sum(off[1:] * off[:-1]) / np.sum(off * off))
    # U(t) of Pettitt from ranks: 2 times the sum of the first t ranks, less t (n + 1); ties share their rank.
    _, inverse, counts = np.unique(x, return_inverse=True, return_counts=True)
    ranks = (np.cumsum(counts) - (counts - 1) / 2.0)[inverse]
    u = 2.0 * np.cumsum(ranks)[:-1] - np.arange(1, n) * (n + 1.0)
    at = int(np.argmax(np.abs(u)))
    p = min(1.0, 2.0 * math.exp(-6.0 * float(u[at]) ** 2 / (n**3 + n**2)))
    step = float(x[at + 1 :].mean() - x[: at + 1].mean())
    return Pattern(n, lag1, _SIGMAS / math.sqrt(n), at + 1 if p < _P else None, p, step)
