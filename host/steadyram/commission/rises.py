"""Rise rates on the block and the pump's changeover, from strokes that come down on it and go on to high force.

Each stroke gives its own rates; their scatter is the pump's. Whether the pump has two stages is decided by a test: in
each stroke the two-rate model must be better than the one-rate model beyond what noise and two more figures explain
(F test), the strokes must agree on where, and the rate above must be lower beyond its own uncertainty (Student).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal, TypeAlias

from steadyram.commission.corners import Window, spread
from steadyram.commission.dynamics import Shape
from steadyram.config import preferences
from steadyram.late import np, scipy

if TYPE_CHECKING:
    from numpy.typing import NDArray

Samples: TypeAlias = "NDArray[np.float64]"

# A rate above the changeover within this share of the one below it counts as the same stage.
_SAME_RATE = 0.92
_LEAST_SAMPLES = 6
_MOST_SAMPLES = 150
_UNSEEN_MS = 8.0
# What is shorter than this may be the reading's own swing at contact, or at the command to close, and no stage of the
# pump, ms: line and transducer (20 to 100 Hz, damping 0.2 to 0.7, 1 to 5 ms: common practice, no source).
_STAGE_MS = 18.0
# A shorter first stage is believed where it is clearly a pump's: two-stage pumps deliver 1 to 2.5 L/min after 6 to 12
# (common practice, no source), a swing makes a few per cent, or a step that is over at once.
_SHORT_STAGE_MS = 8.0
_CLEAR_STAGE = 0.6


@dataclass(frozen=True)
class Rise:
    """One stroke's rise: rates in newtons a ms below and above `turn_N` (None: one rate).

    low_N, high_N: forces that it covers; gain: cost of the one-rate model over that of two rates; samples: used.
    """

    low: float
    high: float
    turn_N: float | None
    gain: float
    samples: int
    low_N: float
    high_N: float
    contact_ms: float


@dataclass(frozen=True)
class Rates:
    """What all rises say together. u_*: expanded relative uncertainty (95 %); stages: 1, 2 or None (cannot be told)."""

    low: float
    high: float
    u_low: float
    u_high: float
    turn_N: float | None
    u_turn_N: float | None
    stages: Literal[1, 2] | None
    seen_to_N: float
    seen_from_N: float
    why: str
    # Relative standard deviation of one stroke's rate: what a figure that was taken in a single stroke may be off by.
    stroke_sd: float = 0.01


def fit_rise(
    window: Window, shape: Shape, free_N: float, noise: float, floor_N: float, held_N: float | None = None
) -> Rise | None:
    """Fit one and two rates to a stroke's rise between contact and the command to close.

    free_N: reading in free travel; floor_N: what lies within this of it may still be friction or the block's bedding;
    held_N: reading in free travel without flow.
    """
    t, y = window.time_ms, window.force_N
    up = t <= window.cut_ms + 2.0
    t, y = t[up], y[up]
    bottom = free_N + max(floor_N, 4.0 * noise)
    below = np.flatnonzero(y < bottom)
    first = int(below[-1]) + 1 if len(below) else 0
    if len(t) - first < _LEAST_SAMPLES or float(np.max(y[-3:])) < bottom + 10.0 * noise:
        return None
    # Nothing of the flow changes at contact, so the line's drop is in both levels; at the changeover it falls.
    edge = replace(shape, slew_ms=0.0)
    early = slice(first, min(len(t), first + 5))
    steep = float(np.polyfit(t[early], y[early], 1)[0])
    if steep <= 0:
        return None
    contact = float(t[first]) - (float(y[first]) - free_N) / steep - edge.delay_ms - edge.lead_ms
    # A little of the free travel belongs to the fit: it holds contact where it is.
    used = t > contact + edge.delay_ms + edge.lead_ms - 15.0
    ts, ys = t[used], y[used]
    if len(ts) > 2 * _MOST_SAMPLES:
        # Pairs of neighbours: half the samples, the same information.
        n = len(ts) // 2 * 2
        ts, ys = ts[:n].reshape(-1, 2).mean(axis=1), ys[:n].reshape(-1, 2).mean(axis=1)
    whole = float(np.polyfit(t[first:], y[first:], 1)[0])
    one = _fit(ts, ys, edge, [contact, whole if whole > 0 else steep], free_N, noise)
    two = None
    if len(ts) >= 2 * _LEAST_SAMPLES:
        for turn in _turns(ts, ys, first_ms=float(t[first]), free_N=free_N):
            late = ts > turn
            high = float(np.polyfit(ts[late], ys[late], 1)[0])
            tried = _fit(
                ts, ys, edge, [contact, steep, turn - edge.delay_ms, max(high, 0.02 * steep)], free_N, noise
            )
            if tried is None or not _is_stage(tried[1], window.cut_ms, edge):
                continue
            if two is None or tried[0] < two[0]:
                two = tried
    best = two if two is not None and (one is None or two[0] < one[0]) else one
    if best is None:
        return None
    cost, p = best
    seen = float(np.min(ys)), float(np.max(ys[-3:]))
    if best is one or len(p) < 4:
        return Rise(p[1], p[1], None, 0.0, len(ts), *seen, p[0])
    before = one[0] if one is not None else np.inf
    gain = (before - cost) / max(cost / max(1, len(ts) - 5), 1e-12)
    level = free_N if held_N is None else held_N
    return Rise(p[1], p[3], level + p[1] * (p[2] - p[0]), gain, len(ts), *seen, p[0])


def _is_stage(p: tuple[float, ...], cut_ms: float, edge: Shape) -> bool:
    """Return whether both rates last long enough to be a pump's. p: contact, rate, changeover, rate above it."""
    lasts_ms = p[2] - p[0]
    if lasts_ms < _SHORT_STAGE_MS or (lasts_ms < _STAGE_MS and p[3] > _CLEAR_STAGE * p[1]):
        return False
    return cut_ms - edge.delay_ms - p[2] > _UNSEEN_MS


