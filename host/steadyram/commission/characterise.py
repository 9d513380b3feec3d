"""The dead-stop test: what the press does with a command, measured through the device itself.

A solid block stands under the ram. Strokes come down on it and go on to high force (free travel, rise rates,
changeover), start from a held force (lags of each valve, their scatter, the sensor's lag), and end in series of short
pulses (what one pulse lets in). Every result has its expanded uncertainty (coverage 95 %); what was not found is None.
Readings are turned into newtons by the calibration in force.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from steadyram.commission.corners import (
    UNSEEN_DELAY_U_MS,
    Corners,
    Window,
    fit_corners,
    fit_end,
    fit_shape,
    noise_N,
    spread,
)
from steadyram.commission.dynamics import Samples, Shape
from steadyram.commission.easing import ease_off
from steadyram.commission.friction import Travel, friction_of, read_travel
from steadyram.commission.hands import Hands
from steadyram.commission.lags import Lag, fit_begin, fit_drop, lag_of, sd_uncertainty, slow_rise
from steadyram.commission.measured import Characteristics
from steadyram.commission.plausible import doubts_about, refuse_contradictions
from steadyram.commission.pulse_response import UNKNOWN, PulseResponse, Series, find_response
from steadyram.commission.rises import Rates, Rise, fit_rise, together
from steadyram.commission.strokes import Stroke, as_test, mean_counts, probe_stroke
from steadyram.config import preferences
from steadyram.device import Device
from steadyram.errors import CheckFailed
from steadyram.late import np
from steadyram.link.definition import definition

__all__ = ["Characteristics", "characterise"]

APPROACHES = 6
# Highest share of the capacity that a stroke is meant to reach, and the share of the first, careful one.
_HIGH = 0.85
_CAREFUL = 0.25
_FULL_STEPS = 14
_SLOW_STEPS = 8
_LAST_STEPS = 6
# Stretch of a slow stroke by which its end is seen: at least so long (ms), and a rise of so many times the noise.
_SLOW_BEFORE_MS = 200.0
_SLOW_BEFORE_NOISE = 12.0
_PAUSE_MS = 100
# Ramp between the two corners of a step, ms: enough for a slope, short enough for many steps in one climb.
_RAMP_MS = 16.0
_HOLD_S = 3.0
_HYSTERESIS = 0.0005
# Uncertainty of a lag with the sensor's from which the corners count as badly seen, ms.
_VAGUE_MS = 6.0
# Standard error of what is split between valve and sensor by the form of the corners alone, ms: 3.9 over 35 presses
# drawn (seeds 8301 to 8340). What one has too much the other has too little; only their sum lands a part.
_SPLIT_U_MS = 4.0
# Samples that tell the noise: the last ones of a stroke, and how many the first 20 ms must hold.
_LATE_SAMPLES = 32
_QUIET_SAMPLES = 16
# Relative uncertainty of a rise rate from which it is measured again, and then refused: parts would be pressed by it.
_VAGUE_RATE = 0.3
# A first stage of some 15 ms is known no better, whose sensor's delay cannot be seen; where the strokes agree on both
# stages it is taken, and its uncertainty is told.
_VAGUE_SHORT = 0.5
# Share of the capacity that the first stroke may pass its end by.
_TOO_FAR = 0.6
# So long, and so many samples, at one level is free travel and no rise.
_DWELT_MS = 40.0
_DWELT_SAMPLES = 6
# Free travel that a stop on the way needs, ms.
_WAY_MS = 120.0
# Longest pulse that the device takes of a valve test (bounds of the verb probe).
_PULSE_MOST_MS = 5000
# Time constant taken for a transducer whose lag cannot be seen (1 to 5 ms: common practice, no source).
_UNSEEN_TAU_MS = 3.0


@dataclass(frozen=True)
class Approach:
    """One stroke from the top: its samples, the force indicated at rest before it, and while it stood on its way."""

    window: Window
    rest_N: float
    held_N: float | None


@dataclass
class _Test:
    """The test's own notes: the device, the calibration as a function, and what has been seen so far."""

    device: Device
    hands: Hands
    capacity_N: float
    calibration: Mapping[str, int]
    shape: Shape = field(default_factory=lambda: Shape(_UNSEEN_TAU_MS))
    shape_u_ms: float = UNSEEN_DELAY_U_MS
    noise_N: float = 1.0
    leak_per_s: float = 0.0
    strokes: int = 0
    drop_N: float | None = None
    approaches: list[Approach] = field(default_factory=list)
    travels: list[Travel] = field(default_factory=list)

    @property
    def calibration_u(self) -> float:
        """Return the relative standard uncertainty of the calibration's slope.

        Load cell, readings, non-linearity 0.4 %; and at each held point the ram sticks with up to some 0.6 of its
        friction more or less than it runs with (breakaway 1.5 to 2 times running: common practice, no source),
        0.35 over the points.
        """
        friction = float(self.calibration.get("friction_n", 0))
        return math.hypot(0.004, 0.35 * friction / self.capacity_N)

    def force(self, counts: Samples | float) -> Samples:
        """Turn mean readings into newtons by the calibration's polynomial."""
        x = (np.asarray(counts, dtype=np.float64) - self.calibration["zero_counts"]) / 65536.0
        c = [float(self.calibration.get(key, 0)) for key in ("c0_n", "c1_n", "c2_n", "c3_n")]
        return np.asarray(c[0] + x * (c[1] + x * (c[2] + x * c[3])), dtype=np.float64)

    def counts(self, force_N: float) -> float:
        """Return the reading that means `force_N`."""
        counts = self.calibration["zero_counts"] + 65536.0 * force_N / self.calibration["c1_n"]
        for _ in range(6):
            counts += (force_N - float(self.force(counts))) * 65536.0 / self.calibration["c1_n"]
        return counts

    def here_N(self, blocks: int = 1) -> float:
        """Return the force that is indicated now."""
        return float(self.force(mean_counts(self.device, self.hands, blocks)))

    def stroke(self, cut_N: float, *, slow: bool = False, pause_ms: int = _PAUSE_MS) -> Window:
        """Run one stroke to `cut_N`."""
        done = probe_stroke(
            self.device, self.hands, slow=slow, cut_counts=self.counts(cut_N), pause_ms=pause_ms
        )
        self.strokes += 1
        return self.window(done)

    def window(self, stroke: Stroke) -> Window:
        """Return a stroke's samples as times and forces."""
        t, counts = stroke.samples()
        return Window(
            t, self.force(counts), stroke.cut_ms, self.leak_per_s / 1000.0, self.device.now().uptime_s
        )


