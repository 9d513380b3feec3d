"""The press itself: cylinder, pump, oil, frame, valves, work, transducer and ADC (quasi-static, no ram mass).

Because everything is a chain of springs fed by a volume, the state is one volume `u` (m3 displaced past the
position at the top) and the force is a piecewise linear function of it; each interval between valve events is
then solved exactly, not integrated. 1/slope of force against volume = A (1/k_work + 1/k_f) + V/(beta A).

A second volume, `deficit`, says how much oil is missing before the ram moves down again: seal friction holds
the ram while pressure falls by 2 F_s/A (retract) or to nothing (leak in free travel).
"""

from __future__ import annotations

import bisect
import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from steadyram.press.pressfile import PressFile
from steadyram.virtual.bend import BentStrip, deepest_travel_m, strip_of
from steadyram.virtual.work import Part, make_part

STEP_S = 0.001
_BLOCK = 4096
_KEPT = 4 * _BLOCK


class NoiseTape:
    """Standard normal numbers by index, so that a step can be taken again after a rewind."""

    def __init__(self, seed: int, stream: int) -> None:
        self._rng = np.random.Generator(np.random.PCG64([seed, stream]))
        self._numbers: list[float] = []
        self._first = 0

    def at(self, index: int) -> float:
        """The number at an index; indices may go back, but by no more than a block."""
        place = index - self._first
        while place >= len(self._numbers):
            self._numbers.extend(self._rng.standard_normal(_BLOCK).tolist())
            if len(self._numbers) > _KEPT:
                # A press that is served for days must not remember every draw.
                del self._numbers[:_BLOCK]
                self._first += _BLOCK
                place -= _BLOCK
        if place < 0:
            raise IndexError(f"noise at index {index} was forgotten; a rewind may not go back that far")
        return self._numbers[place]


@dataclass(slots=True)
class Solenoid:
    """One relay and spool: commands become spool positions after two delays, each with jitter."""

    relay_s: float
    open_s: float
    close_s: float
    jitter_s: float
    tape: NoiseTape
    commanded: bool = False
    spool: bool = False
    pending: list[tuple[float, bool]] = field(default_factory=list)
    drawn: int = 0
    stuck: bool = False  # fault: stays open once open
    dead: bool = False  # fault: does not open

    def command(self, energised: bool, now_s: float) -> None:
        if energised == self.commanded:
            return
        self.commanded = energised
        relay = max(0.0, self.relay_s + self.jitter_s * self.tape.at(self.drawn))
        spool = max(
            0.0, (self.open_s if energised else self.close_s) + self.jitter_s * self.tape.at(self.drawn + 1)
        )
        self.drawn += 2
        when = now_s + relay + spool
        # A later command overrides whatever an earlier one would still have done after it.
        self.pending = [event for event in self.pending if event[0] < when]
        self.pending.append((when, energised))

    def due(self, until_s: float) -> float | None:
        return self.pending[0][0] if self.pending and self.pending[0][0] <= until_s else None

    def advance(self, now_s: float) -> None:
        while self.pending and self.pending[0][0] <= now_s:
            self.spool = self.pending.pop(0)[1] or (self.stuck and self.spool)

    @property
    def open(self) -> bool:
        return self.spool and not self.dead


