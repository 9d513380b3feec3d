"""The dead-stop test: what the press does with a command, measured through the device itself.

A solid block stands under the ram. Strokes of full and slow feed are cut at rising levels; from the 1 kHz
samples around each command come the lags and their jitter, the rise rates, the pump's changeover, the
sensor's lag and noise and the leak-down. Everything is measured in counts and turned into newtons by the
calibration in force.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from steadyram.commission.hands import Hands
from steadyram.commission.lags import Corner, fit_drop, fit_end, fit_start, two_rates
from steadyram.commission.strokes import Stroke, as_test, mean_counts, probe_stroke
from steadyram.device import Device
from steadyram.errors import CheckFailed

LONGEST_LAG_MS = 260
_PAUSE_MS = 200
# Time constant believed of a transducer whose lag a slow press cannot show (1 to 5 ms: common practice, no source).
UNSEEN_TAU_MS = 2.0


@dataclass
class Characteristics:
    """What was measured; times in seconds, forces in newtons, rates in newtons a second."""

    open_lag_s: float = 0.0
    close_lag_s: float = 0.0
    slow_open_lag_s: float = 0.0
    slow_close_lag_s: float = 0.0
    sensor_lag_s: float = 0.0
    jitter_s: float = 0.0
    rate_low_N_per_s: float = 0.0
    rate_high_N_per_s: float = 0.0
    rate_slow_N_per_s: float = 0.0
    changeover_N: float = 0.0
    noise_N: float = 0.0
    leak_per_s: float = 0.0
    strokes: int = 0
    open_samples_s: list[float] = field(default_factory=list)
    close_samples_s: list[float] = field(default_factory=list)

    def settings(self) -> dict[str, int]:
        """The device's settings that this test measures, in protocol units."""
        return {
            "char_valid": 1,
            "open_lag_us": round(1e6 * self.open_lag_s),
            "close_lag_us": round(1e6 * self.close_lag_s),
            "slow_open_lag_us": round(1e6 * self.slow_open_lag_s),
            "slow_close_lag_us": round(1e6 * self.slow_close_lag_s),
            "sensor_lag_us": round(1e6 * self.sensor_lag_s),
            "jitter_us": round(1e6 * self.jitter_s),
            "rate_low_n_s": round(self.rate_low_N_per_s),
            "rate_high_n_s": round(self.rate_high_N_per_s),
            "rate_slow_n_s": round(self.rate_slow_N_per_s),
            "changeover_n": round(self.changeover_N),
            "noise_n": max(1, round(self.noise_N)),
            "leak_ppm_s": max(0, round(1e6 * self.leak_per_s)),
            "coast_us": 0,
        }

    def to_json(self) -> dict[str, Any]:
        """The record for a file."""
        return asdict(self)