# Stretches before the valve was told to close over which a pump in bursts is taken as steady.
BEFORE_MS = (30.0, 60.0, 120.0, 240.0)


@as_test
def characterise(
    device: Device,
    hands: Hands,
    *,
    capacity_N: float,
    slow_fitted: bool,
    burst: bool,
    holds_load: bool = True,
    progress: Callable[[int, int], None] = lambda done, of: None,
) -> Characteristics:
    """Run the test; the device is left with the ram at the top.

    burst: the flow comes in strokes (hand pump). Raises CheckFailed where the strokes show no rise, or where the
    results contradict each other; LinkError, DeviceRefusal.
    """
    if device.settings().values["drive_kind"] == definition().value("drive_kind", "none"):
        raise CheckFailed(
            "This press has no valve (drive_kind none: lamp, buzzer), and an arm is not characterised; calibrate, then "
            "push the jobs."
        )
    calibration = device.calibration().values
    if not calibration:
        raise CheckFailed(
            "The device has no calibration, so counts are no forces yet; run 'calibration run' first."
        )
    test = _Test(device, hands, capacity_N, calibration)
    stages = 5 if slow_fitted else 4
    hands.use_block()
    _approaches(test)
    progress(1, stages)
    if holds_load:
        _measure_leak(test)
    lead = _find_lead(test) if holds_load and not burst else (0.3, 1.5)
    steps = _steps(test, slow=False, wanted=_FULL_STEPS) if holds_load and not burst else []
    progress(2, stages)
    if burst or not holds_load:
        measured = _without_steps(test, burst, holds_load)
        hands.to_top()
        progress(stages, stages)
        return measured
    _find_shape(test, steps, lead)
    rates = _rates(test)
    if rates is not None and _vague(rates):
        _approaches(test)
        rates = _rates(test)
    opening, closing = _valve_lags(test, steps)
    if rates is None or closing is None:
        raise CheckFailed(
            "The strokes against the block show no clear rise: check that the ram meets the block, the pump runs "
            "and the relief valve is set above the calibration's lowest points."
        )
    refuse_vague(rates)
    full = _pulses(test, False, opening, closing, rates)
    progress(3, stages)
    slow = _slow(test, rates) if slow_fitted else None
    progress(stages - 1, stages)
    # Once more at the end: oil that has warmed up meanwhile has changed the lags.
    steps += _steps(test, slow=False, wanted=_LAST_STEPS)
    opening, closing = _valve_lags(test, steps)
    assert closing is not None
    corners = [c for w in steps if (c := fit_corners(w, test.shape, test.noise_N)) is not None]
    hands.to_top()
    measured = _collect(test, rates, opening, closing, full, slow, corners)
    refuse_contradictions(measured)
    measured.doubts = doubts_about(measured)
    progress(stages, stages)
    return measured


