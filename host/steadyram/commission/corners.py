"""Where the flow of one stroke began and ended, and how fast the reading rose in between.

One model for the whole stroke against a dead stop: reading = level before + rate * (ramp begun - ramp ended), with the
corners' shape of `dynamics`. Robust least squares: a coil's edge puts a spike of a few samples into the reading, which
a median of three lets pass where it is two samples long; here a sample counts less the further it is off, and what is
off by more than six robust deviations is left out (Rousseeuw and Leroy's rule of thumb is 2.5; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from steadyram.commission.dynamics import Samples, Shape
from steadyram.late import np, scipy

_OUT_MADS = 6.0
# Standard error of the sensor's delay where no corner shows it, ms: transducer and line together 1 to 11 ms (common
# practice, no source).
UNSEEN_DELAY_U_MS = 3.0
# Standard deviation from a median absolute deviation, normal noise.
_MAD_SD = 1.4826


@dataclass(frozen=True)
class Window:
    """One stroke, ready to be fitted: times in ms after the command on, forces in newtons as indicated; at_s: when."""

    time_ms: Samples
    force_N: Samples
    cut_ms: float
    leak_per_ms: float = 0.0
    at_s: float = 0.0


@dataclass(frozen=True)
class Corners:
    """What one stroke said. Times in ms after their commands, at equivalent full flow; rate in newtons a ms.

    begin_ms: None where the stroke shows no level before its rise; level_N, top_N: before and after; rms_N: of the
    residuals.
    """

    begin_ms: float | None
    end_ms: float
    rate: float
    level_N: float
    top_N: float
    rms_N: float


def noise_N(force_N: Samples) -> float:
    """Return the standard deviation of one sample from differences of neighbours, spikes and slopes left aside."""
    steps = np.diff(force_N)
    if len(steps) < 4:
        return 0.0
    # The median deviation of a coarse converter's steps is a whole number of them, so it only says what is wild.
    off = np.abs(steps - np.median(steps))
    kept = steps[off <= _OUT_MADS * max(_MAD_SD * float(np.median(off)), float(np.mean(off)))]
    return float(np.std(kept) / np.sqrt(2.0))


def spread(values: Sequence[float] | Samples) -> tuple[float, float]:
    """Return median and standard deviation of values without the wild ones (beyond 5 robust deviations)."""
    data = np.asarray(values, dtype=np.float64)
    middle = float(np.median(data))
    scale = _MAD_SD * float(np.median(np.abs(data - middle)))
    kept = data[np.abs(data - middle) <= 5.0 * scale + 1e-12] if len(data) > 4 else data
    return float(np.mean(kept)), float(np.std(kept, ddof=1)) if len(kept) > 1 else 0.0


def fit_corners(window: Window, shape: Shape, noise: float) -> Corners | None:
    """Fit both corners of a stroke from a held level to a held level; None where there is no clear rise.

    noise: standard deviation of one sample, newtons.
    """
    t, y = window.time_ms, window.force_N
    cut = window.cut_ms
    if len(t) < 40:
        return None
    level = float(np.median(y[t < 8.0])) if (t < 8.0).sum() >= 3 else float(y[0])
    tail = y[t > t[-1] - 30.0]
    top = float(np.median(tail))
    if top - level < 12.0 * noise:
        return None
    half = t[np.flatnonzero(y > level + 0.5 * (top - level))]
    if not len(half):
        return None
    middle = float(half[0])
    inner = t[(y > level + 0.2 * (top - level)) & (y < level + 0.8 * (top - level))]
    width = max(2.0, (float(inner[-1]) - float(inner[0])) / 0.6) if len(inner) > 1 else 2.0
    start = [
        max(0.5, middle - width / 2 - shape.delay_ms),
        max(0.5, middle + width / 2 - shape.delay_ms - cut),
        (top - level) / width,
        level,
    ]

    def model(p: Samples) -> Samples:
        end = p[1] + cut
        up = p[2] * (shape.ramp(t - p[0]) - shape.ramp(t - end))
        lost = window.leak_per_ms * (p[3] + up) * np.maximum(t - end, 0.0)
        return np.asarray(p[3] + up - lost, dtype=np.float64)

    found = _robust(model, y, start, noise)
    if found is None:
        return None
    begin, end, rate, base = found
    longest = float(t[-1])
    if not (0.0 < begin < longest and end > 0.0 and begin < end + cut < longest - 5.0 and rate > 0.0):
        return None
    rms = float(np.sqrt(np.mean((model(found) - y) ** 2)))
    return Corners(begin, end, rate, base, base + rate * (end + cut - begin), rms)


def fit_end(window: Window, shape: Shape, noise: float, before_ms: float = 40.0) -> Corners | None:
    """Fit the end of flow alone, from the last `before_ms` of a steady rise before the command on."""
    t, y = window.time_ms, window.force_N
    cut = window.cut_ms
    kept = t > cut - before_ms
    t, y = t[kept], y[kept]
    rising = t < cut + 2.0
    if rising.sum() < 12 or len(t) < 40:
        return None
    rate = float(np.polyfit(t[rising], y[rising], 1)[0])
    top = float(np.median(y[t > t[-1] - 30.0]))
    # (A coil's edge comes with the command: two samples may be anything.)
    here = float(np.median(y[rising][-9:]))
    if rate <= 0 or rate * before_ms < 8.0 * noise or top - here < noise:
        return None

    def model(p: Samples) -> Samples:
        end = p[0] + cut
        flat = p[2] - p[1] * shape.remaining_soon(t - end)
        return np.asarray(flat - window.leak_per_ms * p[2] * np.maximum(t - end, 0.0), dtype=np.float64)

    found = _robust(model, y, [max(0.5, (top - here) / rate - shape.delay_ms), rate, top], noise)
    if found is None:
        return None
    end, rate, top = found
    if not 0.0 < end < t[-1] - cut - 5.0 or rate <= 0:
        return None
    rms = float(np.sqrt(np.mean((model(found) - y) ** 2)))
    return Corners(None, end, rate, top - rate * (end + before_ms), top, rms)


def _robust(model: object, y: Samples, start: list[float], noise: float) -> Samples | None:
    """Fit with a loss that grows linearly far out, leave out what is wild, fit again."""
    assert callable(model)
    kept = np.ones(len(y), dtype=bool)
    p = np.asarray(start, dtype=np.float64)
    scale = np.maximum(np.abs(p), 1.0)
    for _ in range(2):

        def off(q: Samples) -> Samples:
            return np.asarray((model(q) - y)[kept], dtype=np.float64)  # noqa: B023

        found = scipy.optimize.least_squares(
            off, p, loss="soft_l1", f_scale=2.0 * max(noise, 1e-9), x_scale=scale, max_nfev=120
        )
        p = np.asarray(found.x, dtype=np.float64)
        left = np.asarray(model(p) - y, dtype=np.float64)
        mad = max(_MAD_SD * float(np.median(np.abs(left[kept]))), noise)
        wild = np.abs(left) > _OUT_MADS * mad
        if not wild.any() or (~wild).sum() < len(start) + 8:
            break
        kept = ~wild
    return p if np.isfinite(p).all() else None


def fit_shape(
    windows: list[Window], first: Shape, noise: float, lead: tuple[float, float] = (0.3, 1.5)
) -> tuple[Shape, float]:
    """Find the corners' shape that several ends of flow share; also return the standard error of its delay, ms.

    The delay of the sensor and the valve's lag can be told apart by the corner's form alone, so weak priors say what
    transducers, spools and lines are like (tau 1 to 5 ms, with a line that
    does not swing 1 to 8 ms; slew below 20 ms, line 20 to 100 Hz with damping 0.2 to 0.7,
    common practice, no source). A line must earn its two figures (Schwarz's criterion).

    lead: what is known of the line's drop (ms of rise, standard error).
    """
    shape, error = first, UNSEEN_DELAY_U_MS
    for _ in range(3):
        pooled = _pooled_end(windows, shape, noise)
        if pooled is None:
            return first, UNSEEN_DELAY_U_MS
        found = [_shape_of(pooled, shape, line, lead) for line in (False, True)]
        charge = 2.0 * float(np.log(len(pooled.time_ms)))
        plain, lined = found
        cost, shape, error = lined if lined[0] + charge < plain[0] else plain
        del cost
    return shape, error


@dataclass(frozen=True)
class _Pooled:
    """Ends of flow laid over each other: what was still to come, ms of flow, against time from the corner."""

    time_ms: Samples
    left_ms: Samples
    sd_ms: Samples


def _pooled_end(windows: list[Window], shape: Shape, noise: float) -> _Pooled | None:
    times, left, sds = [], [], []
    for window in windows:
        corner = fit_corners(window, shape, noise)
        if corner is None:
            continue
        t = window.time_ms - window.cut_ms - corner.end_ms - shape.delay_ms
        lost = window.leak_per_ms * corner.top_N * np.maximum(t, 0.0)
        kept = (
            (t > -20.0) & (t < 110.0) & (window.time_ms > 8.0 + (corner.begin_ms or 0.0) + shape.settled_ms)
        )
        times.append(t[kept])
        left.append((corner.top_N - window.force_N - lost)[kept] / corner.rate)
        sds.append(np.full(int(kept.sum()), noise / corner.rate))
    if not times or sum(map(len, times)) < 60:
        return None
    t, z, sd = np.concatenate(times), np.concatenate(left), np.concatenate(sds)
    bins = np.round(t).astype(int)
    out = []
    for b in range(int(bins.min()), int(bins.max()) + 1):
        here = bins == b
        if here.sum() < 1:
            continue
        # A median over strokes: a spike after one coil's edge comes at the same time in all, so it is left to the loss.
        out.append(
            (
                float(np.mean(t[here])),
                float(np.median(z[here])),
                float(np.mean(sd[here]) / np.sqrt(here.sum())),
            )
        )
    table = np.asarray(out)
    return _Pooled(table[:, 0], table[:, 1], np.maximum(table[:, 2] * 1.25, 0.02))


def _shape_of(
    pooled: _Pooled, first: Shape, line: bool, lead: tuple[float, float]
) -> tuple[float, Shape, float]:
    """Fit one shape to pooled ends; return twice the cost, the shape and its delay's standard error."""
    start = [max(first.tau_ms, 1.5), max(first.slew_ms, 4.0), 0.0, 0.0, 1.0, lead[0]]
    start += [np.log(45.0), np.log(0.4)] if line else []

    def shape_of(p: Samples) -> Shape:
        if line:
            hz, damping = float(np.exp(p[6])), float(np.exp(p[7]))
            return Shape(abs(float(p[0])), abs(float(p[1])), hz, damping, abs(float(p[5])))
        return Shape(abs(float(p[0])), abs(float(p[1])), lead_ms=abs(float(p[5])))

    def off(p: Samples) -> Samples:
        shape = shape_of(p)
        curve = p[3] + p[4] * shape.remaining(pooled.time_ms - p[2] + shape.delay_ms)
        prior = [
            (p[0] - (2.5 if line else 4.0)) / (1.5 if line else 2.2),
            p[1] / 10.0,
            p[2] / 3.0,
            p[3] / 1.0,
            (p[4] - 1.0) / 0.05,
        ]
        prior += [(p[5] - lead[0]) / lead[1]]
        if line:
            prior += [(p[6] - np.log(45.0)) / 0.6, (p[7] - np.log(0.4)) / 0.5]
        return np.concatenate([(curve - pooled.left_ms) / pooled.sd_ms, np.asarray(prior)])

    found = scipy.optimize.least_squares(off, start, loss="soft_l1", f_scale=3.0, max_nfev=40)
    p = np.asarray(found.x)
    shape = shape_of(p)
    cost = 2.0 * float(found.cost)
    try:
        jac = np.asarray(found.jac, dtype=np.float64)
        cov = np.linalg.inv(jac.T @ jac)
    except np.linalg.LinAlgError:
        return cost, shape, UNSEEN_DELAY_U_MS
    step, grad = 1e-3, np.zeros(len(p))
    for i in (0, 1, 5) + ((6, 7) if line else ()):
        moved = p.copy()
        moved[i] += step
        grad[i] = (shape_of(moved).delay_ms - shape.delay_ms) / step
    # Residuals of neighbours hang together where the form is only nearly right: the error is widened by their size.
    chi = max(1.0, cost / max(1, len(pooled.time_ms) - len(p)))
    error = float(np.sqrt(max(0.0, float(grad @ cov @ grad)) * chi))
    return cost, shape, float(np.hypot(min(UNSEEN_DELAY_U_MS, max(1.8, 2.0 * error)), lead[1]))
