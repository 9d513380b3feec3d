"""Calibrate the ram's position sensor against gauge blocks, and measure how fast the ram moves.

The ram is let down on stacks of known height; travel from one stack to another is their difference, so neither the
daylight nor where the sensor sits need be known. The line through the points is the metrology code's. The ram meets
every stack in the same way, so what frame and block give at the touch is the same each time and drops out.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any, Literal

from steadyram.commission.coasting import (
    CLOSINGS,
    STROKES,
    plan_train,
    point_times_ms,
    read_trains,
    timing_settings,
)
from steadyram.commission.hands import Hands
from steadyram.commission.strokes import as_test, probe_stroke
from steadyram.device import Device
from steadyram.errors import BadInput, CheckFailed
from steadyram.late import np
from steadyram.link.definition import definition
from steadyram.metrology.exact_fit import fit_polynomial

Kind = Literal["potentiometer", "encoder"]
READINGS = 24
_TOUCH_SHARE = 0.02
# A touch that does not stand is tried again so much higher, up to so many times the first.
_TOUCH_STEP, _TOUCH_MOST = 1.6, 6.0
_STANDS_SHARE = 0.7
# A touch ends so many times the running friction above rest, at least.
_SEAL_HOLDS = 2.4
# So long the slow feed is watched.
_SLOW_HELD_S = 20.0
# Share of the free travel that a train of pulses may take.
_FREE_SHARE = 0.8
# Step of the stored travel.
_TRACE_STEP_M = 4e-6
# The core's travel is a mean of sixteen readings of a potentiometer, and an encoder's newest (`core/travel.py`).
_ENCODER_SEES_MS, _POTENTIOMETER_SEES_MS = 0.0, 7.5
_WRAP = 65536
# Standard errors within which measured and data sheet's step are the same.
_AGREES_SE = 3.0
# Few points may lie on a line by luck: a touch on gauge blocks is never known better than this (common practice, no
# source), however small their scatter.
_TOUCH_SIGMA_M = 10e-6


@dataclass(frozen=True)
class PositionPoint:
    """One stack: its height in metres, the mean reading on it (counts, an encoder's unwrapped from the top)."""

    height_m: float
    counts: float


@dataclass(frozen=True)
class PositionFound:
    """The line through the points.

    counts_per_m: its slope; relative_error: its standard error over it; residual_m: standard deviation of the points
    about it, metres; noise_m: standard deviation of one sample at rest; fields: the calibration fields it gives: an
    encoder's step is its data sheet's where the slope is within three standard errors of it, else the slope's.
    """

    kind: Kind
    points: tuple[PositionPoint, ...]
    counts_per_m: float
    relative_error: float
    residual_m: float
    noise_m: float
    fields: dict[str, int]

    def to_json(self) -> dict[str, Any]:
        """For a record."""
        return asdict(self)

    def settings(self) -> dict[str, int]:
        """Settings that the sensor's calibration gives, in protocol units."""
        return {
            "position_kind": definition().value("position_kind", self.kind),
            "position_noise_um": round(1e6 * self.noise_m),
        }

    def residuals_m(self) -> list[float]:
        """How far each point is off the line, metres of travel, in the points' order."""
        travel = [-point.height_m for point in self.points]
        read = [point.counts / self.counts_per_m for point in self.points]
        off = statistics.fmean(read) - statistics.fmean(travel)
        return [seen - off - true for seen, true in zip(read, travel, strict=True)]


@as_test
def calibrate_position(
    device: Device,
    hands: Hands,
    heights_m: Sequence[float],
    *,
    kind: Kind,
    nominal_m: float,
    zero_counts: float,
    touch_counts: float,
    progress: Callable[[int, int], None] = lambda done, of: None,
) -> PositionFound:
    """Let the ram down on each stack in turn and fit the line.

    heights_m: of the stacks, at least four different ones, metres; nominal_m: by the data sheet, an encoder's step or
    a potentiometer's travel over all its supply; zero_counts, touch_counts: force reading at rest, and how far above
    it the touch ends. Raises BadInput, CheckFailed, LinkError, DeviceRefusal.
    """
    if len(set(heights_m)) < 4:
        raise BadInput(
            "Four or more gauge blocks (or stacks) of different height are needed; give --heights."
        )
    if not nominal_m > 0:
        raise BadInput("The sensor's nominal figure must be above zero.")
    points: list[PositionPoint] = []
    noises: list[float] = []
    top: float | None = None
    lowest = min(heights_m)
    heights = sorted(heights_m, reverse=True)
    # Over the lowest the ram runs free before it meets anything.
    hands.use_stack(lowest)
    touch_counts = _touch_that_stands(device, hands, zero_counts, touch_counts)
    for number, height in enumerate(heights):
        hands.use_stack(height)
        hands.to_top()
        hands.wait(0.5)
        at_top, _ = _readings(device)
        # An encoder counts on over all strokes; a reference that moves between two of them is a fault elsewhere.
        top = at_top if top is None or kind == "potentiometer" else top
        # At full feed: a slow feed would take minutes for the daylight, and what it meets harder is the same each time.
        probe_stroke(device, hands, cut_counts=zero_counts + touch_counts, pause_ms=200, collect=False)
        hands.wait(0.3)
        mean, spread = _readings(device)
        noises.append(spread)
        moved = mean - at_top
        if kind == "encoder":
            moved = (moved + _WRAP / 2) % _WRAP - _WRAP / 2
            if points:
                # How often the count has wrapped follows from the heights and the data sheet's step.
                sign = math.copysign(1.0, points[0].counts) if points[0].counts else 1.0
                expected = points[0].counts + sign * (points[0].height_m - height) / nominal_m
                moved += round((expected - moved) / _WRAP) * _WRAP
        else:
            moved = mean
        points.append(PositionPoint(height, moved))
        progress(number + 1, len(heights_m))
    hands.to_top()
    return _fitted(kind, points, noises, nominal_m, lowest)


def _touch_that_stands(
    device: Device, hands: Hands, zero_counts: float, touch_counts: float, *, slow: bool = False
) -> float:
    """Return how far above rest (counts) a touch must end so that the ram then stands on what is under it.

    Seals that break away and a line's pressure drop read as force while the ram runs free; standing still they do not.
    What stays of a touch on a block does. Raises CheckFailed where no touch up to `_TOUCH_MOST` times the first stands.
    """
    if not device.settings().values["holds_load"]:
        # Nothing stays of a touch where the valve holds no pressure.
        return touch_counts
    # What the seal itself can hold at rest is no block: up to twice its running friction (common practice, no source).
    force = device.calibration().values
    if force.get("c1_n"):
        friction_N = max(force["friction_n"], -force["c0_n"])
        touch_counts = max(touch_counts, _SEAL_HOLDS * friction_N * 65536 / force["c1_n"])
    first = touch_counts
    while touch_counts <= _TOUCH_MOST * first:
        hands.to_top()
        hands.wait(0.3)
        probe_stroke(
            device, hands, slow=slow, cut_counts=zero_counts + touch_counts, pause_ms=200, collect=False
        )
        hands.wait(0.3)
        if device.now().mean_counts - zero_counts >= _STANDS_SHARE * touch_counts:
            return touch_counts
        touch_counts *= _TOUCH_STEP
    raise CheckFailed(
        "The reading rises in free travel and falls back, so where the ram meets a block cannot be told; look for a "
        "ram that sticks, or move the transducer from the pump's end of the hose to the cylinder."
    )


def _readings(device: Device) -> tuple[float, float]:
    """Mean and standard deviation of several raw readings; around a wrap they are taken from the first one's side."""
    first = device.place()
    values = [float(first)]
    for _ in range(READINGS - 1):
        step = (device.place() - first + _WRAP // 2) % _WRAP - _WRAP // 2
        values.append(first + step)
    return statistics.fmean(values), statistics.stdev(values)


def _fitted(
    kind: Kind, points: list[PositionPoint], noises: list[float], nominal_m: float, lowest: float
) -> PositionFound:
    travel = [lowest - point.height_m for point in points]
    fit = fit_polynomial(travel, [point.counts for point in points], 1)
    slope, error = fit.coefficients[1], fit.standard_errors[1]
    if slope == 0:
        raise CheckFailed(
            "The position reading does not move with the ram; check the sensor's wiring and coupling."
        )
    expected = 1.0 / nominal_m if kind == "encoder" else 65536.0 / nominal_m
    if not 0.5 < abs(slope) / expected < 2.0:
        raise CheckFailed(
            f"The position reading moves {abs(slope) / expected:.2f} times as much as the data sheet's figure says; "
            "check the nominal figure, the heights, and that the sensor does not slip."
        )
    if kind == "encoder":
        # A scale's grating is ten times truer than touches on blocks (common practice, no source): where these agree
        # with the data sheet they prove it, and do not put their own error in its place.
        step_m = 1.0 / slope
        spread_m = math.sqrt(len(travel)) * statistics.pstdev(travel)
        doubt = max(abs(error / slope), _TOUCH_SIGMA_M / spread_m)
        if abs(abs(step_m) - nominal_m) <= _AGREES_SE * doubt * nominal_m:
            step_m = math.copysign(nominal_m, slope)
        fields = {"position_step_nm": round(1e9 * step_m), "position_um_64k": 0}
    else:
        fields = {"position_um_64k": round(65536e6 / slope), "position_step_nm": 0}
    return PositionFound(
        kind,
        tuple(points),
        slope,
        abs(error / slope),
        fit.residual_sd / abs(slope),
        0.0 if kind == "encoder" else statistics.median(noises) / abs(slope),
        fields,
    )


@dataclass(frozen=True)
class Speeds:
    """Ram speeds in free travel, metres a second; `slow_m_s` is 0 without a slow feed.

    timing: measured values of the valve as the ram's travel shows it, protocol units; empty where it does not.
    """

    full_m_s: float
    slow_m_s: float
    timing: dict[str, int] = field(default_factory=dict)

    def settings(self) -> dict[str, int]:
        """Settings that these give, in protocol units."""
        return {
            "speed_um_s": round(1e6 * self.full_m_s),
            "speed_slow_um_s": round(1e6 * self.slow_m_s),
            **self.timing,
        }


@as_test
def measure_speeds(
    device: Device,
    hands: Hands,
    *,
    zero_counts: float,
    touch_counts: float,
    slow_fitted: bool,
    burst: bool,
) -> Speeds:
    """Free strokes down to the block, at full feed and at slow feed, and a train of pulses in the free travel.

    The position must be calibrated and in force. Where the press is characterised, the pulses tell the valve's lags.

    Raises CheckFailed, LinkError, DeviceRefusal.
    """
    hands.use_block()
    touch_counts = _touch_that_stands(device, hands, zero_counts, touch_counts)
    full, end_m = _speed(device, hands, zero_counts + touch_counts, False, burst)
    slow, _ = _speed(device, hands, zero_counts + touch_counts, True, False) if slow_fitted else (0.0, 0.0)
    timing = {} if burst else _timing(device, hands, full, _FREE_SHARE * end_m)
    hands.to_top()
    return Speeds(full, slow, timing)


def _timing(device: Device, hands: Hands, speed_m_s: float, room_m: float) -> dict[str, int]:
    """Run a train of pulses in free travel; return the valve's measured values by it, none where it has no room."""
    settings = device.press_values()
    train = plan_train(settings, speed_m_s, room_m) if settings["char_valid"] else None
    if train is None:
        return {}
    traces = []
    for _ in range(min(STROKES, math.ceil(CLOSINGS / train.pulses))):
        hands.to_top()
        hands.wait(0.6)
        probe_stroke(
            device,
            hands,
            pulse_ms=train.width_ms,
            pulses=train.pulses,
            pause_ms=train.pause_ms,
            collect=False,
        )
        trace = device.travel(device.now().next_seq - 1)
        if trace is None:
            return {}
        times = point_times_ms(len(trace.points), round(1e3 * trace.dt_s))
        traces.append((times, np.asarray(trace.travel_m(), dtype=np.float64)))
    encoder = definition().word("position_kind", settings["position_kind"]) == "encoder"
    step_m = abs(device.calibration().values["position_step_nm"]) * 1e-9 if encoder else 0.0
    noise_m = math.sqrt(
        (_TRACE_STEP_M**2 + step_m**2) / 12.0 + (1e-6 * settings["position_noise_um"]) ** 2 / 16.0
    )
    see_ms = _ENCODER_SEES_MS if encoder else _POTENTIOMETER_SEES_MS
    seen = read_trains(train, traces, see_ms, noise_m)
    return timing_settings(seen, settings) if seen is not None else {}


def _speed(device: Device, hands: Hands, cut_counts: float, slow: bool, burst: bool) -> tuple[float, float]:
    """Return the ram's speed and its travel to the end of the stroke."""
    hands.to_top()
    hands.wait(0.6)
    # A slow feed may take minutes for the daylight: a part of it tells its speed as well.
    held_s = min(_SLOW_HELD_S, 0.4 * device.settings().values["cycle_max_ms"] / 1000) if slow else None
    probe_stroke(device, hands, slow=slow, cut_counts=cut_counts, pause_ms=100, held_s=held_s, collect=False)
    trace = device.travel(device.now().next_seq - 1)
    if trace is None or len(trace.points) < 16:
        raise CheckFailed(
            "The stroke left no trace of the ram's travel; check the position sensor's calibration."
        )
    travel = np.asarray(trace.travel_m())
    end = float(travel.max())
    if end < 2e-4:
        raise CheckFailed("The ram moved less than 0.2 mm before it met the block; leave it more daylight.")
    # From one fifth to four fifths of the way: neither the start nor the touch.
    inside = np.flatnonzero((travel > 0.2 * end) & (travel < 0.8 * end))
    if len(inside) < 4:
        inside = np.flatnonzero((travel > 0.05 * end) & (travel < 0.95 * end))
    if len(inside) < 3:
        raise CheckFailed(
            "The ram reached the block too soon for its speed to be seen; leave it more daylight."
        )
    times = trace.dt_s * inside
    if not burst:
        return float(np.polyfit(times, travel[inside], 1)[0]), end
    # A hand pump's flow comes in bursts: the speed within one counts, not the mean over the pauses.
    width = max(1, round(0.03 / trace.dt_s))
    local = (travel[inside[0] + width : inside[-1]] - travel[inside[0] : inside[-1] - width]) / (
        width * trace.dt_s
    )
    by_line = float(np.polyfit(times, travel[inside], 1)[0])
    return float(np.percentile(local, 85)) if len(local) else by_line, end


def touch_counts_for(span_counts: float, noise_counts: float) -> float:
    """How far above rest a touch ends: a fiftieth of the span of capacity, and clear of the noise."""
    return max(_TOUCH_SHARE * span_counts, 8.0 * noise_counts)