# ---------------------------------------------------------------------- strokes from the top
def _approaches(test: _Test) -> None:
    """Strokes from the top on to the block: every other one careful, the others as high as its overshoot allows.

    A careful one has contact and the first of the rise at 1 kHz, a high one sees as much of the rise as there is. Where
    the daylight allows it the ram stops on its way: the pressure that it then holds is running friction without flow.
    """
    way_ms = 0
    high = _CAREFUL * test.capacity_N
    for number in range(APPROACHES):
        test.hands.to_top()
        test.hands.wait(0.5)
        rest = test.here_N(4)
        held = _stop_on_the_way(test, way_ms) if way_ms else None
        cut = _CAREFUL * test.capacity_N if number % 2 == 0 else high
        window = test.stroke(cut, pause_ms=_PAUSE_MS if number % 2 == 0 else 1)
        test.approaches.append(Approach(window, rest, held))
        if number == 0:
            # Before the oil flows, where that was recorded in milliseconds (a coil's spike spoils a handful); and at
            # rest after the stroke, when a slow valve has closed, too.
            quiet = window.force_N[window.time_ms < 20.0]
            late = noise_N(window.force_N[-_LATE_SAMPLES:])
            test.noise_N = max(1.0, late, noise_N(quiet) if len(quiet) >= _QUIET_SAMPLES else 0.0)
            way_ms = _half_way_ms(test, window, rest)
        over = max(0.0, float(np.max(window.force_N[-40:])) - cut)
        if number == 0 and over > _TOO_FAR * test.capacity_N:
            show = preferences().force
            raise CheckFailed(
                f"A stroke that was to end at {show(cut)} went on to {show(cut + over)} before the "
                "valve had closed, so neither lags nor rates can be seen apart; fit a slow-feed solenoid, restrict "
                "the flow or choose a faster valve."
            )
        if number % 2 == 0:
            high = max(
                _CAREFUL * test.capacity_N, min(_HIGH * test.capacity_N, 0.92 * test.capacity_N - 1.3 * over)
            )


def _half_way_ms(test: _Test, window: Window, rest: float) -> int:
    """Return a pulse that moves the ram and ends well above the block; 0 where there is too little daylight."""
    contact = contact_seen(window, rest, test.noise_N)
    opens = _opening_seen(window.time_ms, window.force_N, rest, test.noise_N, contact)
    if contact - opens < 2 * _WAY_MS:
        return 0
    way_ms = round(opens + _WAY_MS / 2)
    return way_ms if way_ms <= _PULSE_MOST_MS else 0


def _stop_on_the_way(test: _Test, way_ms: int) -> float | None:
    """Stop the ram in free travel and return the force indicated while it stands there."""
    done = probe_stroke(
        test.device, test.hands, pulse_ms=way_ms, pulses=1, pause_ms=2 * _PAUSE_MS, patience_s=10.0
    )
    test.strokes += 1
    return float(test.force(done.pulses[0].after_counts)) if done.pulses else None


def _measure_leak(test: _Test) -> None:
    """Let the force of the last stroke stand for a few seconds."""
    test.hands.wait(0.4)
    held = test.here_N(4)
    test.hands.wait(_HOLD_S)
    later = test.here_N(4)
    if held > 0.1 * test.capacity_N:
        test.leak_per_s = max(0.0, (1.0 - later / held) / (_HOLD_S + 0.264))


def _ease_off(test: _Test, below_N: float) -> float:
    """Let the force down and return it."""
    return ease_off(test.hands, test.here_N, below_N)[0]