@as_test
def characterise(
    device: Device,
    hands: Hands,
    *,
    capacity_N: float,
    N_per_count: float,
    zero_counts: float,
    slow_fitted: bool,
    burst: bool,
    holds_load: bool = True,
    rounds: int = 5,
    progress: Callable[[int, int], None] = lambda done, of: None,
) -> Characteristics:
    """Run the test; the device is left with the ram at the top.

    N_per_count: slope of the calibration in force; burst: the flow comes in strokes (hand pump).
    Raises CheckFailed, LinkError, DeviceRefusal.
    """
    hands.use_block()
    hands.to_top()
    hands.wait(0.4)
    out = Characteristics()
    span = capacity_N / N_per_count
    top = zero_counts + 0.90 * span
    opens: list[Corner] = []
    closes: list[Corner] = []
    slow_opens: list[Corner] = []
    slow_closes: list[Corner] = []
    lows: list[tuple[float, float, float]] = []
    noises: list[float] = []
    total = rounds + (3 if slow_fitted else 0) + 1
    for turn in range(rounds):
        # Up in steps from a light touch to most of the capacity; the ram stays on the block between them.
        _back_off(device, hands, zero_counts + 0.03 * span)
        aim = zero_counts + (0.05 + 0.02 * turn) * span
        while aim < top:
            stroke = probe_stroke(device, hands, cut_counts=aim, pause_ms=_PAUSE_MS)
            out.strokes += 1
            _take(stroke, opens, closes, noises, holds_load=holds_load)
            here = mean_counts(device, hands, 1) if holds_load else aim
            if here < aim - 0.01 * span:
                break
            aim = max(aim, here) + (0.06 if holds_load else 0.12) * span
            if here > top:
                break
        progress(turn + 1, total)
    # One long rise from contact for rates and changeover.
    for share in (0.80, 0.60):
        hands.to_top()
        stroke = probe_stroke(device, hands, cut_counts=zero_counts + share * span, pause_ms=_PAUSE_MS)
        rise = _rise(stroke, zero_counts, 0.01 * span)
        if rise is not None:
            lows.append(rise)
    progress(rounds + 1, total)
    if not closes or (not opens and not burst):
        raise CheckFailed(
            "The strokes against the block show no clear rise: check that the ram meets the block, the pump runs "
            "and the relief valve is set above the calibration's lowest points."
        )
    held = mean_counts(device, hands, 4)
    hands.wait(3.0)
    later = mean_counts(device, hands, 4)
    if held - zero_counts > 0.05 * span:
        out.leak_per_s = max(0.0, (1 - (later - zero_counts) / (held - zero_counts)) / 3.26)
    if slow_fitted:
        _slow(device, hands, zero_counts, span, slow_opens, slow_closes, noises, out)
        progress(total, total)
    hands.to_top()
    _settle_figures(
        out, opens, closes, slow_opens, slow_closes, lows, noises, N_per_count, zero_counts, burst
    )
    return out


def _back_off(device: Device, hands: Hands, below: float) -> None:
    """Let the force down to a light touch (or a hair of air) by taps of the retract pedal."""
    for _ in range(80):
        if mean_counts(device, hands, 1) <= below:
            return
        hands.tap_retract(0.012)
        hands.wait(0.25)


def _take(
    stroke: Stroke, opens: list[Corner], closes: list[Corner], noises: list[float], *, holds_load: bool = True
) -> None:
    longest = LONGEST_LAG_MS - 20
    end = (
        fit_end(stroke.fine, stroke.cut, longest)
        if holds_load
        else fit_drop(stroke.fine, stroke.cut, longest)
    )
    if end is not None:
        closes.append(end)
    noises.append(float(np.std(np.diff(stroke.fine[-60:])) / math.sqrt(2)))
    if stroke.start_dt_s <= 0.004:
        begin = fit_start(stroke.start, LONGEST_LAG_MS, end.tau_ms if end else 2.0, stroke.start_dt_s * 1000)
        if begin is not None:
            opens.append(begin)


def _rise(stroke: Stroke, zero: float, margin: float) -> tuple[float, float, float] | None:
    y = stroke.start
    t = (np.arange(len(y), dtype=np.float64) + 1.0) * np.float64(stroke.start_dt_s * 1000.0)
    started = np.flatnonzero(y > zero + 2 * margin)
    if not len(started):
        return None
    first = int(started[0])
    # The record goes on after the cut: stop at the highest point less what was let in late.
    peak = float(np.max(y))
    ended = np.flatnonzero(y > zero + 0.94 * (peak - zero))
    last = int(ended[0]) if len(ended) else len(y)
    if last - first < 6:
        return None
    return two_rates(t[first:last], y[first:last], 1.0)


def _slow(
    device: Device,
    hands: Hands,
    zero: float,
    span: float,
    opens: list[Corner],
    closes: list[Corner],
    noises: list[float],
    out: Characteristics,
) -> None:
    for turn in range(3):
        _back_off(device, hands, zero + 0.05 * span)
        # Touch gently, then climb by slow strokes.
        probe_stroke(
            device, hands, slow=True, cut_counts=zero + 0.06 * span, pause_ms=_PAUSE_MS, collect=False
        )
        for step in range(4):
            here = mean_counts(device, hands, 1)
            stroke = probe_stroke(
                device, hands, slow=True, cut_counts=here + (0.02 + 0.01 * turn) * span, pause_ms=_PAUSE_MS
            )
            out.strokes += 1
            _take(stroke, opens, closes, noises)
            if step == 3:
                break


