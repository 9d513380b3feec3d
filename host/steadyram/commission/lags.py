"""A valve's lag from many actuations: mean, scatter, uncertainty, and whether it still changes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy

from steadyram.commission.corners import Samples, Window, spread
from steadyram.commission.dynamics import Shape


@dataclass(frozen=True)
class Lag:
    """Milliseconds: mean, standard deviation of one actuation, expanded uncertainty (95 %) of the mean; n of them."""

    mean_ms: float
    sd_ms: float
    u_ms: float
    n: int


def lag_of(values_ms: Sequence[float], delay_u_ms: float) -> Lag | None:
    """Combine actuations; None without three of them.

    delay_u_ms: standard error of the sensor's delay, which shifts all of them alike. A drift along the test (oil that
    warms up) is in the uncertainty: the mean is that of the later half.
    """
    if len(values_ms) < 3:
        return None
    _, sd_all = spread(values_ms)
    mean, sd = spread(values_ms)
    n = len(values_ms)
    drift = drift_ms(values_ms)
    if drift:
        later = list(values_ms)[n // 2 :]
        mean, sd = spread(later)
        n = len(later)
        sd = min(sd, sd_all)
    t = float(scipy.stats.t.ppf(0.975, max(1, n - 1)))
    u = float(np.sqrt((t * sd / np.sqrt(n)) ** 2 + (2.0 * delay_u_ms) ** 2 + (drift / 2) ** 2))
    return Lag(mean, sd, u, len(values_ms))


def drift_ms(values_ms: Sequence[float]) -> float:
    """Return how far the values drift from first to last, ms; 0 where it is within their scatter (Student, 1 %)."""
    n = len(values_ms)
    if n < 8:
        return 0.0
    line = scipy.stats.theilslopes(
        np.asarray(values_ms, dtype=np.float64), np.arange(n, dtype=np.float64), 0.99
    )
    low, high = float(line.low_slope), float(line.high_slope)
    return float(line.slope) * (n - 1) if low > 0 or high < 0 else 0.0


def fit_drop(window: Window, noise: float) -> float | None:
    """End of flow of an open-centre valve: the force is lost at once, so the reading falls off the ramp that it was on.

    Returns ms after the command to close, by the first of five samples in a row below the ramp; None without a ramp.
    """
    t, y = window.time_ms, window.force_N
    ramp = (t > window.cut_ms - 40.0) & (t <= window.cut_ms + 3.0)
    if ramp.sum() < 12:
        return None
    slope, base = _steady(t[ramp], y[ramp])
    if slope <= 0:
        return None
    after = t > window.cut_ms + 3.0
    below = (y[after] < base + slope * t[after] - max(6.0 * noise, 2.0 * slope)).astype(int)
    runs = np.flatnonzero(np.convolve(below, np.ones(5, dtype=int), "valid") == 5)
    return float(t[after][runs[0]]) - window.cut_ms if len(runs) else None


def _steady(t: Samples, y: Samples) -> tuple[float, float]:
    """Slope and intercept by Theil and Sen: medians, which a spike does not move."""
    line = scipy.stats.theilslopes(y, t)
    return float(line.slope), float(line.intercept)


def fit_begin(window: Window, shape: Shape, noise: float) -> tuple[float, float] | None:
    """Begin of flow of a valve that holds nothing: level first, then a rise up to the command to close.

    Returns ms after the command on and the rate, newtons a ms; None without a clear rise.
    """
    t, y = window.time_ms, window.force_N
    rising = t <= window.cut_ms + 2.0
    t, y = t[rising], y[rising]
    if len(t) < 20:
        return None
    level = float(np.median(y[t < 8.0])) if (t < 8.0).sum() > 2 else float(y[0])
    top = float(np.median(y[-3:]))
    span = (y > level + 0.3 * (top - level)) & (y < level + 0.9 * (top - level))
    if top - level < 12.0 * noise or span.sum() < 4:
        return None
    slope, base = _steady(t[span], y[span])
    if slope <= 0:
        return None
    begin = (level - base) / slope - shape.delay_ms
    return (begin, slope) if 0 < begin < t[-1] else None