def _steps(test: _Test, *, slow: bool, wanted: int) -> list[Window]:
    """Climb from a light touch in strokes that start and end at a held force; back off and climb again."""
    touch = max(0.05 * test.capacity_N, 20.0 * test.noise_N)
    windows: list[Window] = []
    overshoot = 0.0
    rate = 0.0
    for _ in range(4):
        here = _ease_off(test, touch)
        if here < touch / 2:
            test.stroke(touch, slow=slow)
        for _ in range(wanted):
            here = test.here_N()
            step = max(8.0 * test.noise_N, rate * _RAMP_MS)
            if here + step + overshoot > 0.9 * test.capacity_N or len(windows) >= wanted:
                break
            window = test.stroke(here + step, slow=slow)
            if len(window.time_ms) < 40:
                continue
            corner = fit_corners(window, test.shape, test.noise_N)
            if corner is not None:
                windows.append(window)
                rate = corner.rate
                overshoot = max(1.2 * corner.rate * (corner.end_ms + test.shape.delay_ms), 0.7 * overshoot)
            else:
                overshoot = max(overshoot, float(np.max(window.force_N[-40:])) - here)
        if len(windows) >= wanted:
            break
    return windows


# ---------------------------------------------------------------------- evaluation
def _find_lead(test: _Test) -> tuple[float, float]:
    """Find the line's drop from approaches that stood on their way; as ms of rise, with its standard error."""
    seen = [(travel, rise) for rise, travel in (_rise_of(test, a) for a in test.approaches)]
    drops = [t.free_N - t.held_N for t, _ in seen if t.free_N is not None and t.held_N is not None]
    rates = [r.low for _, r in seen if r is not None]
    if len(drops) < 3 and rates:
        return _lead_by_level(test, [t.free_N for t, _ in seen if t.free_N is not None], rates)
    if not rates:
        return 0.3, 1.5
    drop, sd = spread(drops)
    rate = float(np.median(rates))
    test.drop_N = drop if drop > max(2.0 * test.noise_N / 4.0, 2.0 * sd / math.sqrt(len(drops))) else 0.0
    lead = max(0.0, drop / rate)
    test.shape = replace(test.shape, lead_ms=lead)
    # A transducer's hysteresis (0.02 to 0.1 % of its range: common practice, no source) is in the step, too.
    play = _HYSTERESIS * 0.8 * test.calibration["c1_n"]
    return lead, math.hypot(1.5 * sd / math.sqrt(len(drops)), play) / rate + 0.03 * lead


def _lead_by_level(test: _Test, free_N: list[float], rates: list[float]) -> tuple[float, float]:
    """Find the line's drop without a stop on the way: what free travel reads above a calibration made at rest.

    The calibration has taken the friction off, which differs by its share between strokes, and which it may have seen
    with a part of the breakaway.
    """
    if len(free_N) < 3:
        return 0.3, 1.5
    drop, sd = spread(free_N)
    friction = float(test.calibration.get("friction_n", 0))
    u = math.hypot(sd / math.sqrt(len(free_N)), 0.35 * friction)
    if friction <= 0.0 or drop < 2.0 * u + test.noise_N:
        return 0.3, 1.5
    rate = float(np.median(rates))
    test.drop_N = drop
    test.shape = replace(test.shape, lead_ms=drop / rate)
    return drop / rate, u / rate


def _find_shape(test: _Test, steps: list[Window], lead: tuple[float, float]) -> None:
    """Find the corners' common shape from the steps; without enough of them it stays what is common."""
    if len(steps) >= 4:
        test.shape, test.shape_u_ms = fit_shape(steps, test.shape, test.noise_N, lead)


def contact_seen(window: Window, rest: float, noise: float) -> float:
    """Return about when the rise to the stroke's end began, ms: where the reading last was that of free travel."""
    t, y = window.time_ms, window.force_N
    up = t <= window.cut_ms
    peak = float(np.max(y[up])) if up.any() else rest
    floor = _dwelt_at(t[up], y[up], rest, noise)
    below = np.flatnonzero((y < floor + 0.15 * (peak - floor)) & up)
    rough = min(len(t) - 3, int(below[-1]) + 1) if len(below) else 0
    before = y[(t > 0.4 * t[rough]) & (t < 0.8 * t[rough])]
    free = float(np.median(before)) if len(before) > 2 else rest
    level = free + max(8.0 * noise, 0.02 * (peak - free))
    below = np.flatnonzero(y[: rough + 1] < level)
    at = min(rough, int(below[-1]) + 1) if len(below) else rough
    risen = slice(at, min(len(t), max(at + 4, rough + 3)))
    slope = max(1e-9, float(np.polyfit(t[risen], y[risen], 1)[0]))
    return float(t[at]) - min(40.0, max(0.0, float(y[at]) - free) / slope) - 2.0