def _settle_figures(
    out: Characteristics,
    opens: list[Corner],
    closes: list[Corner],
    slow_opens: list[Corner],
    slow_closes: list[Corner],
    rises: list[tuple[float, float, float]],
    noises: list[float],
    N_per_count: float,
    zero: float,
    burst: bool,
) -> None:
    """Medians of the corners; jitter pooled over all actuations after the fits' own scatter is taken out."""
    tau = float(np.median([c.tau_ms for c in closes]))
    noise = float(np.median(noises))
    if burst and UNSEEN_TAU_MS * float(np.median([c.rate for c in closes])) < 6 * noise:
        # A rise this slow does not show the sensor's lag; what is taken for it comes off the valve's.
        tau = max(tau, UNSEEN_TAU_MS)
    out.sensor_lag_s = max(0.0, tau) / 1000
    out.noise_N = noise * N_per_count
    close_ms = np.array([c.time_ms + c.tau_ms - tau for c in closes])
    open_ms = np.array([c.time_ms for c in opens]) if opens else np.array([float(np.median(close_ms))])
    if burst:
        # Between bursts nothing flows, and the rise is too slow for a start to be placed: the valve is taken to open
        # as fast as it closes. The pulses' own bias is learned with the job.
        open_ms = np.array([float(np.median(close_ms))])
    out.close_lag_s = float(np.mean(_core(close_ms))) / 1000
    out.open_lag_s = float(np.mean(_core(open_ms))) / 1000
    out.open_samples_s = [round(float(v) / 1000, 6) for v in open_ms]
    out.close_samples_s = [round(float(v) / 1000, 6) for v in close_ms]
    spreads = [(_core(close_ms), closes)]
    if not burst and len(open_ms) > 3:
        spreads.append((_core(open_ms), opens))
    if slow_closes:
        sc = np.array([c.time_ms + c.tau_ms - tau for c in slow_closes])
        out.slow_close_lag_s = float(np.mean(_core(sc))) / 1000
        so = np.array([c.time_ms for c in slow_opens]) if slow_opens else open_ms
        out.slow_open_lag_s = float(np.mean(_core(so))) / 1000
        out.rate_slow_N_per_s = float(np.median([c.rate for c in slow_closes])) * 1000 * N_per_count
    pooled, weight = 0.0, 0
    for values, corners in spreads:
        if len(values) < 3:
            continue
        rate = float(np.median([c.rate for c in corners]))
        # One corner is located to about noise / (rate sqrt(20)); the step's own phase adds T^2/12.
        own = (noise / rate) ** 2 / 10 + 1.0 / 12.0
        pooled += (len(values) - 1) * max(0.0, float(np.var(values, ddof=1)) - own)
        weight += len(values) - 1
    out.jitter_s = math.sqrt(pooled / weight) / 1000 if weight else 0.001
    low = float(np.median([r[0] for r in rises])) if rises else float(np.median([c.rate for c in closes]))
    high = float(np.median([r[1] for r in rises])) if rises else low
    turns = [r[2] for r in rises if r[2] > 0]
    if burst:
        low = high = float(np.percentile([c.rate for c in closes], 75))
        turns = []
    out.rate_low_N_per_s = low * 1000 * N_per_count
    out.rate_high_N_per_s = high * 1000 * N_per_count
    if len(turns) * 2 > len(rises):
        out.changeover_N = (float(np.median(turns)) - zero) * N_per_count
    else:
        out.rate_low_N_per_s = out.rate_high_N_per_s = max(out.rate_low_N_per_s, out.rate_high_N_per_s)


def _core(values: np.ndarray[Any, np.dtype[np.float64]]) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Values without the wild ones (further than 4 median deviations and 4 ms from the median)."""
    middle = np.median(values)
    reach = max(4.0, 4 * 1.4826 * float(np.median(np.abs(values - middle))))
    kept: np.ndarray[Any, np.dtype[np.float64]] = values[np.abs(values - middle) <= reach]
    return kept
