"""What the valve does, read off the ram's travel: how far it goes on after each of a train of pulses in free travel.

A rise of force shows the sum of the valve's lag and the sensor's, and how it is shared between the two only by the
corner's shape. The ram itself shows the valve's lag alone, its scatter, too. Nothing may be in the ram's way.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from steadyram.commission.dynamics import Samples
from steadyram.late import np, scipy

# A pulse opens the spool fully and leaves so long a run at full speed, ms; the ram is at rest so long after its lag.
_RUN_MS, _REST_MS = 80, 100
PULSES = 12
# So many closings tell the lag; so many strokes are run for them where the free travel is short.
CLOSINGS, STROKES = 11, 6
_LEAST_CLOSINGS = 5
# Points of the trace that are halved when it is full.
_HALF = 256


@dataclass(frozen=True)
class Train:
    """Equal pulses in one stroke: how many, their width and the pause after each, ms."""

    pulses: int
    width_ms: int
    pause_ms: int

    def off_ms(self, number: int) -> int:
        """Return when pulse `number` (from 0) was told to close, ms after the stroke began: as the core counts."""
        return 1 + number * (self.width_ms + self.pause_ms) + self.width_ms


@dataclass(frozen=True)
class Coasting:
    """Milliseconds: mean lags, expanded uncertainty (95 %) of the closing lag, standard deviation of one closing.

    open_ms: None where no pulse followed another; own_ms: what the reading itself makes of the standard deviation.
    """

    close_ms: float
    open_ms: float | None
    u_ms: float
    sd_ms: float
    own_ms: float
    n: int

    def jitter_bounds_ms(self) -> tuple[float, float]:
        """Return the interval (95 %, chi square) of the valve's own standard deviation."""
        low, high = (
            self.sd_ms**2 * (self.n - 1) / float(scipy.stats.chi2.ppf(p, self.n - 1)) for p in (0.975, 0.025)
        )
        # (The reading's own share is not known well enough to be taken off the upper end.)
        return math.sqrt(max(0.0, low - self.own_ms**2)), math.sqrt(max(0.01, high))

    def jitter_ms(self, by_force_ms: float) -> float:
        """Return the scatter of one actuation from both measurements.

        Where they agree they are pooled, by as much as travel tells of it; where not, travel's counts: it sees one
        closing alone. A reading too coarse for it tells no more than the most that the scatter can be.
        """
        low, high = self.jitter_bounds_ms()
        tells = self.sd_ms**2 > 2.0 * self.own_ms**2
        seen = math.sqrt(max(0.0, self.sd_ms**2 - self.own_ms**2))
        if low <= by_force_ms <= high:
            return math.hypot(seen, by_force_ms) / math.sqrt(2.0) if tells else by_force_ms
        return seen if tells else min(max(by_force_ms, low), high)


def plan_train(settings: Mapping[str, int], speed_m_s: float, room_m: float) -> Train | None:
    """Return the pulses to run in a free travel of `room_m`; None where not one has room."""
    opens, closes = settings["open_lag_us"] / 1e3, settings["close_lag_us"] / 1e3
    width = math.ceil(opens) + _RUN_MS
    each_m = speed_m_s * (width - opens + closes + 20.0) / 1e3
    pulses = min(PULSES, int(room_m / each_m)) if each_m > 0 else 0
    return Train(pulses, width, math.ceil(1.5 * closes) + _REST_MS) if pulses else None


def point_times_ms(points: int, spacing_ms: int) -> Samples:
    """Return when each point of a trace was taken, ms after the stroke began.

    A full trace keeps every other point and goes on at twice the spacing, the next one a spacing after its last.
    """
    number = np.arange(points, dtype=np.float64)
    late = np.zeros(points)
    spacing, first = float(spacing_ms), _HALF
    while spacing > 1.0 and first >= 1:
        late[first : 2 * first] = spacing - 1.0
        spacing, first = spacing / 2.0, first // 2
    return number * spacing_ms + late


def read_trains(
    train: Train, traces: Sequence[tuple[Samples, Samples]], see_ms: float, noise_m: float
) -> Coasting | None:
    """Read lags off the travel of several strokes; None where they do not show them.

    traces: of each stroke when its points were taken (ms) and the travel (metres); see_ms: how far the position reading
    lags behind the ram; noise_m: standard deviation of a point.
    """
    closings: list[float] = []
    openings: list[float] = []
    speeds: list[float] = []
    for times, travel in traces:
        rows = [(k, row) for k in range(train.pulses) if (row := _one(train, k, times, travel)) is not None]
        # The pump's flow differs from stroke to stroke.
        speed = statistics.median(row[0] for _, row in rows) if rows else 0.0
        if speed <= 0:
            continue
        speeds.append(speed)
        for number, (_, after_m, whole_m) in rows:
            closings.append(after_m / speed - see_ms)
            if number:
                # The first pulse presses the oil that the others find pressed.
                openings.append(train.width_ms - whole_m / speed + closings[-1])
    n = len(closings)
    if n < _LEAST_CLOSINGS:
        return None
    sd = float(np.std(closings, ddof=1))
    own = math.sqrt(2.0) * noise_m / statistics.median(speeds)
    t = float(scipy.stats.t.ppf(0.975, n - 1))
    # (Half a millisecond: the step in which a command falls.)
    u_ms = math.hypot(t * sd / math.sqrt(n), 0.5)
    opening = statistics.fmean(openings) if len(openings) >= _LEAST_CLOSINGS - 1 else None
    return Coasting(statistics.fmean(closings), opening, u_ms, sd, own, n)


def _one(train: Train, number: int, times: Samples, travel: Samples) -> tuple[float, float, float] | None:
    """Speed (metres a ms), way after the command to close and way of the whole pulse, metres."""
    off = train.off_ms(number)
    on = off - train.width_ms
    running = (times > off - 40) & (times < off + 14)
    before = (times > on - 0.4 * train.pause_ms) & (times <= on + 2)
    after = (times > off + 0.6 * train.pause_ms) & (times <= off + train.pause_ms)
    if running.sum() < 3 or not before.any() or not after.any():
        return None
    speed, base = np.polyfit(times[running], travel[running], 1)
    rest = float(np.mean(travel[after]))
    return float(speed), rest - float(base + speed * off), rest - float(np.mean(travel[before]))


def timing_settings(seen: Coasting, settings: Mapping[str, int]) -> dict[str, int]:
    """Return the measured values that the ram's travel tells better than force: lags, and how they scatter.

    What the valve has more than force told the sensor has less: their sum is force's own.
    """
    shift_us = round(1e3 * seen.close_ms) - settings["close_lag_us"]
    opens_us = settings["open_lag_us"] + shift_us if seen.open_ms is None else round(1e3 * seen.open_ms)
    told = {
        "open_lag_us": max(0, opens_us),
        "close_lag_us": max(0, settings["close_lag_us"] + shift_us),
        "sensor_lag_us": max(0, settings["sensor_lag_us"] - shift_us),
        "jitter_us": max(1, round(1e3 * seen.jitter_ms(settings["jitter_us"] / 1e3))),
    }
    if settings["slow_fitted"]:
        for name in ("slow_open_lag_us", "slow_close_lag_us"):
            told[name] = max(0, settings[name] + shift_us)
    return told