def _dwelt_at(t: Samples, y: Samples, rest: float, noise: float) -> float:
    """Return the level at which the reading stayed on its way up; `rest` where it stayed nowhere.

    A moving ram reads its friction and what the line drops, together up to a tenth of the capacity (common practice, no
    source): as much as a third of a careful stroke. No rise stays at one level for as long as free travel does.
    """
    first = float(np.median(y[t < t[0] + 20.0]))
    left = np.flatnonzero(np.abs(y - first) > 5.0 * noise)
    low = rest + 0.5 * (float(np.max(y)) - rest)
    way = slice(int(left[0]) if len(left) else len(y), len(y))
    inside = way.start + np.flatnonzero(y[way] < low)
    if len(inside) < 6:
        return rest
    band = max(6.0 * noise, 0.02 * (float(np.max(y)) - rest))
    levels = np.sort(y[inside])
    count = np.searchsorted(levels, levels + band, side="right") - np.arange(len(levels))
    most = int(np.argmax(count))
    # What a rise crosses such a band in is a handful of samples.
    spent_ms = float(count[most]) * float(np.median(np.diff(t)))
    if count[most] < _DWELT_SAMPLES or spent_ms < _DWELT_MS:
        return rest
    return float(np.median(levels[most : most + int(count[most])]))


def _rise_of(test: _Test, approach: Approach) -> tuple[Rise | None, Travel]:
    """Read one approach: where the free level is, the rise above it."""
    window, rest = approach.window, approach.rest_N
    t, y = window.time_ms, window.force_N
    contact = contact_seen(window, rest, test.noise_N)
    start = approach.held_N if approach.held_N is not None else rest
    opens = _opening_seen(t, y, start, test.noise_N, contact)
    travel = read_travel(t, y, rest, approach.held_N, opens, contact, test.shape.delay_ms)
    free = travel.free_N if travel.free_N is not None else start
    # Above running friction by as much again, the breakaway's share: only what lies higher is the block's rise.
    floor = max(0.5 * abs(free - rest), 6.0 * test.noise_N, 0.005 * test.capacity_N)
    return fit_rise(window, test.shape, free, test.noise_N, floor, approach.held_N), travel


def _opening_seen(t: Samples, y: Samples, rest: float, noise: float, contact_ms: float) -> float:
    """When the reading first leaves its rest for good, ms; half of the way to contact where it does not."""
    above = (y > rest + 5.0 * noise) & (t < contact_ms)
    if len(y) < 9:
        return max(0.0, 0.5 * contact_ms)
    runs = np.flatnonzero(above[:-4] & above[1:-3] & above[2:-2] & above[3:-1] & above[4:])
    return float(t[runs[0]]) if len(runs) else max(0.0, 0.5 * contact_ms)


def _vague(rates: Rates) -> bool:
    return rates.u_low > (_VAGUE_SHORT if rates.stages == 2 else _VAGUE_RATE) or rates.u_high > _VAGUE_RATE


def refuse_vague(rates: Rates) -> None:
    """Raise CheckFailed for rise rates that no part may be pressed by."""
    if not _vague(rates):
        return
    raise CheckFailed(
        f"The rise rate on the block is known to {max(rates.u_low, rates.u_high):.0%} only after two rounds of strokes "
        f"({rates.why}); look for air in the oil, a block that beds in or a pump that does not repeat, and run the "
        "test again."
    )


def _rates(test: _Test) -> Rates | None:
    seen = [_rise_of(test, approach) for approach in test.approaches]
    test.travels = [travel for _, travel in seen]
    rises = [rise for rise, _ in seen if rise is not None]
    # A level is off by how much this stroke's friction differs from that of the calibration's.
    return together(rises, test.calibration_u, 0.35 * test.calibration.get("friction_n", 0), test.shape_u_ms)


def _valve_lags(test: _Test, steps: list[Window]) -> tuple[Lag | None, Lag | None]:
    """Return the full feed's opening and closing lag, from all strokes that show them."""
    seen = [(w.at_s, c) for w in steps if (c := fit_corners(w, test.shape, test.noise_N)) is not None]
    begins = [(at, c.begin_ms) for at, c in seen if c.begin_ms is not None]
    ends = [(at, c.end_ms) for at, c in seen]
    # Strokes from the top end near the relief valve's pressure on some presses; they count where there is nothing else.
    for approach in test.approaches[::2] if len(ends) < 6 else []:
        corner = fit_end(approach.window, test.shape, test.noise_N)
        if corner is not None:
            ends.append((approach.window.at_s, corner.end_ms))
    return (
        lag_of([v for _, v in begins], test.shape_u_ms, [at for at, _ in begins]),
        lag_of([v for _, v in ends], test.shape_u_ms, [at for at, _ in ends]),
    )


