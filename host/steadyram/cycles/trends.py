"""Does a run of values drift? A rank test for a steady trend, and rules for runs on a control chart.

Sources: Mann (1945) and Kendall (1975) by way of Gilbert, Statistical Methods for Environmental Pollution
Monitoring (1987), chapter 16, for the rank test with ties and Sen's slope (from memory); NIST/SEMATECH
e-Handbook 6.3.2 for the rules of runs and their price: with the first four together, on values in control,
a false alarm comes about once in 91.75 points (Champ and Woodall 1987), against 371 with the first alone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy
from numpy.typing import NDArray

from steadyram.errors import BadInput

# More values than this are averaged in blocks for the slope: pairs grow with the square.
_SLOPE_MOST: Final = 1500


@dataclass(frozen=True, slots=True)
class Trend:
    """Mann-Kendall: S, its variance with ties, z with continuity correction, two-sided p, tau.

    slope: Sen's, the median of all pairs' slopes, in the values' unit a step.
    """

    n: int
    s: int
    variance: float
    z: float
    p: float
    tau: float
    slope: float


def mann_kendall(values: Sequence[float]) -> Trend:
    """Rank test for a steady trend; needs values that are independent but for the trend.

    Raises BadInput for fewer than four values: no order of three can be significant.
    """
    n = len(values)
    if n < 4:
        raise BadInput("a trend test needs four values or more.")
    x = np.asarray(values, dtype=float)
    s = sum(int(np.sign(x[i + 1 :] - x[i]).sum()) for i in range(n - 1))
    _, ties = np.unique(x, return_counts=True)
    tied = float(np.sum(ties * (ties - 1.0) * (2.0 * ties + 5.0)))
    variance = (n * (n - 1.0) * (2.0 * n + 5.0) - tied) / 18.0
    z = (s - (s > 0) + (s < 0)) / math.sqrt(variance) if variance > 0 else 0.0
    p = float(scipy.special.erfc(abs(z) / math.sqrt(2.0)))
    return Trend(n, s, variance, z, p, 2.0 * s / (n * (n - 1.0)), sen_slope(x))


def sen_slope(values: Sequence[float] | NDArray[np.float64]) -> float:
    """Median of the slopes of all pairs, a step; long series are averaged in equal blocks first."""
    x = np.asarray(values, dtype=float)
    block = max(1, math.ceil(len(x) / _SLOPE_MOST))
    x = x[: len(x) // block * block].reshape(-1, block).mean(axis=1)
    i, j = np.triu_indices(len(x), 1)
    return float(np.median((x[j] - x[i]) / (j - i))) / block


@dataclass(frozen=True, slots=True)
class RuleHit:
    """A rule that the values broke: its number, and the index of the value that completed the pattern."""

    rule: int
    index: int


# (values looked at, how many of them, how many sigmas from the centre on one side)
_ZONES: Final = {1: (1, 1, 3.0), 2: (3, 2, 2.0), 3: (5, 4, 1.0), 4: (8, 8, 0.0)}
RULES: Final = {
    1: "one value beyond three sigmas",
    2: "two of three in a row beyond two sigmas on the same side",
    3: "four of five in a row beyond one sigma on the same side",
    4: "eight in a row on the same side of the centre",
    5: "six in a row, each above or each below the one before",
    6: "fourteen in a row, up and down in turn",
}
_RISING, _ALTERNATING = 6, 14


def rule_hits(
    values: Sequence[float], centre: float, sigma: float, rules: Sequence[int] = tuple(RULES)
) -> list[RuleHit]:
    """Every value that completes a pattern of `rules`, by index. Raises BadInput for a sigma that is not
    above zero or an unknown rule.
    """
    if not sigma > 0.0 or not set(rules) <= set(RULES):
        raise BadInput("rules of runs need a scatter above zero and numbers from 1 to 6.")
    z = (np.asarray(values, dtype=float) - centre) / sigma
    hits = []
    for rule in rules:
        if rule in _ZONES:
            found = _zone(z, *_ZONES[rule])
        else:
            steps = np.sign(np.diff(z))
            found = _rising(steps) if rule == 5 else _alternating(steps)
        hits += [RuleHit(rule, int(index)) for index in np.flatnonzero(found)]
    return sorted(hits, key=lambda hit: (hit.index, hit.rule))


def _zone(z: NDArray[np.float64], window: int, need: int, limit: float) -> NDArray[np.bool_]:
    found = np.zeros(len(z), dtype=bool)
    for beyond in (z > limit, z < -limit):
        total = np.cumsum(beyond)
        before = np.concatenate([np.zeros(window), total])[: len(z)]
        # The value that completes the pattern is itself one of those beyond.
        found |= (total - before >= need) & beyond
    return found


def _rising(steps: NDArray[np.float64]) -> NDArray[np.bool_]:
    found = np.zeros(len(steps) + 1, dtype=bool)
    for sign in (1.0, -1.0):
        found[1:] |= _in_a_row(steps == sign) >= _RISING - 1
    return found


def _alternating(steps: NDArray[np.float64]) -> NDArray[np.bool_]:
    found = np.zeros(len(steps) + 1, dtype=bool)
    turns = steps[1:] * steps[:-1] < 0
    found[2:] = _in_a_row(turns) >= _ALTERNATING - 2
    return found


def _in_a_row(flags: NDArray[np.bool_]) -> NDArray[np.int_]:
    """How many true values in a row end at each place."""
    places = np.arange(1, len(flags) + 1)
    last_false = np.maximum.accumulate(np.where(flags, 0, places)) if len(flags) else places
    return places - last_false
