"""A valve's lag from many actuations: mean, scatter, uncertainty, and whether it still changes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from steadyram.commission.corners import Window, spread
from steadyram.commission.dynamics import Samples, Shape
from steadyram.late import np, scipy


@dataclass(frozen=True)
class Lag:
    """Milliseconds: mean, standard deviation of one actuation, expanded uncertainty (95 %) of the mean; n of them.

    drift_ms: from the first to the last, 0 where it is within the scatter; with_sensor_u_ms: uncertainty of this lag
    and the sensor's together, which is smaller: what is taken for the one is missing in the other.
    """

    mean_ms: float
    sd_ms: float
    u_ms: float
    n: int
    drift_ms: float = 0.0
    with_sensor_u_ms: float = 0.0


def lag_of(values_ms: Sequence[float], delay_u_ms: float, at_s: Sequence[float] | None = None) -> Lag | None:
    """Combine actuations; None without three of them.

    delay_u_ms: standard error of the sensor's delay, which shifts all of them alike; at_s: when each of them was. Oil
    that warms up lets them drift: the lag is that at the last of them, by a straight line through all.
    """
    values = np.asarray(values_ms, dtype=np.float64)
    if len(values) < 3:
        return None
    times = np.arange(len(values), dtype=np.float64) if at_s is None else np.asarray(at_s, dtype=np.float64)
    if len(values) >= 8 and float(np.ptp(times)) > 0:
        slope, base = _steady(times, values)
        off = values - base - slope * times
        kept = np.abs(off) <= 4.0 * 1.4826 * float(np.median(np.abs(off))) + 1e-9
        values, times = values[kept], times[kept]
        line = scipy.stats.linregress(times, values)
        n, end = len(values), float(times.max())
        sd = float(np.sqrt(np.sum((values - line.intercept - line.slope * times) ** 2) / (n - 2)))
        away = (end - float(times.mean())) ** 2 / float(np.sum((times - times.mean()) ** 2))
        error = sd * float(np.sqrt(1.0 / n + away))
        drift = float(line.slope) * float(np.ptp(times))
        sure = abs(float(line.slope)) > 3.0 * float(line.stderr)
        mean = float(line.intercept + line.slope * end)
        if not sure:
            mean, error = float(values.mean()), sd / float(np.sqrt(n))
        t = float(scipy.stats.t.ppf(0.975, n - 2))
        # The oil warms up along an exponential, not along a line.
        bend = 0.15 * abs(drift)
        u = float(np.sqrt((t * error) ** 2 + (2.0 * delay_u_ms) ** 2 + bend**2))
        return Lag(mean, sd, u, n, drift if sure else 0.0, float(np.hypot(t * error, bend)))
    mean, sd = spread(values)
    n = len(values)
    t = float(scipy.stats.t.ppf(0.975, n - 1))
    of_mean = float(t * sd / np.sqrt(n))
    return Lag(mean, sd, float(np.hypot(of_mean, 2.0 * delay_u_ms)), n, 0.0, of_mean)


def sd_uncertainty(sd: float, n: int, own_variance: float) -> float:
    """Return the expanded uncertainty (95 %) of a standard deviation of n values, in their unit.

    The wider side of its interval by chi square, and as much of it as the measuring itself may have made
    (own_variance): what is taken off for that is not sure.
    """
    wide = sd * (math.sqrt((n - 1) / float(scipy.stats.chi2.ppf(0.025, n - 1))) - 1.0)
    return wide + (sd - math.sqrt(max(0.0, sd**2 - own_variance)))


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


def slow_rise(window: Window) -> float | None:
    """Rise rate of a long slow stroke, newtons a ms, between a third and the end of it; None where it does not rise."""
    t, y = window.time_ms, window.force_N
    rising = t <= window.cut_ms
    t, y = t[rising], y[rising]
    if len(t) < 20:
        return None
    low, high = float(np.median(y[:5])), float(np.median(y[-5:]))
    above = np.flatnonzero(y < low + 0.35 * (high - low))
    used = slice(int(above[-1]) + 1 if len(above) else 0, None)
    t, y = t[used], y[used]
    if len(t) < 8:
        return None
    every = max(1, len(t) // 200)
    slope, _ = _steady(t[::every], y[::every])
    return slope if slope > 0 else None