# ---------------------------------------------------------------------- pulses
def _pulses(
    test: _Test, slow: bool, opening: Lag | None, closing: Lag | None, rates: Rates, slow_rate: float = 0.0
) -> PulseResponse:
    """Series of pulses on the block, in the pump stage that moves the force least."""
    if closing is None:
        return UNKNOWN
    opens = opening.mean_ms if opening is not None else closing.mean_ms
    turn = rates.turn_N or 0.0
    low, high = 0.08 * test.capacity_N, 0.9 * test.capacity_N
    if slow:
        rate, u_rate = slow_rate, rates.u_high
    elif rates.turn_N is not None and turn < 0.6 * test.capacity_N:
        low, rate, u_rate = max(low, 1.08 * turn), rates.high, rates.u_high
    elif rates.turn_N is not None:
        high, rate, u_rate = 0.95 * turn, rates.low, rates.u_low
    else:
        rate, u_rate = rates.high, rates.u_high
    pause = round(max(70.0, closing.mean_ms + max(0.0, opens - 20.0) / 2 + test.shape.settled_ms + 20.0))
    jitter = math.hypot(closing.sd_ms, opening.sd_ms if opening is not None else closing.sd_ms)
    dead = opens - closing.mean_ms

    def run(width: int, pulses: int) -> Series | None:
        each = rate * (max(1.0, width - dead) + 2.0 * jitter)
        here = test.here_N(2)
        if here + each * min(pulses, 3) > high or here < low:
            here = _ease_off(test, low + 0.1 * (high - low))
            if here < low:
                test.stroke(low, slow=slow)
                here = test.here_N(2)
        room = int((high - here) / each)
        if room < 1:
            return None
        # A rise that noise could hide asks for more pulses.
        needed = math.ceil(test.noise_N / (0.06 * rate))
        count = max(1, min(room, max(pulses, min(needed, 24))))
        done = probe_stroke(test.device, test.hands, slow=slow, pulse_ms=width, pulses=count, pause_ms=pause)
        test.strokes += 1
        if not done.pulses:
            return None
        # Each pulse's own rise: the first starts from a pressure that has leaked while the pedal was up.
        force = [(float(test.force(p.before_counts)), float(test.force(p.after_counts))) for p in done.pulses]
        n = len(force)
        leaked = test.leak_per_s * force[-1][1] * (pause + width) / 1000.0
        flow = ((force[-1][1] - force[0][0]) / n + leaked) / rate
        noise = test.noise_N / 4.0 * math.sqrt(2.0) / n / rate
        own = float(np.std([b - a for a, b in force], ddof=1)) / rate if n > 3 else jitter
        # The seals may hold back, or have let go of, a part of the breakaway when the last pulse ends.
        stuck = 0.15 * float(test.calibration.get("friction_n", 0)) / n / rate
        return Series(width, n, flow, math.hypot(noise, own / math.sqrt(n), stuck))

    u_one = math.hypot(u_rate, 2.0 * rates.stroke_sd)
    return find_response(run, dead_ms=dead, slew_ms=test.shape.slew_ms, u_rate=u_one)


@dataclass(frozen=True)
class _Slow:
    opening: Lag | None
    closing: Lag | None
    rate: float
    u_rate: float
    pulses: PulseResponse


