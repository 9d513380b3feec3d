"""Reading valve lags, rise rates and the sensor's lag off 1 kHz samples of a stroke against a dead stop.

A rise that begins (ends) at an unknown time is two straight lines; behind a first-order sensor of time
constant tau both corners are rounded and the ramp lags by tau (measurement textbooks: a ramp of slope g is
read g*tau low once the start has died away). The fits use that model, least squares in force and time.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

Samples = NDArray[np.float64]


@dataclass(frozen=True)
class Corner:
    """time_ms: when the flow began or ended, after the command; rate: counts/ms; tau_ms: sensor lag; rms: counts."""

    time_ms: float
    rate: float
    tau_ms: float
    rms: float


def _ramp(t: Samples, rate: float, tau: float) -> Samples:
    """Response of a first-order lag to a ramp that starts at t = 0: rate (t - tau (1 - exp(-t/tau)))."""
    after = np.maximum(t, 0.0)
    if tau < 1e-3:
        return rate * after
    bent: Samples = rate * (after - tau * (1.0 - np.exp(-after / tau)))
    return bent


def fit_end(fine: Samples, cut: int, longest_ms: int, tau_ms: float | None = None) -> Corner | None:
    """End of flow: rise before `cut`, level after. None when there is no clear rise or no level.

    fine: counts at 1 kHz; cut: index of the step in which the valve was told to close.
    """
    first = max(0, cut - 40)
    last = min(len(fine), cut + longest_ms)
    y = fine[first:last]
    t = np.arange(first, last, dtype=float) - cut
    before = t <= 2
    if before.sum() < 12:
        return None
    rate = float(np.polyfit(t[before][-25:], y[before][-25:], 1)[0])
    level = float(np.median(y[-max(10, len(y) // 6) :]))
    noise = float(np.std(y[-max(10, len(y) // 6) :])) + 1.0
    if rate * 20 < 4 * noise or level - float(np.mean(y[before][-6:])) < 2 * noise:
        return None
    tau0 = 2.0 if tau_ms is None else tau_ms
    end0 = (level - float(np.mean(y[before][-8:]))) / rate - 2.0

    def model(p: Samples) -> Samples:
        end, slope, top, tau = p[0], p[1], p[2], tau0 if tau_ms is not None else abs(p[3])
        # A long ramp lags by tau; at `end` it stops: level minus what is still missing.
        ramp = top + slope * (t - end) - slope * tau
        tail = top - slope * tau * np.exp(-np.maximum(t - end, 0.0) / max(tau, 1e-3))
        both: Samples = np.where(t < end, ramp, tail)
        return both

    def off(p: Samples) -> Samples:
        return (model(p) - y)[keep]

    # The rise is straight only near its end: take the last 25 ms before the cut on.
    keep = t > -25
    found = scipy.optimize.least_squares(
        off,
        [end0, rate, level, tau0],
        loss="soft_l1",
        f_scale=2 * noise,
        max_nfev=200,
    )
    end, slope, _, tau = found.x
    if not 0 < end < longest_ms or slope <= 0:
        return None
    rms = float(np.sqrt(np.mean((model(found.x) - y)[keep] ** 2)))
    return Corner(float(end), float(slope), float(abs(tau) if tau_ms is None else tau_ms), rms)


def fit_drop(fine: Samples, cut: int, longest_ms: int) -> Corner | None:
    """End of flow of an open-centre valve: the force is lost at once, so the reading turns where the flow ended."""
    first, last = max(0, cut - 30), min(len(fine), cut + longest_ms)
    if cut - first < 10:
        return None
    top = cut + int(np.argmax(fine[cut:last]))
    rate = float(np.polyfit(np.arange(first, cut), fine[first:cut], 1)[0])
    if rate <= 0 or top <= cut or top >= last - 2:
        return None
    return Corner(float(top - cut), rate, 0.0, 0.0)


def fit_start(start: Samples, longest_ms: int, tau_ms: float, dt_ms: float = 1.0) -> Corner | None:
    """Begin of flow against a dead stop: level first, then a rise.

    start: counts from the command on, `dt_ms` apart; longest_ms: latest start believed. None when no rise is seen.
    """
    if len(start) < 20:
        return None
    base = float(np.mean(start[:8]))
    noise = float(np.std(start[:8])) + 1.0
    above = np.flatnonzero(start > base + 8 * noise)
    if not len(above):
        return None
    first = int(above[0])
    last = min(len(start), first + 22)
    y = start[:last]
    # The first sample is taken in the step that gives the command.
    t = np.arange(0, last, dtype=float) * dt_ms
    rate0 = max(1.0, float(np.polyfit(t[first:], y[first:], 1)[0]) if last - first > 3 else 50.0)

    def model(p: Samples) -> Samples:
        bent: Samples = p[1] + _ramp(t - p[0], p[2], tau_ms)
        return bent

    def off(p: Samples) -> Samples:
        return model(p) - y

    found = scipy.optimize.least_squares(
        off,
        [max(1.0, (first - 3.0) * dt_ms), base, rate0],
        loss="soft_l1",
        f_scale=2 * noise,
        max_nfev=200,
    )
    begin, _, rate = found.x
    if not 0 < begin < longest_ms or rate <= 0:
        return None
    return Corner(float(begin), float(rate), tau_ms, float(np.sqrt(np.mean((model(found.x) - y) ** 2))))


def two_rates(time_ms: Samples, counts: Samples, noise: float) -> tuple[float, float, float]:
    """Rise rates below and above the changeover, counts/ms, and the reading where they meet (0 = single stage).

    time_ms, counts: one rise against a dead stop, from its first rise on.
    """
    if len(time_ms) < 8:
        slope = float(np.polyfit(time_ms, counts, 1)[0]) if len(time_ms) > 2 else 0.0
        return slope, slope, 0.0
    best = (np.inf, 0, 0.0, 0.0)
    line = np.polyfit(time_ms, counts, 1)
    single = float(np.sum((np.polyval(line, time_ms) - counts) ** 2))
    for k in range(3, len(time_ms) - 3):
        low = np.polyfit(time_ms[:k], counts[:k], 1)
        high = np.polyfit(time_ms[k:], counts[k:], 1)
        cost = float(
            np.sum((np.polyval(low, time_ms[:k]) - counts[:k]) ** 2)
            + np.sum((np.polyval(high, time_ms[k:]) - counts[k:]) ** 2)
        )
        if cost < best[0]:
            meet = (high[1] - low[1]) / (low[0] - high[0]) if abs(low[0] - high[0]) > 1e-9 else 0.0
            best = (cost, k, float(np.polyval(low, meet)), 0.0)
            rates = (float(low[0]), float(high[0]))
    if best[0] > 0.3 * single or rates[1] > 0.9 * rates[0]:
        return float(line[0]), float(line[0]), 0.0
    return rates[0], rates[1], best[2]