def _turns(t: Samples, y: Samples, *, first_ms: float, free_N: float) -> list[float]:
    """Return times to try for the changeover: spread over the samples of the rise, and over its force."""
    rise = np.flatnonzero(t >= first_ms)
    if len(rise) < _LEAST_SAMPLES:
        return []
    lowest, highest = rise[2], rise[-3]
    by_sample = t[np.unique(np.linspace(lowest, highest, 4).astype(int))]
    levels = free_N + (float(y[rise[-1]]) - free_N) * np.linspace(0.12, 0.85, 4)
    by_force = [float(t[rise[np.argmax(y[rise] >= level)]]) for level in levels]
    times = sorted({*map(float, by_sample), *by_force})
    return [each for each in times if t[lowest] <= each <= t[highest]]


def _fit(
    t: Samples, y: Samples, edge: Shape, start: list[float], free_N: float, noise: float
) -> tuple[float, tuple[float, ...]] | None:
    """Fit contact and rate, and where given changeover and the rate above it; return cost and figures."""
    two = len(start) == 4
    scale = [1.0, start[1], 1.0, start[1]][: len(start)]

    meets = replace(edge, lead_ms=0.0)

    def off(p: Samples) -> Samples:
        curve = free_N + p[1] * meets.ramp(t - p[0])
        if two:
            curve = curve + (p[3] - p[1]) * edge.ramp(t - p[2])
        return np.asarray((curve - y) / noise, dtype=np.float64)

    found = scipy.optimize.least_squares(off, start, loss="soft_l1", f_scale=4.0, x_scale=scale, max_nfev=60)
    p = tuple(float(v) for v in found.x)
    if p[1] <= 0 or (two and (p[3] <= 0 or not p[0] < p[2] < t[-1])):
        return None
    return 2.0 * float(found.cost), p