def _slow(test: _Test, rates: Rates) -> _Slow:
    """The slow feed's lags, rise rate and pulses, from long strokes: short ones hang in what the seals hold back."""
    touch = max(0.06 * test.capacity_N, 20.0 * test.noise_N)
    lines: list[tuple[float, float]] = []
    begins: list[tuple[float, float]] = []
    ends: list[tuple[float, float]] = []
    friction = float(test.calibration.get("friction_n", 0))
    for number in range(_SLOW_STEPS):
        if number % 2 == 0:
            test.hands.to_top()
            test.stroke(touch)
        here = test.here_N()
        step = max(0.08 * test.capacity_N, 3.0 * friction)
        if here + step > 0.92 * test.capacity_N:
            here = _ease_off(test, touch)
        window = test.stroke(here + step, slow=True)
        line = slow_rise(window)
        if line is None:
            continue
        lines.append((window.at_s, line))
        begin = fit_begin(window, test.shape, test.noise_N)
        if begin is not None:
            begins.append((window.at_s, begin[0]))
        # The slower the rise, the longer the stretch that shows it above the noise.
        before_ms = max(_SLOW_BEFORE_MS, _SLOW_BEFORE_NOISE * test.noise_N / line)
        end = fit_end(window, test.shape, test.noise_N, min(before_ms, window.cut_ms / 2))
        if end is not None:
            ends.append((window.at_s, end.end_ms))
    if len(lines) < 4 or len(ends) < 3:
        raise CheckFailed(
            "The slow feed's strokes against the block show no clear rise; check its solenoid and its throttle."
        )
    rate, sd = spread([value for _, value in lines])
    # Two strokes each share the flow of one stroke from the top.
    u_rate = math.hypot(3.2 * sd / math.sqrt(len(lines) / 2) / rate, 2.0 * test.calibration_u)
    u_rate = math.hypot(u_rate, rates.stroke_sd)
    opening = lag_of([v for _, v in begins], test.shape_u_ms, [at for at, _ in begins])
    closing = lag_of([v for _, v in ends], test.shape_u_ms, [at for at, _ in ends])
    return _Slow(opening, closing, rate, u_rate, _pulses(test, True, opening, closing, rates, rate))


# ---------------------------------------------------------------------- results
def _collect(
    test: _Test,
    rates: Rates,
    opening: Lag | None,
    closing: Lag | None,
    full: PulseResponse,
    slow: _Slow | None,
    corners: list[Corners],
) -> Characteristics:
    """Put everything into one record, in SI."""
    assert closing is not None
    opens = opening if opening is not None else closing
    # Corners that scatter by more than a valve does were not seen well, and the sensor's delay was read off them.
    vague_ms = max(lag.with_sensor_u_ms for lag in (opens, closing))
    vague_ms = vague_ms if vague_ms > _VAGUE_MS else 0.0
    split_ms = math.hypot(vague_ms, 2.0 * math.sqrt(max(0.0, _SPLIT_U_MS**2 - test.shape_u_ms**2)))
    friction = friction_of(test.travels, test.noise_N, test.shape.delay_ms, None)
    noise_u = test.noise_N * 0.15
    drift = closing.drift_ms
    pooled = [lag for lag in (opening, closing) if lag is not None]
    jitter2 = sum((lag.n - 1) * lag.sd_ms**2 for lag in pooled) / max(1, sum(lag.n - 1 for lag in pooled))
    rate = float(np.median([c.rate for c in corners])) if corners else rates.high
    # One corner is located to about noise / rate / sqrt(10); the step's own phase adds T^2/12.
    own = (test.noise_N / rate) ** 2 / 10.0 + 1.0 / 12.0
    lag_u = max(lag.with_sensor_u_ms for lag in (opens, closing))
    out = Characteristics(
        open_lag_s=opens.mean_ms / 1e3,
        close_lag_s=closing.mean_ms / 1e3,
        # Where the line's drop was measured, the device takes it off the reading; else it is a lead.
        sensor_lag_s=(test.shape.delay_ms + (test.drop_N or 0.0) / rates.low) / 1e3,
        jitter_s=math.sqrt(max(0.01, jitter2 - own)) / 1e3,
        rate_low_N_per_s=rates.low * 1e3,
        rate_high_N_per_s=rates.high * 1e3,
        changeover_N=rates.turn_N,
        stages=rates.stages,
        stages_why=rates.why,
        seen_from_N=rates.seen_from_N,
        seen_to_N=rates.seen_to_N,
        noise_N=test.noise_N,
        leak_per_s=test.leak_per_s,
        strokes=test.strokes,
        open_lag_u_s=None if opening is None else math.hypot(opening.u_ms, split_ms) / 1e3,
        close_lag_u_s=math.hypot(closing.u_ms, split_ms) / 1e3,
        jitter_u_s=sd_uncertainty(math.sqrt(jitter2), 1 + sum(lag.n - 1 for lag in pooled), own) / 1e3,
        sensor_lag_u_s=math.hypot(2.0 * test.shape_u_ms, split_ms) / 1e3,
        rate_low_u=rates.u_low,
        rate_high_u=rates.u_high,
        changeover_u_N=rates.u_turn_N,
        noise_u_N=noise_u,
        lag_drift_s=drift / 1e3,
        line_lag_s=test.shape.line_delay_ms / 1e3 if test.shape.line_hz > 0 else None,
        line_Hz=test.shape.line_hz or None,
        slew_s=test.shape.slew_ms / 1e3,
        friction_N=friction.running_N,
        friction_u_N=friction.u_running_N,
        friction_scatter_N=friction.scatter_N,
        friction_scatter_u_N=friction.u_scatter_N,
        breakaway_N=friction.breakaway_N,
        breakaway_u_N=friction.u_breakaway_N,
        line_drop_N=test.drop_N,
        zero_wander_N=friction.wander_N,
        zero_wander_u_N=friction.u_wander_N,
        open_samples_s=[round((c.begin_ms or 0.0) / 1e3, 6) for c in corners if c.begin_ms is not None],
        close_samples_s=[round(c.end_ms / 1e3, 6) for c in corners],
    )
    out.take_pulses(full, slow=False)
    if slow is not None:
        assert slow.closing is not None
        out.slow_open_lag_s = (slow.opening or slow.closing).mean_ms / 1e3
        out.slow_close_lag_s = slow.closing.mean_ms / 1e3
        out.slow_open_lag_u_s = None if slow.opening is None else slow.opening.u_ms / 1e3
        out.slow_close_lag_u_s = slow.closing.u_ms / 1e3
        out.rate_slow_N_per_s = slow.rate * 1e3
        out.rate_slow_u = slow.u_rate
        out.take_pulses(slow.pulses, slow=True)
        lag_u = max(lag_u, *(lag.with_sensor_u_ms for lag in (slow.opening, slow.closing) if lag is not None))
    out.lag_u_s = lag_u / 1e3
    return out


