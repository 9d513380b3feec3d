"""Free travel before the block: seal friction and its scatter, breakaway, and how the zero wanders between strokes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from steadyram.commission.corners import spread
from steadyram.commission.dynamics import Samples
from steadyram.late import np, scipy

_LEAST_TRAVEL_MS = 25.0
_STROKE_SHARE = 0.12


@dataclass(frozen=True)
class Travel:
    """One stroke's free travel, newtons as indicated: rest before it, level while the ram runs, peak at its start.

    held_N: while it stood on its way, without flow; what free_N is above it is the line's pressure drop.
    """

    rest_N: float
    held_N: float | None
    free_N: float | None
    peak_N: float | None


@dataclass(frozen=True)
class Friction:
    """Newtons; None is unknown. u_*: expanded uncertainty (95 %)."""

    running_N: float | None
    u_running_N: float | None
    scatter_N: float | None
    u_scatter_N: float | None
    breakaway_N: float | None
    u_breakaway_N: float | None
    wander_N: float | None
    u_wander_N: float | None


def read_travel(
    time_ms: Samples,
    force_N: Samples,
    rest_N: float,
    held_N: float | None,
    opens_ms: float,
    contact_ms: float,
    delay_ms: float,
) -> Travel:
    """Read one stroke's free travel between the valve's opening and contact (ms after the command).

    Where the run is too short for its level to be seen, the level is None. The first milliseconds after the opening
    hold the start of the ram; what peaks there and lasts longer than the sensor's lag is the breakaway.
    """
    begin, end = opens_ms + 3.0 * delay_ms + 5.0, contact_ms - 3.0
    run = (time_ms > begin + 0.3 * max(0.0, end - begin)) & (time_ms < end)
    if end - begin < _LEAST_TRAVEL_MS or run.sum() < 5:
        return Travel(rest_N, held_N, None, None)
    free = float(np.median(force_N[run]))
    start = (time_ms > 0.6 * opens_ms) & (time_ms < end)
    y = force_N[start]
    if len(y) < 7:
        return Travel(rest_N, held_N, free, None)
    # Spikes of two samples do not survive a median of five.
    smooth = np.array([np.median(y[i : i + 5]) for i in range(len(y) - 4)])
    return Travel(rest_N, held_N, free, float(np.max(smooth)))


def friction_of(
    travels: Sequence[Travel], noise_N: float, delay_ms: float, rise_ms: float | None
) -> Friction:
    """Combine the strokes. rise_ms: how long the pressure took from rest to the running level, None if not seen."""
    n = len(travels)
    wander = u_wander = running = u_running = scatter = u_scatter = breakaway = u_breakaway = None
    if n >= 4:
        _, sd = spread([t.rest_N for t in travels])
        wander = sd
        u_wander = _sd_uncertainty(sd, n)
    # Without a stop on the way the line's drop is in it: more than the friction there is, said as its uncertainty.
    stood = [t.held_N - t.rest_N for t in travels if t.held_N is not None]
    ran = [t.free_N - t.rest_N for t in travels if t.free_N is not None]
    runs = stood if len(stood) >= 4 else ran
    if len(runs) >= 4:
        m = len(runs)
        running, sd = spread(runs)
        # Each run's rest is the zero of another stroke: what wanders there is no friction.
        sd = float(np.sqrt(max(0.0, sd**2 - 2.0 * (wander or 0.0) ** 2 - (noise_N / 4.0) ** 2)))
        of_mean = float(np.hypot(sd, 1.5 * (wander or 0.0)))
        u_running = float(scipy.stats.t.ppf(0.975, m - 1)) * of_mean / np.sqrt(m) + 0.1 * noise_N
        # A handful of strokes may agree by luck: friction differs by 10 to 20 % between strokes (common practice).
        u_running = max(u_running, 2.0 * _STROKE_SHARE * running / float(np.sqrt(m)))
        if runs is ran:
            u_running = max(u_running, 0.7 * running)
        scatter, u_scatter = sd, _sd_uncertainty(max(sd, noise_N / 4.0), m)
    peaks = [t.peak_N - t.free_N for t in travels if t.peak_N is not None and t.free_N is not None]
    if len(peaks) >= 4 and rise_ms is not None and rise_ms > 3.0 * delay_ms:
        m = len(peaks)
        mean, sd = spread(peaks)
        # The median of five samples of noise alone peaks at about this much over a run.
        above = mean - 1.2 * noise_N
        breakaway = max(0.0, above)
        u_breakaway = float(scipy.stats.t.ppf(0.975, m - 1)) * sd / np.sqrt(m) + noise_N
    return Friction(running, u_running, scatter, u_scatter, breakaway, u_breakaway, wander, u_wander)


def _sd_uncertainty(sd: float, n: int) -> float:
    """Expanded uncertainty of a standard deviation of n values (chi square, the wider side)."""
    return sd * (float(np.sqrt((n - 1) / scipy.stats.chi2.ppf(0.025, n - 1))) - 1.0)