def together(
    rises: Sequence[Rise], calibration_u: float, level_u_N: float, delay_u_ms: float = 0.0
) -> Rates | None:
    """Combine the strokes' rises; None without two of them.

    calibration_u: relative standard uncertainty of the calibration's slope; level_u_N: standard uncertainty of a level;
    delay_u_ms: of the sensor's delay, which matters where a stage lasts a few milliseconds only.
    """
    if len(rises) < 2:
        return None
    # A change in the last few milliseconds before the command to close cannot be seen.
    seen_to = float(max(r.high_N - _UNSEEN_MS * r.high for r in rises))
    seen_from = float(np.median([r.low_N for r in rises]))
    turned = [r for r in rises if r.turn_N is not None and r.high < _SAME_RATE * r.low]
    # F test with two more figures; residuals of neighbours hang together, so a quarter of the samples count.
    sure = [r for r in turned if scipy.stats.f.sf(r.gain / 2.0, 2, max(3, r.samples // 4)) < 0.01]
    if len(sure) >= 2:
        turn, turn_sd = spread([r.turn_N or 0.0 for r in sure])
        # A stroke that ends below the changeover, or just above it, says nothing against it.
        able = [r for r in rises if r.high_N > 1.25 * turn]
        only_low = [r for r in rises if r not in sure and r.high_N < 0.98 * turn]
        low, low_sd = spread([r.low for r in sure] + [r.low for r in only_low])
        high, high_sd = spread([r.high for r in sure])
        n = len(sure)
        apart = turn_sd < 0.2 * (seen_to - seen_from) and turn_sd < 0.25 * max(turn, 1.0)
        u_low, u_high = (
            _relative(low, low_sd, n + len(only_low), calibration_u),
            _relative(high, high_sd, n, calibration_u),
        )
        u_low = float(np.hypot(u_low, 2.0 * delay_u_ms * low / max(turn - seen_from, 1.0)))
        u_high = float(np.hypot(u_high, 2.0 * delay_u_ms * high / max(seen_to - turn, 1.0)))
        agreed = len([r for r in able if r in sure]) > 0.6 * len(able)
        if agreed and apart and high * (1 + u_high) < low * (1 - min(0.9, u_low)):
            why = f"{n} of {len(able)} strokes show two rates and agree on where they meet"
            u_turn = float(scipy.stats.t.ppf(0.975, n - 1)) * turn_sd / np.sqrt(n)
            u_turn = float(np.hypot(u_turn, 2.0 * level_u_N) + 0.01 * turn)
            return Rates(low, high, u_low, u_high, turn, u_turn, 2, seen_to, seen_from, why, high_sd / high)
    one = [_single(r) for r in rises]
    rate, sd = spread(one)
    u = _relative(rate, sd, len(one), calibration_u)
    u = float(np.hypot(u, 2.0 * delay_u_ms * rate / max(seen_to - seen_from, 1.0)))
    show = preferences().force
    if not turned or len(turned) <= 0.3 * len(rises):
        why = (
            f"one rate from {show(seen_from, 3)} to {show(seen_to, 3)} in {len(rises) - len(turned)} strokes"
        )
        return Rates(rate, rate, u, u, None, None, 1, seen_to, seen_from, why, sd / rate)
    steep = max(max(r.low, r.high) for r in rises)
    why = "the strokes disagree on whether, or where, the rate changes; the steepest rate seen is taken for all forces"
    u = max(u, 1.0 - min(r.high for r in rises) / steep)
    return Rates(steep, steep, u, u, None, None, None, seen_to, seen_from, why, sd / rate)


def _single(rise: Rise) -> float:
    """One rate for a stroke whose two rates are the same within what is told apart: weighted by their spans."""
    if rise.turn_N is None:
        return rise.low
    span = rise.high_N - rise.low_N
    share = min(1.0, max(0.0, (rise.turn_N - rise.low_N) / span)) if span > 0 else 0.0
    return 1.0 / (share / rise.low + (1.0 - share) / rise.high)


def _relative(mean: float, sd: float, n: int, calibration_u: float) -> float:
    """Expanded relative uncertainty of a mean of n strokes, the calibration's slope included."""
    t = float(scipy.stats.t.ppf(0.975, max(1, n - 1)))
    return float(np.hypot(t * sd / np.sqrt(n) / mean, 2.0 * calibration_u)) if mean > 0 else 1.0