# ---------------------------------------------------------------------- presses without held levels
def _end_of_burst(window: Window, test: _Test) -> Corners | None:
    """Fit the end of flow by the shortest stretch before it that rises clearly above the noise, None without one.

    A small pump on a soft press raises the force by a few newtons a millisecond. A longer stretch may reach back into
    the pause between two strokes of the lever: its line must then fit to the noise.
    """
    for before_ms in BEFORE_MS:
        corner = fit_end(window, test.shape, test.noise_N, before_ms)
        if corner is not None and (before_ms == BEFORE_MS[0] or corner.rms_N < 2.0 * test.noise_N):
            return corner
    return None


def _without_steps(test: _Test, burst: bool, holds_load: bool) -> Characteristics:
    """Hand pumps (flow in bursts) and open-centre valves (no held force): what their strokes show, the rest unknown."""
    ends: list[float] = []
    begins: list[float] = []
    rates: list[float] = []
    if holds_load:
        for window in _steps(test, slow=False, wanted=_FULL_STEPS) + [a.window for a in test.approaches]:
            corner = _end_of_burst(window, test)
            if corner is not None:
                ends.append(corner.end_ms)
                rates.append(corner.rate)
    else:
        for _ in range(_FULL_STEPS - APPROACHES):
            test.hands.wait(0.2)
            rest = test.here_N()
            test.approaches.append(Approach(test.stroke(0.6 * test.capacity_N), rest, None))
        for approach in test.approaches:
            end = fit_drop(approach.window, test.noise_N)
            if end is not None:
                ends.append(end - test.shape.delay_ms)
        for approach in test.approaches[APPROACHES:]:
            begin = fit_begin(approach.window, test.shape, test.noise_N)
            if begin is not None:
                begins.append(begin[0])
                rates.append(begin[1])
    closing = lag_of(ends, UNSEEN_DELAY_U_MS)
    found = None if burst else _rates(test)
    if closing is None or not (rates or found):
        raise CheckFailed(
            "The strokes against the block show no clear rise: check that the ram meets the block, the pump runs "
            "and the relief valve is set above the calibration's lowest points."
        )
    opening = lag_of(begins, UNSEEN_DELAY_U_MS)
    steep = float(np.percentile(rates, 75)) if rates else 0.0
    u = 2.0 * float(np.std(rates)) / steep if len(rates) > 2 else 1.0
    if found is None:
        # Between bursts nothing flows: the rate within one counts, and one rate for all forces.
        why = "flow in bursts hides a changeover" if burst else "the strokes show no clear rise"
        found = Rates(steep, steep, u, u, None, None, None, 0.0, 0.0, why)
    out = _collect(test, found, opening, closing, UNKNOWN, None, [])
    out.jitter_s = max(0.001, math.sqrt(max(0.0, closing.sd_ms**2 - 1.0 / 12.0)) / 1e3)
    out.open_lag_u_s = None if opening is None else opening.u_ms / 1e3
    refuse_contradictions(out)
    out.doubts = doubts_about(out)
    return out