class Plant:
    """A press file brought to life. Time in seconds from power-on of the plant, forces in newtons.

    seed: of every random draw (valve delays, sensor noise, parts). Deterministic: same seed, same figures.
    """

    def __init__(self, press: PressFile, seed: int = 0) -> None:
        self.press = press
        self.step_index = 0
        self.u = 0.0
        self._noise = NoiseTape(seed, 1)
        valve_tapes = (NoiseTape(seed, 2), NoiseTape(seed, 3), NoiseTape(seed, 4))
        self._parts = NoiseTape(seed, 5)
        self._place_noise = NoiseTape(seed, 6)
        self._coils = NoiseTape(seed, 7)
        self._coils_drawn = 0
        self.strip: BentStrip | None = None
        self.place_override: Callable[[int, int], int] | None = None
        self.lost_share = 0.0
        self._lost_m = 0.0
        self._lost_from_m = 0.0
        self.deepest_m = 0.0
        self._parts_drawn = 0
        v = press.valve
        self.extend, self.retract, self.slow = (
            Solenoid(v.relay_delay, v.open_delay, v.close_delay, v.jitter, tape) for tape in valve_tapes
        )
        self.motor_off_s = -1.0
        self._flowing = False
        self.leak_extra = 0.0
        self._leak_key = (0.0, 0.0)
        self._leak_lost = 0.0
        self.sensor_override: Callable[[int, int], int] | None = None
        self.supply_factor = 1.0
        self._play = 0.0
        self.peak_N = 0.0
        self._derive()
        self.deficit = self.dead_band
        self.pressure_Pa = 0.0
        self.sensed_Pa = 0.0
        self._load_work(0.0, 0.0)

    # ------------------------------------------------------------------ parameters
    def _derive(self) -> None:
        press = self.press
        self.area = press.cylinder.area_m2
        self.friction = press.cylinder.seal_friction
        self.oil_compliance = press.oil.trapped_volume / press.oil.bulk_modulus
        self.dead_band = self.oil_compliance * self.friction / self.area
        self.relief_N = press.pump.relief * self.area - self.friction
        change = press.pump.changeover
        self.changeover_N = math.inf if change is None else change * self.area - self.friction
        self.flow_low = press.pump.flow_m3_s(0.0)
        self.flow_high = press.pump.flow_m3_s(math.inf)
        self.flow_slow = press.valve.slow_feed if press.valve.slow_feed is not None else 0.0
        self.lag_s = press.transducer.lag
        self._decay = math.exp(-STEP_S / self.lag_s) if self.lag_s > 0 else 0.0
        self.return_flow = self.flow_low * (
            self.area / press.cylinder.annulus_m2 if press.cylinder.return_ == "powered" else 1.0
        )
        self._codes = (1 << press.adc.bits) - 1
        self._shift = 16 - press.adc.bits
        self._noise_sd = press.transducer.noise
        self._gain_error = press.transducer.gain_error
        self._zero_share = press.transducer.zero_error / press.transducer.range
        self._position = press.position

    def set_press(self, press: PressFile) -> None:
        """Change parameters in mid-batch (oil, valve, transducer, work); the ram stays where it is."""
        self.press = press
        v = press.valve
        for solenoid in (self.extend, self.retract, self.slow):
            solenoid.relay_s, solenoid.open_s, solenoid.close_s = v.relay_delay, v.open_delay, v.close_delay
            solenoid.jitter_s = v.jitter
        self._derive()
        self._chart()

    def next_part(self) -> None:
        """Draw and load the next part of the press file's work (its own plateau and travel, or its own strength)."""
        i = self._parts_drawn
        self._parts_drawn += 2
        self._load_work(self._parts.at(i), self._parts.at(i + 1))

    def next_coil(self) -> None:
        """Cut the sheets from another coil from the next one on (bent work)."""
        self._coils_drawn += 1

    def _load_work(self, first: float, second: float) -> None:
        work = self.press.work
        if work.kind == "bend":
            strip = strip_of(work, self._coils.at(self._coils_drawn), first)
            self.load_part(strip.part(work.gap))
            self.strip = strip
        else:
            self.load_part(make_part(work, first, second))

    def load_part(self, part: Part) -> None:
        """Put a fresh part under the ram. The ram must be clear of it."""
        self.part = part
        self.strip = None
        self._chart()
        self.u_max = self.u_contact
        self.force_max = 0.0

    def released_angle_rad(self) -> float | None:
        """Bend angle (0 is flat) that the sheet on the die has once released; None when no sheet is on it.

        Follows from how deep the ram has been in it at most, whatever it does now.
        """
        return None if self.strip is None else self.strip.released_at(deepest_travel_m(self))

    def _chart(self) -> None:
        """Corner points of force against volume for the part under the ram."""
        part = self.part
        self.u_contact = self.area * part.gap_m
        flex = self.area / self.press.frame.stiffness + self.oil_compliance / self.area
        us, fs = [self.u_contact], [0.0]
        x0, f0 = 0.0, 0.0
        for x1, f1 in part.corners:
            us.append(us[-1] + self.area * (x1 - x0) + (f1 - f0) * flex)
            fs.append(f1)
            x0, f0 = x1, f1
        self._us, self._fs = us, fs
        self._end_slope = 1.0 / (self.area / part.stiffness_N_m + flex)

    # ------------------------------------------------------------------ force and volume
    def _virgin(self, u: float) -> float:
        us, fs = self._us, self._fs
        if u <= us[0]:
            return 0.0
        if u >= us[-1]:
            return fs[-1] + self._end_slope * (u - us[-1])
        i = bisect.bisect_right(us, u)
        return fs[i - 1] + (fs[i] - fs[i - 1]) * (u - us[i - 1]) / (us[i] - us[i - 1])

    def _virgin_u(self, force: float) -> float:
        us, fs = self._us, self._fs
        if force >= fs[-1]:
            return us[-1] + (force - fs[-1]) / self._end_slope
        i = bisect.bisect_right(fs, force)
        return us[i - 1] + (us[i] - us[i - 1]) * (force - fs[i - 1]) / (fs[i] - fs[i - 1])

    @property
    def force_N(self) -> float:
        """Force on the work, newtons: what a load cell under the ram shows."""
        if self.u >= self.u_max:
            return self._virgin(self.u)
        force = self.force_max - self._end_slope * (self.u_max - self.u)
        # Rounding must not leave the ram hanging on a billionth of a newton.
        return force if force > 1e-6 else 0.0

    def _u_at(self, force: float) -> float:
        if force >= self.force_max:
            return self._virgin_u(force)
        return self.u_max - (self.force_max - force) / self._end_slope

    @property
    def position_m(self) -> float:
        """Ram travel from the top, metres (the oil's compression taken out)."""
        return (self.u - self.oil_compliance * self.force_N / self.area) / self.area

    @property
    def at_top(self) -> bool:
        return self.u <= 0.0

    @property
    def time_s(self) -> float:
        return self.step_index * STEP_S

    # ------------------------------------------------------------------ one step
    def command(self, extend: bool, retract: bool, slow: bool) -> None:
        """What the relays are told, from now on."""
        now = self.time_s
        self.extend.command(extend, now)
        self.retract.command(retract, now)
        self.slow.command(slow, now)

    def step(self) -> int:
        """Advance one millisecond; return the ADC count on the 16-bit scale."""
        now = self.time_s
        end = (self.step_index + 1) * STEP_S
        extend, retract, slow = self.extend, self.retract, self.slow
        if extend.pending or retract.pending or slow.pending:
            while True:
                due = [t for t in (extend.due(end), retract.due(end), slow.due(end)) if t is not None]
                if not due:
                    break
                when = min(due)
                if when > now:
                    self._flow(now, when - now)
                    now = when
                extend.advance(when)
                retract.advance(when)
                slow.advance(when)
        if end > now:
            self._flow(now, end - now)
        self.step_index += 1
        return self._convert()

    def _flow(self, now: float, dt: float) -> None:
        p0 = self.pressure_Pa
        extend, slow, retract = self.extend, self.slow, self.retract
        extending = extend.spool and not extend.dead
        if extending or (slow.spool and not slow.dead):
            if self.press.pump.burst:
                self._burst(now, dt)
            else:
                self._extend(dt, 1.0)
            self._flowing = extending
            self.motor_off_s = now + dt
        elif retract.spool and not retract.dead:
            self._retract(dt)
            self._flowing = False
        elif (
            self._flowing
            and self.press.pump.coast_down > 0
            and now - self.motor_off_s < self.press.pump.coast_down
        ):
            share = 1.0 - (now + dt / 2 - self.motor_off_s) / self.press.pump.coast_down
            self._extend(dt, max(0.0, share))
        else:
            self._flowing = False
            self._hold(dt)
        force = self.force_N
        if force > self.peak_N:
            self.peak_N = force
        if self._position is not None:
            here = (self.u - self.oil_compliance * force / self.area) / self.area
            if here > self.deepest_m:
                self.deepest_m = here
            if self.lost_share and here > self._lost_from_m:
                self._lost_m += self.lost_share * (here - self._lost_from_m)
            self._lost_from_m = here
        p1 = (force + self.friction) / self.area - self.deficit / self.oil_compliance
        if p1 < 0.0:
            p1 = 0.0
        self.pressure_Pa = p1
        if self.lag_s > 0:
            # First-order lag behind a ramp, exact: textbook solution of tau y' + y = p0 + s t.
            decay = self._decay if dt == STEP_S else math.exp(-dt / self.lag_s)
            shift = self.lag_s * (p1 - p0) / dt if dt > 0 else 0.0
            self.sensed_Pa = p1 - shift + (self.sensed_Pa - p0 + shift) * decay
        else:
            self.sensed_Pa = p1

    def _burst(self, now: float, dt: float) -> None:
        strokes = self.press.pump.strokes or 1.0
        period = 1.0 / strokes
        while dt > 1e-12:
            phase = math.fmod(now, period)
            delivering = phase < period / 2
            edge = (period / 2 if delivering else period) - phase
            part = min(dt, max(edge, 1e-9))
            if delivering:
                self._extend(part, 1.0)
            else:
                self._hold(part)
            now += part
            dt -= part

    def _extend(self, dt: float, share: float) -> None:
        slow_only = self.slow.open and not self.extend.open
        for _ in range(4):
            force = self.force_N
            low = force < self.changeover_N
            flow = self.flow_low if low else self.flow_high
            if slow_only:
                flow = min(flow, self.flow_slow)
            flow *= share
            volume = flow * dt
            if volume <= 0.0:
                return
            if self.deficit > 0.0:
                used = min(self.deficit, volume)
                self.deficit -= used
                dt -= used / flow
                if dt <= 1e-12:
                    return
                continue
            ceiling = self._u_at(self.relief_N)
            if low and self.changeover_N < self.relief_N and not slow_only:
                turn = self._u_at(self.changeover_N)
                if self.u < turn < self.u + volume:
                    dt -= (turn - self.u) / flow
                    self._move_to(turn * (1 + 1e-15))
                    if self.force_N < self.changeover_N:
                        self.u = math.nextafter(self.u, math.inf)
                    continue
            self._move_to(min(self.u + volume, max(self.u, ceiling)))
            return

    def _move_to(self, u: float) -> None:
        self.u = u
        if u > self.u_max:
            self.u_max = u
            self.force_max = self._virgin(u)

    def _retract(self, dt: float) -> None:
        volume = self.return_flow * dt
        band = 2.0 * self.dead_band if self.force_N > 0.0 else self.dead_band
        if self.deficit < band:
            used = min(band - self.deficit, volume)
            self.deficit += used
            volume -= used
        if self.force_N > 0.0:
            # Unloading: same springs, friction now on the other side.
            bottom = self.u_max - self.force_max / self._end_slope
            self.u = max(self.u - volume, bottom)
            if self.u <= bottom:
                self.deficit = self.dead_band
            return
        self.deficit = self.dead_band
        self.u = max(0.0, self.u - volume)

    def _hold(self, dt: float) -> None:
        if not self.press.valve.load_holding:
            if self.force_N > 0.0:
                self.u = self.u_max - self.force_max / self._end_slope
            self.deficit = self.dead_band
            return
        rate = self.press.valve.leak_down + self.leak_extra
        if rate <= 0.0:
            return
        if (rate, dt) != self._leak_key:
            # exp is dear, and almost every step is a whole one at the same rate
            self._leak_key = (rate, dt)
            self._leak_lost = 1.0 - math.exp(-rate * dt)
        lost = self._leak_lost
        force = self.force_N
        if force > 0.0:
            drop = (force + self.friction) * lost
            self.u -= min(drop, force) / self._end_slope
        elif self.deficit < self.dead_band:
            self.deficit += (self.dead_band - self.deficit) * lost

    def _convert(self) -> int:
        t = self.press.transducer
        full = t.range
        value = self.sensed_Pa
        if t.hysteresis > 0.0:
            # Play operator: the reading lags direction reversals by half the stated band.
            half = t.hysteresis * full / 2.0
            self._play = min(max(self._play, value - half), value + half)
            value = self._play
        share = value / full
        share += self._gain_error * share + self._zero_share
        if t.nonlinearity:
            share += 4.0 * t.nonlinearity * share * (1.0 - share)
        share += self._noise_sd * self._noise.at(self.step_index)
        fraction = (0.1 + 0.8 * share) * self.supply_factor
        code = int((0.0 if fraction < 0.0 else 1.0 if fraction > 1.0 else fraction) * self._codes + 0.5)
        counts = code << self._shift
        if self.sensor_override is not None:
            counts = self.sensor_override(self.step_index, counts)
        return counts

    def place(self) -> int:
        """Reading of the position sensor after the last step, 0 to 65535 (an encoder's count wraps); 0 without one."""
        sensor = self._position
        if sensor is None:
            return 0
        travel = self.position_m - self._lost_m
        if sensor.kind == "encoder":
            counts = math.floor(travel * (1.0 + sensor.gain_error) / (sensor.step or 1.0) + 0.5) & 0xFFFF
        else:
            share = travel / (sensor.range or 1.0)
            share += sensor.gain_error * share + 4.0 * sensor.nonlinearity * share * (1.0 - share)
            if sensor.noise:
                share += sensor.noise * self._place_noise.at(self.step_index)
            fraction = min(1.0, max(0.0, 0.05 + 0.9 * share))
            counts = int(fraction * self._codes + 0.5) << self._shift
        if self.place_override is not None:
            counts = self.place_override(self.step_index, counts)
        return counts

    # ------------------------------------------------------------------ rewind
    def snapshot(self) -> tuple[object, ...]:
        """All that a step changes, to come back to with `restore`."""
        return (
            self.step_index, self.u, self.deficit, self.u_max, self.force_max, self.pressure_Pa,
            self.sensed_Pa, self.peak_N, self._play, self._flowing, self.motor_off_s,
            self.deepest_m, self._lost_m, self._lost_from_m,
            self.extend.spool, tuple(self.extend.pending),
            self.retract.spool, tuple(self.retract.pending),
            self.slow.spool, tuple(self.slow.pending),
        )  # fmt: skip

    def restore(self, state: tuple[object, ...]) -> None:
        (
            self.step_index, self.u, self.deficit, self.u_max, self.force_max, self.pressure_Pa,
            self.sensed_Pa, self.peak_N, self._play, self._flowing, self.motor_off_s,
            self.deepest_m, self._lost_m, self._lost_from_m,
            self.extend.spool, extend, self.retract.spool, retract, self.slow.spool, slow,
        ) = state  # type: ignore[assignment]  # fmt: skip
        self.extend.pending, self.retract.pending, self.slow.pending = list(extend), list(retract), list(slow)  # type: ignore[call-overload]
