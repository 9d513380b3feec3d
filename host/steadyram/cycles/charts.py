"""Control charts and capability of a run of peaks.

Sources: constants by numerical integration of the range's distribution (they agree with the tables
of ISO 7870-2 and the ASTM manual on control charts to their three decimals); chart formulas and
capability from the NIST/SEMATECH e-Handbook, 6.1.6, 6.3.2.2 and 6.3.2.4.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import numpy as np
import scipy

from steadyram.errors import BadInput


@dataclass(frozen=True)
class ChartConstants:
    """Factors of X-bar and R charts for samples of n."""

    n: int
    d2: float
    d3: float
    a2: float
    d3_low: float
    d4_high: float
    c4: float


@cache
def chart_constants(n: int) -> ChartConstants:
    """Factors for samples of n (2 to 100); `d3_low` and `d4_high` are the tables' D3 and D4.

    d2 = E[W], d3 = sd[W] of the range W of n standard normals: E[W] = integral of
    1 - (1-F)^n - F^n, E[W^2] = 2 integral w P(W > w) dw. c4 from the gamma function.
    """
    if not 2 <= n <= 100:
        raise BadInput("chart constants are for samples of 2 to 100.")

    from scipy import integrate  # here, not above: slow to load and seldom needed

    def tail(x: float) -> float:
        f = float(scipy.special.ndtr(x))
        return 1.0 - f**n - (1.0 - f) ** n

    d2 = integrate.quad(tail, -9, 9, epsabs=1e-12, epsrel=1e-12, limit=200)[0]
    # P(W <= w) by Gauss-Legendre over the smallest of the sample; smooth, so 400 nodes are plenty.
    nodes, weights = np.polynomial.legendre.leggauss(400)
    x = 9.0 * nodes
    pdf, cdf = np.exp(-0.5 * x * x) / math.sqrt(2.0 * math.pi), scipy.special.ndtr(x)

    def exceed(w: float) -> float:
        return 1.0 - float(9.0 * np.sum(weights * n * pdf * (scipy.special.ndtr(x + w) - cdf) ** (n - 1)))

    second = 2.0 * integrate.quad(lambda w: w * exceed(w), 0, 18, epsabs=1e-10, epsrel=1e-10, limit=200)[0]
    d3 = math.sqrt(second - d2 * d2)
    c4 = math.sqrt(2.0 / (n - 1)) * math.exp(math.lgamma(n / 2) - math.lgamma((n - 1) / 2))
    return ChartConstants(n, d2, d3, 3 / (d2 * math.sqrt(n)), max(0.0, 1 - 3 * d3 / d2), 1 + 3 * d3 / d2, c4)


@dataclass(frozen=True)
class IndividualsChart:
    """Centre and limits of an individuals and moving-range chart; `outside` are indices."""

    centre: float
    moving_range: float
    upper: float
    lower: float
    range_upper: float
    outside: tuple[int, ...]


def individuals_chart(values: Sequence[float]) -> IndividualsChart:
    """Individuals chart: mean ± 3 MR-bar / d2(2). Raises BadInput for fewer than two values."""
    if len(values) < 2:
        raise BadInput("an individuals chart needs at least two strokes.")
    centre = math.fsum(values) / len(values)
    moving = math.fsum(abs(b - a) for a, b in pairwise(values)) / (len(values) - 1)
    # The handbook prints its limits with d2 rounded to 1.128, as the tables do.
    half = 3.0 * moving / 1.128
    outside = tuple(i for i, v in enumerate(values) if abs(v - centre) > half)
    return IndividualsChart(
        centre, moving, centre + half, centre - half, chart_constants(2).d4_high * moving, outside
    )


@dataclass(frozen=True)
class Capability:
    """Cp, Cpk and their one-sided parts; k is the off-centre ratio."""

    cp: float
    cpk: float
    cpu: float
    cpl: float
    k: float


def capability(mean: float, sd: float, lower: float, upper: float) -> Capability:
    """Capability against two limits (same unit). Raises BadInput when they make no band or sd is 0."""
    if not (upper > lower and sd > 0.0):
        raise BadInput("capability needs an upper limit above the lower one and a scatter above zero.")
    cpu, cpl = (upper - mean) / (3 * sd), (mean - lower) / (3 * sd)
    half = (upper - lower) / 2
    return Capability(
        (upper - lower) / (6 * sd), min(cpu, cpl), cpu, cpl, abs((upper + lower) / 2 - mean) / half
    )


@dataclass(frozen=True)
class MeansChart:
    """X-bar and R charts of consecutive subgroups of n: centres, limits, points, indices outside."""

    n: int
    means: tuple[float, ...]
    ranges: tuple[float, ...]
    centre: float
    mean_range: float
    upper: float
    lower: float
    range_upper: float
    range_lower: float
    sd_within: float
    outside: tuple[int, ...]
    ranges_outside: tuple[int, ...]


def means_chart(values: Sequence[float], n: int = 5) -> MeansChart:
    """X-bar chart: mean of means ± A2 R-bar; R chart: D3 R-bar to D4 R-bar; a rest below n is left out.

    sd_within = R-bar / d2. Source: NIST/SEMATECH e-Handbook 6.3.2.1. Raises BadInput for fewer than two
    subgroups.
    """
    factors = chart_constants(n)
    groups = [values[at : at + n] for at in range(0, len(values) - n + 1, n)]
    if len(groups) < 2:
        raise BadInput(f"an X-bar chart of subgroups of {n} needs {2 * n} strokes or more.")
    means = tuple(math.fsum(group) / n for group in groups)
    ranges = tuple(max(group) - min(group) for group in groups)
    centre, mean_range = math.fsum(means) / len(means), math.fsum(ranges) / len(ranges)
    half = factors.a2 * mean_range
    top, bottom = factors.d4_high * mean_range, factors.d3_low * mean_range
    return MeansChart(
        n=n,
        means=means,
        ranges=ranges,
        centre=centre,
        mean_range=mean_range,
        upper=centre + half,
        lower=centre - half,
        range_upper=top,
        range_lower=bottom,
        sd_within=mean_range / factors.d2,
        outside=tuple(i for i, mean in enumerate(means) if abs(mean - centre) > half),
        ranges_outside=tuple(i for i, width in enumerate(ranges) if not bottom <= width <= top),
    )


@dataclass(frozen=True)
class CapabilityInterval:
    """Two-sided confidence intervals of Cp and Cpk at `confidence`."""

    confidence: float
    cp: tuple[float, float]
    cpk: tuple[float, float]


def capability_interval(found: Capability, n: int, confidence: float = 0.95) -> CapabilityInterval:
    """How far the indices of n values can be trusted, for values that are independent and normal.

    Cp by the chi-square distribution of s² with n - 1 degrees of freedom (exact); Cpk by the normal
    approximation Cpk ± z sqrt(1/(9n) + Cpk²/(2(n-1))). Source: NIST/SEMATECH e-Handbook 6.1.6.
    Raises BadInput for fewer than two values or a confidence outside 0 to 1.
    """
    if n < 2 or not 0.0 < confidence < 1.0:
        raise BadInput("a confidence interval needs two values or more and a confidence between 0 and 1.")
    tail = (1.0 - confidence) / 2.0
    low, high = (math.sqrt(float(scipy.special.chdtri(n - 1, p)) / (n - 1)) for p in (1.0 - tail, tail))
    half = float(scipy.special.ndtri(1.0 - tail)) * math.sqrt(1 / (9 * n) + found.cpk**2 / (2 * (n - 1)))
    return CapabilityInterval(
        confidence, (found.cp * low, found.cp * high), (found.cpk - half, found.cpk + half)
    )
