"""The press itself: cylinder, pump, oil, frame, valves, work, transducer and ADC (quasi-static, no ram mass).

Because everything is a chain of springs fed by a volume, the state is one volume `u` (m3 displaced past the
position at the top) and the force is a piecewise linear function of it; each interval between valve events is
then solved exactly, not integrated. 1/slope of force against volume = A (1/k_work + 1/k_f) + V/(beta A).

A second volume, `deficit`, says how much oil is missing before the ram moves down again: seal friction holds
the ram while pressure falls by 2 F_s/A (retract) or to nothing (leak in free travel). With breakaway friction a
ram at rest stays where it is until the deficit is `-excess`; it then slips on by that volume.
"""

from __future__ import annotations

import bisect
import math
from collections.abc import Callable

from steadyram.press.pressfile import PressFile
from steadyram.virtual.bend import BentStrip, strip_of
from steadyram.virtual.feed import Feed
from steadyram.virtual.noise import NoiseTape
from steadyram.virtual.rod_side import rod_side_of
from steadyram.virtual.sensing import SPIKE_DECAY_S, Matrix, WideCodes, line_step, transition
from steadyram.virtual.solenoid import Solenoid
from steadyram.virtual.work import Part, make_part

__all__ = ["STEP_S", "NoiseTape", "Plant", "Solenoid"]

STEP_S = 0.001
_SPIKE_STEP = math.exp(-STEP_S / SPIKE_DECAY_S)
# Draws of one stroke: flow, friction, zero.
_STROKE_DRAWS = 3
# A reading of so little is none: a part in 10^15 of any transducer's range.
# Contactor 30 ms, then 34 J of a 1.1 kW rotor (3 g m2 at 150 rad/s) against the pump's 0.7 kW: taken as full flow, then
# none (judgement; rotor from memory of data sheets).
MOTOR_RUNS_ON_S = 0.08
_VACUUM_PA = -101325.0
_DEAD_PA = 1e-9
# The least that is left of a scattered gap or friction, as a share.
_LEAST_SHARE = 0.1


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
        self._gaps = NoiseTape(seed, 8)
        self._strokes = NoiseTape(seed, 9)
        self._edge_signs = NoiseTape(seed, 10)
        self._edges_drawn = 0
        self.strip: BentStrip | None = None
        self.place_override: Callable[[int, int], int] | None = None
        self.lost_share = 0.0
        self._lost_m = 0.0
        self._lost_from_m = 0.0
        self.deepest_m = 0.0
        self._parts_drawn = 0
        v = press.valve
        self.extend, self.retract, self.slow = (
            Solenoid(v.relay_delay, v.open_delay, v.close_delay, v.jitter, tape, v.pull_in, v.slew, v.overlap)
            for tape in valve_tapes
        )
        self._busy = False
        self._resting = False
        self._shut = False
        # Spools under way; something that a quick look at the events would miss.
        self._sliding = False
        self._touched = True
        self._cold_since_s = 0.0
        # Contacts that are to switch a coil: time, size of the spike, solenoid.
        self._contacts: list[tuple[float, float, Solenoid]] = []
        self._spike = 0.0
        # Strokes begun at the top; `_rested` until the next one begins.
        self._stroke = -1
        self._rested = True
        self._stuck = True
        self._at_begin_Q = 0.0
        self._at_end_Q = 0.0
        self.line_state = (0.0, 0.0, 0.0)
        # Force of a shut rod side against the ram.
        self.rod_N = 0.0
        self.motor_off_s = -1.0
        self._flowing = False
        self.leak_extra = 0.0
        # Motor of the pump; and what a release valve opened by hand lets out of a ram that oil returns, share a second.
        self.motor_dropped = False
        self._pump_still_s = math.inf
        self.bleed = 0.0
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
        self.oil_compliance = press.oil.trapped_volume / press.oil.bulk_modulus
        self._relief_Pa = press.pump.relief
        self._busy = self._touched = True
        self._stroke_figures()
        self.flow_low = press.pump.flow_m3_s(0.0)
        self.flow_high = press.pump.flow_m3_s(math.inf)
        self.flow_slow = press.valve.slow_feed if press.valve.slow_feed is not None else 0.0
        self.lag_s = press.transducer.lag
        self._decay = math.exp(-STEP_S / self.lag_s) if self.lag_s > 0 else 0.0
        self.return_flow = press.return_flow_m3_s
        self._codes = (1 << press.adc.bits) - 1
        self._shift = 16 - press.adc.bits
        self._noise_sd = press.transducer.noise
        self._gain_error = press.transducer.gain_error
        self._range = press.transducer.range
        self._half_play = press.transducer.hysteresis * self._range / 2.0
        self._nonlinearity = press.transducer.nonlinearity
        self._position = press.position
        # A force sensor sees the work's force, as the pressure that makes it without friction.
        self._by_force = press.force_sensor is not None
        t = press.transducer
        self._wide = WideCodes(press.adc.bits, press.adc.wide_codes) if press.adc.wide_codes > 1.0 else None
        self._line_drop = t.line_drop / self.flow_low if self.flow_low > 0.0 else 0.0
        self._line: Matrix | None = None
        self._line_figures = (0.0,) * 10
        if t.line_frequency is not None:
            self._line = phi = transition(t.line_frequency, t.line_damping, t.lag, STEP_S)
            w = 2.0 * math.pi * t.line_frequency * STEP_S
            self._line_figures = (
                2.0 * t.line_damping / w, 1.0 / w, t.lag / STEP_S,
                phi[0][0], phi[0][1], phi[1][0], phi[1][1], phi[2][0], phi[2][1], phi[2][2],
            )  # fmt: skip
        self._by_burst, self._coast_s = press.pump.burst, press.pump.coast_down
        self._by_spring = press.cylinder.return_ == "spring"
        self._holds, self._leak_down = press.valve.load_holding, press.valve.leak_down
        circuit = press.circuit
        self._tandem = circuit.centre == "tandem"
        self._restricted = circuit.slow_control == "restrictor"
        self._rod_side = rod_side_of(press)
        self._rod_most_N = math.inf if self._rod_side is None else self._rod_side.relief_N
        self._outlet_shut = circuit.rod_outlet_shut
        self._rod_stiffness = 0.0
        if circuit.centre != "float" or circuit.rod_outlet_shut:
            self._rod_stiffness = press.oil.bulk_modulus * press.cylinder.annulus_m2**2 / circuit.rod_volume
        # Nothing but force, pressure and the transducer's lag has to be followed while the oil is held.
        self._plain = press.position is None and self._rod_stiffness == 0.0 and self._rod_side is None
        self._ripple = 0.0 if press.pump.burst else press.pump.ripple
        self._ripple_rad_s = 2.0 * math.pi * press.pump.ripple_frequency

    def _stroke_figures(self) -> None:
        """Work out friction, flow and zero of the present stroke, and the forces that follow from them."""
        press = self.press
        flow, friction, zero = (
            (0.0, 0.0, 0.0)
            if self._stroke < 0
            else (self._strokes.at(_STROKE_DRAWS * self._stroke + i) for i in range(_STROKE_DRAWS))
        )
        seal = press.cylinder
        self.friction = seal.seal_friction * max(_LEAST_SHARE, 1.0 + seal.friction_scatter * friction)
        self.dead_band = self.oil_compliance * self.friction / self.area
        self._excess = (seal.breakaway - 1.0) * self.dead_band
        self._flow_share = max(_LEAST_SHARE, 1.0 + press.pump.flow_scatter * flow)
        t = press.transducer
        self._zero_share = t.zero_error / t.range + t.zero_wander * zero
        # What hangs on the ram presses, too. Both pressures hold a counterbalance valve open by its pilot.
        self.load_N = press.circuit.hanging_load
        self.relief_N = self._relief_Pa * self.area - self.friction + self.load_N
        change = press.pump.changeover
        self.changeover_N = math.inf if change is None else change * self.area - self.friction + self.load_N
        side = rod_side_of(press)
        self._falls_to_N = 0.0 if side is None else side.falls_to_N(self.friction, seal.breakaway)

    def set_relief(self, pressure_Pa: float) -> None:
        """Set the pressure at which the relief valve opens, until the press file is set again."""
        self._relief_Pa = pressure_Pa
        self._stroke_figures()

    def _begin_stroke(self) -> None:
        """The ram leaves the top: friction, flow and zero are those of another stroke."""
        self._rested = False
        self._stroke += 1
        was = self.dead_band
        self._stroke_figures()
        # At rest at the top the seal holds whatever its friction is now.
        self.deficit += self.dead_band - was

    def set_press(self, press: PressFile) -> None:
        """Change parameters in mid-batch (oil, valve, transducer, work); the ram stays where it is.

        A new `valve.warm_up` begins to decay now.
        """
        if press.valve.warm_up != self.press.valve.warm_up:
            self._cold_since_s = self.time_s
        self.press = press
        v = press.valve
        for solenoid in (self.extend, self.retract, self.slow):
            solenoid.relay_s, solenoid.open_s, solenoid.close_s = v.relay_delay, v.open_delay, v.close_delay
            solenoid.jitter_s = v.jitter
            solenoid.pull_in, solenoid.slew_s, solenoid.overlap = v.pull_in, v.slew, v.overlap
        self._derive()
        self._chart()

    def next_part(self) -> None:
        """Draw and load the next part of the press file's work (its own plateau and travel, or its own strength)."""
        i = self._parts_drawn
        self._parts_drawn += 2
        self._load_work(self._parts.at(i), self._parts.at(i + 1), self._gaps.at(i // 2))

    def next_coil(self) -> None:
        """Cut the sheets from another coil from the next one on (bent work)."""
        self._coils_drawn += 1

    def _load_work(self, first: float, second: float, third: float = 0.0) -> None:
        work = self.press.work
        if work.gap_scatter > 0.0:
            least, most = _LEAST_SHARE * work.gap, self.press.cylinder.stroke
            work = work.model_copy(update={"gap": min(most, max(least, work.gap + work.gap_scatter * third))})
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
        self._busy = self._touched = True

    def released_angle_rad(self) -> float | None:
        """Bend angle (0 is flat) that the sheet on the die has once released; None when no sheet is on it.

        Follows from how deep the ram has been in it at most, whatever it does now.
        """
        return None if self.strip is None else self.strip.released_at(self.deepest_travel_m())

    def deepest_travel_m(self) -> float:
        """Return how deep the ram has been pressed into the part past contact at most, in metres.

        Ram travel less the gap, the oil's and the frame's give taken out; less than zero before contact.
        """
        force = self.force_max
        ram_m = (self.u_max - self.oil_compliance * force / self.area) / self.area
        return ram_m - self.part.gap_m - force / self.press.frame.stiffness

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
        u = self.u
        if u >= self.u_max:
            return 0.0 if u <= self._us[0] else self._virgin(u)
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
        """True while the ram is at the top switch."""
        return self.u <= 0.0

    @property
    def time_s(self) -> float:
        """Seconds of virtual time since the plant began."""
        return self.step_index * STEP_S

    # ------------------------------------------------------------------ one step
    def command(self, extend: bool, retract: bool, slow: bool) -> None:
        """Tell the relays what is energised from now on."""
        for solenoid, wanted in ((self.extend, extend), (self.retract, retract), (self.slow, slow)):
            if wanted != solenoid.commanded:
                self._switch(solenoid, wanted)

    def drop_motor(self, dropped: bool) -> None:
        """Take the pump's motor off its supply or give it back; it delivers in full until it has run down."""
        if dropped != self.motor_dropped:
            self.motor_dropped = dropped
            self._pump_still_s = self.time_s + MOTOR_RUNS_ON_S if dropped else math.inf

    def _switch(self, solenoid: Solenoid, energised: bool) -> None:
        now = self.time_s
        valve = self.press.valve
        factor = 1.0
        if valve.warm_up > 0.0:
            factor += valve.warm_up * math.exp(-(now - self._cold_since_s) / valve.warm_up_time)
        contact_s = solenoid.command(energised, now, factor)
        self._busy = self._touched = True
        size = self.press.transducer.switching_spike
        if size <= 0.0:
            return
        # Both coils couple in: the relay's now, the solenoid's when the contact switches.
        signs = [math.copysign(size, self._edge_signs.at(self._edges_drawn + i)) for i in range(2)]
        self._edges_drawn += 2
        self._spike += signs[0]
        if contact_s is None:
            # A contact that was to close stays open.
            self._contacts = [each for each in self._contacts if each[2] is not solenoid or each[0] <= now]
        else:
            self._contacts.append((contact_s, signs[1], solenoid))
            self._contacts.sort(key=lambda each: each[0])

    def valves_touched(self) -> None:
        """Look at the spools anew in the next step; call after changing a solenoid from outside."""
        self._busy = self._touched = True

    def step(self) -> int:
        """Advance one millisecond; return the ADC count on the 16-bit scale."""
        if self._spike:
            self._spike *= _SPIKE_STEP
        if self._busy:
            self._resting = False
            now = self.step_index * STEP_S
            self._busy_step(now, (self.step_index + 1) * STEP_S)
        elif self._resting:
            pass
        elif self._shut and self._plain:
            self._held_step()
        else:
            self._flow(self.step_index * STEP_S, STEP_S)
            # Valves shut, no pressure and nothing that still decays: the next step changes nothing.
            self._resting = self.pressure_Pa == 0.0 and self._settled()
        self.step_index += 1
        return self._convert()

    def _held_step(self) -> None:
        """Hold for a millisecond: `_flow` with every valve shut, in fewer operations."""
        p0 = self.pressure_Pa
        if p0 == 0.0 and self._settled():
            self._resting = True
            return
        f0 = self.force_N if self._by_force else 0.0
        self._hold(STEP_S)
        u = self.u
        if u < self.u_max:
            force = self.force_max - self._end_slope * (self.u_max - u)
            if force <= 1e-6:
                force = 0.0
        else:
            force = 0.0 if u <= self._us[0] else self._virgin(u)
        p1 = (force + self.friction) / self.area - self.deficit / self.oil_compliance
        if p1 < 0.0:
            p1 = 0.0
        self.pressure_Pa = p1
        if self._by_force:
            p0, p1 = f0 / self.area, force / self.area
        lag = self.lag_s
        if self._line is not None:
            self._line_whole(p0, p1)
        elif lag > 0.0:
            shift = lag * (p1 - p0) / STEP_S
            self.sensed_Pa = p1 - shift + (self.sensed_Pa - p0 + shift) * self._decay
        else:
            self.sensed_Pa = p1

    def _settled(self) -> bool:
        """Tell whether a press without pressure stays as it is; a reading that has as good as died is zero."""
        if self.extend.open or self.slow.open or self.retract.open or self._flowing:
            return False
        if self._line is not None:
            a, b, c = self.line_state
            if abs(a) + abs(b) + abs(c) > _DEAD_PA:
                return False
            self.line_state = (0.0, 0.0, 0.0)
        elif abs(self.sensed_Pa) > _DEAD_PA:
            return False
        self.sensed_Pa = 0.0
        if self._falls_to_N > 0.0:
            return False
        return self.deficit == self.dead_band and self.force_N == 0.0

    def _busy_step(self, now: float, end: float) -> None:
        """Take a millisecond in which valves may switch, from one event to the next."""
        solenoids = (self.extend, self.retract, self.slow)
        contacts = self._contacts
        if not self._touched and not self._sliding:
            nearest = contacts[0][0] if contacts else math.inf
            for each in solenoids:
                if each.pending and each.pending[0][0] < nearest:
                    nearest = each.pending[0][0]
            if nearest > end:
                self._flow(now, STEP_S)
                return
        self._touched = False
        self._sliding = any(each.moving for each in solenoids)
        while contacts and contacts[0][0] <= end:
            when, size, _ = contacts[0]
            # A new list: a snapshot may hold the old one.
            contacts = self._contacts = contacts[1:]
            self._spike += size * math.exp(-(end - max(now, when)) / SPIKE_DECAY_S)
        whole = True
        while True:
            due = [t for t in (each.due(end) for each in solenoids) if t is not None]
            when = min(due) if due else end
            if self._sliding:
                kink = now + min(each.kink_s() for each in solenoids)
                if kink < when - 1e-12:
                    when = kink
            if when > now:
                whole = whole and when == end
                self._flow(now, STEP_S if whole else when - now)
                whole = False
                for each in solenoids:
                    each.slide(when - now)
                now = when
            for each in solenoids:
                each.advance(now)
            self._sliding = any(each.moving for each in solenoids)
            if now >= end:
                break
        self._busy = bool(self._contacts) or self._sliding or any(each.pending for each in solenoids)
        self._shut = not (self._flowing or any(each.open for each in solenoids))

    def _flow(self, now: float, dt: float) -> None:
        p0 = self.pressure_Pa
        f0 = self.force_N if self._by_force else 0.0
        extend, slow, retract = self.extend, self.slow, self.retract
        extending = extend.spool and not extend.dead
        self._at_begin_Q = self._at_end_Q = 0.0
        if now >= self._pump_still_s:
            self._unpumped(now, dt)
        elif self._sliding:
            self._slew(now, dt)
        elif extending or (slow.spool and not slow.dead):
            if self._by_burst:
                self._burst(now, dt, None)
            else:
                self._extend(now, dt, 1.0, self._rippled(dt))
            self._flowing = extending
            self.motor_off_s = now + dt
        elif retract.spool and not retract.dead:
            self._retract(dt)
            self._flowing = False
        else:
            self._unfed(now, dt)
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
        p1 = (force + self.rod_N + self.friction) / self.area - self.deficit / self.oil_compliance
        if self._rod_side is not None:
            p1 = self._rod_side.held_Pa(p1 * self.area, self.friction, force + self.rod_N > 0.0)
        if p1 < 0.0:
            p1 = 0.0
        self.pressure_Pa = p1
        if self._by_force:
            p0, p1 = f0 / self.area, force / self.area
        elif self._line_drop > 0.0:
            # The transducer at the pump's end reads the line's drop, too: laminar, so proportional to the flow.
            p0 += self._line_drop * self._at_begin_Q
            p1 += self._line_drop * self._at_end_Q
        if self._line is not None:
            self._behind_line(p0, p1, dt)
        elif self.lag_s > 0:
            # First-order lag behind a ramp, exact: textbook solution of tau y' + y = p0 + s t.
            decay = self._decay if dt == STEP_S else math.exp(-dt / self.lag_s)
            shift = self.lag_s * (p1 - p0) / dt if dt > 0 else 0.0
            self.sensed_Pa = p1 - shift + (self.sensed_Pa - p0 + shift) * decay
        else:
            self.sensed_Pa = p1

    def _behind_line(self, p0: float, p1: float, dt: float) -> None:
        """Pass the pressure through line and transducer."""
        if dt == STEP_S:
            self._line_whole(p0, p1)
            return
        t = self.press.transducer
        f = t.line_frequency
        if f is None or dt <= 0.0:
            return
        phi = transition(f, t.line_damping, t.lag, dt)
        self.line_state = line_step(self.line_state, p0, p1, dt, f, t.line_damping, t.lag, phi)
        self.sensed_Pa = self.line_state[2]

    def _line_whole(self, p0: float, p1: float) -> None:
        """`sensing.line_step` for a whole millisecond, its constants worked out before."""
        a, b, c = self.line_state
        behind_share, speed_share, late_share, m00, m01, m10, m11, m20, m21, m22 = self._line_figures
        rise = p1 - p0
        behind = behind_share * rise
        speed = speed_share * rise
        a -= p0 - behind
        b -= speed
        line = p1 - behind + m00 * a + m01 * b
        rate = speed + m10 * a + m11 * b
        if line < _VACUUM_PA:
            # A line that is let go at once swings below zero: oil parts there, no gauge pressure is lower.
            line, rate = _VACUUM_PA, max(rate, 0.0)
        if late_share > 0.0:
            late = behind + late_share * rise
            self.sensed_Pa = p1 - late + m20 * a + m21 * b + m22 * (c - p0 + late)
        else:
            self.sensed_Pa = line
        self.line_state = (line, rate, self.sensed_Pa)

    def _unpumped(self, now: float, dt: float) -> None:
        """Let the motor coast or the oil rest, whatever the spools do; a spring still returns its ram."""
        if self._by_spring and self.retract.spool and not self.retract.dead:
            self._retract(dt)
            self._flowing = False
        else:
            self._unfed(now, dt)

    def _unfed(self, now: float, dt: float) -> None:
        """No valve is open: a motor coasts down, or the oil is held."""
        coast = self._coast_s
        if self._flowing and coast > 0 and now - self.motor_off_s < coast:
            share = 1.0 - (now + dt / 2 - self.motor_off_s) / coast
            self._extend(now, dt, max(0.0, share), self._rippled(dt))
        else:
            self._flowing = False
            self._hold(dt)

    def _slew(self, now: float, dt: float) -> None:
        """Flow through spools that are under way; their shares go along straight lines for `dt`."""
        full, slow, back = (
            (each.share, each.share_after(dt)) for each in (self.extend, self.slow, self.retract)
        )
        if max(full) > 0.0 or max(slow) > 0.0:
            feed = Feed(dt, full, slow, self._ripple, self._ripple_rad_s)
            if self._by_burst:
                self._burst(now, dt, feed)
            else:
                self._extend(now, dt, 1.0, feed)
            self._flowing = max(full) > 0.0
            self.motor_off_s = now + dt
        elif max(back) > 0.0:
            self._retract(dt * (back[0] + back[1]) / 2.0)
            self._flowing = False
        else:
            self._unfed(now, dt)

    def _rippled(self, dt: float) -> Feed | None:
        """Return the feed through open valves where the pump ripples, None where the flow is steady."""
        if self._ripple <= 0.0:
            return None
        full, slow = float(self.extend.open), float(self.slow.open)
        return Feed(dt, (full, full), (slow, slow), self._ripple, self._ripple_rad_s)

    def _burst(self, now: float, dt: float, feed: Feed | None) -> None:
        strokes = self.press.pump.strokes or 1.0
        period = 1.0 / strokes
        begin = now
        while dt > 1e-12:
            phase = math.fmod(now, period)
            delivering = phase < period / 2
            edge = (period / 2 if delivering else period) - phase
            part = min(dt, max(edge, 1e-9))
            if delivering:
                self._extend(now, part, 1.0, None if feed is None else feed.part(now - begin, part))
            else:
                self._hold(part)
            now += part
            dt -= part

    def _extend(self, now: float, dt: float, share: float, feed: Feed | None) -> None:
        """Let oil in for `dt` from `now`: a steady flow times `share`, or as `feed` says."""
        if self._rested:
            self._begin_stroke()
        share *= self._flow_share
        slow_only = self.slow.open and not self.extend.open
        slow = self.flow_slow
        if self._restricted:
            # An orifice between pump and cylinder: flow by the root of the pressure over it (textbook orifice law).
            slow *= math.sqrt(max(0.0, 1.0 - self.pressure_Pa / self._relief_Pa))
        shut = self._outlet_shut or (self._rod_stiffness > 0.0 and self.extend.share <= 0.0)
        if shut and self._tandem and self.extend.share <= 0.0:
            return
        if self.rod_N > 0.0 and not shut:
            self._open_rod_side()
        left = dt
        for _ in range(4 if feed is None else 12):
            force = self.force_N
            low = force < self.changeover_N
            flow = self.flow_low if low else self.flow_high
            if feed is None:
                if slow_only:
                    flow = min(flow, slow)
                flow *= share
                piece, volume = left, flow * left
            else:
                piece, volume = feed.oil(now, dt - left, left, flow * share, slow * share)
            if volume <= 0.0:
                if feed is None:
                    return
                left -= piece
                if left <= 1e-12:
                    return
                continue
            if self.deficit > 0.0 or self._stuck:
                used = self._take_up(force, volume)
                if used is None:
                    left -= piece
                elif feed is None:
                    left -= used / flow
                else:
                    left -= feed.time_for(used)
                if left <= 1e-12:
                    return
                continue
            if shut:
                self._push_shut(volume)
                left -= piece
                if left <= 1e-12 or feed is None:
                    return
                continue
            if low and self.changeover_N < self.relief_N and not (slow_only and feed is None):
                turn = self._u_at(self.changeover_N)
                if self.u < turn < self.u + volume:
                    left -= (turn - self.u) / flow if feed is None else feed.time_for(turn - self.u)
                    self._move_to(turn * (1 + 1e-15))
                    if self.force_N < self.changeover_N:
                        self.u = math.nextafter(self.u, math.inf)
                    continue
            ceiling = max(self.u, self._u_at(self.relief_N))
            self._move_to(min(self.u + volume, ceiling))
            left -= piece
            if self._line_drop > 0.0 and self.u < ceiling:
                self._at_begin_Q = flow if feed is None else feed.begin_Q
                self._at_end_Q = flow if feed is None else feed.end_Q
            if left <= 1e-12 or feed is None:
                return

    def _push_shut(self, volume: float) -> None:
        """Let oil in while the rod side is shut: its oil is a spring against the ram, the cap side's swallows more."""
        for _ in range(2 * len(self._us) + 4):
            slope, end = self._piece_at(self.u)
            travel = (1.0 - self.oil_compliance * slope / self.area) / self.area
            # At the rod side's own relief its oil is let go as the ram comes: a constant force, no spring.
            left_N = self._rod_most_N - self.rod_N
            back = self._rod_stiffness * travel if left_N > 0.0 else 0.0
            whole = 1.0 + self.oil_compliance * back / self.area
            stiff = slope + back
            room = (self.relief_N - self.force_N - self.rod_N) / stiff if stiff > 0.0 else math.inf
            to_relief = left_N / back if back > 0.0 else math.inf
            step = min(volume / whole, max(0.0, end - self.u), max(0.0, room), to_relief)
            self.rod_N = self._rod_most_N if step == to_relief else self.rod_N + back * step
            self._move_to(self.u + step)
            volume -= step * whole
            if volume <= 1e-18 or room <= step:
                return
            if step < to_relief and self.u < end:
                self._move_to(math.nextafter(end, math.inf))

    def _piece_at(self, u: float) -> tuple[float, float]:
        """Return the slope of force against volume at `u`, and up to where it goes on."""
        if u < self.u_max and self.force_max > 0.0:
            bottom = self.u_max - self.force_max / self._end_slope
            return (0.0, bottom) if u < bottom else (self._end_slope, self.u_max)
        us, fs = self._us, self._fs
        if u < us[0]:
            return 0.0, us[0]
        i = bisect.bisect_right(us, u)
        if i >= len(us):
            return self._end_slope, math.inf
        return (fs[i] - fs[i - 1]) / (us[i] - us[i - 1]), us[i]

    def _open_rod_side(self) -> None:
        """Let the rod side's oil go: what the cap side had swallowed for it pushes the ram on."""
        stored = self.oil_compliance * self.rod_N / self.area
        self.rod_N = 0.0
        self._move_to(min(self.u + stored, max(self.u, self._u_at(self.relief_N))))

    def _take_up(self, force: float, volume: float) -> float | None:
        """Fill what is missing, and break a ram away that rests; return the oil that took, None if all of it."""
        least = 0.0
        if self._stuck and self._excess > 0.0:
            # No more than the relief valve lets stand.
            least = max(-self._excess, self.oil_compliance * (force - self.relief_N) / self.area)
        gap = self.deficit - least
        if volume < gap:
            self.deficit -= volume
            return None
        if least > -self._excess:
            self.deficit = min(self.deficit, least)
            return None
        self._stuck = False
        self.deficit = 0.0
        if least < 0.0:
            self._move_to(self.u - least)
        return gap

    def _move_to(self, u: float) -> None:
        self.u = u
        if u > self.u_max:
            self.u_max = u
            self.force_max = self._virgin(u)

    def _raises(self) -> bool:
        """Tell whether a powered return gets the load up: its pressure at the relief, and a way for its oil."""
        up_N = self._relief_Pa * self.press.cylinder.annulus_m2
        return self._by_spring or (not self._outlet_shut and up_N >= self.load_N + self.friction)

    def _retract(self, dt: float) -> None:
        self.rod_N = 0.0
        volume = self.return_flow * dt
        band = 2.0 * self.dead_band if self.force_N > 0.0 else self.dead_band
        if self._stuck and self._excess > 0.0 and self.force_N > 0.0:
            # Breakaway the other way: the ram slips up by what it held back.
            wanted = band + self._excess - self.deficit
            if volume < wanted:
                self.deficit += volume
                return
            volume += self._excess - max(0.0, wanted)
            self.deficit = band
        self._stuck = False
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
        if not self._raises():
            return
        self.u = max(0.0, self.u - volume)
        if self.u <= 0.0:
            self._rested = True

    def _hold(self, dt: float) -> None:
        self._stuck = True
        if self._falls_to_N > 0.0 and self.force_N < self._falls_to_N:
            # Nothing carries the load: it draws oil into the cap side through the valve's centre, down to the work.
            bottom = min(self._u_at(self._falls_to_N), self.area * self.press.cylinder.stroke)
            self._move_to(max(self.u, min(self.u + self.area * self.press.circuit.fall_speed * dt, bottom)))
            self.deficit = self.dead_band
            return
        if not self._holds:
            # The force goes, but for what the load itself presses with.
            if self.force_N > self._falls_to_N:
                self.u = self.u_max - (self.force_max - self._falls_to_N) / self._end_slope
            self.deficit = self.dead_band
            return
        rate = self._leak_down + self.leak_extra + self.bleed
        if rate <= 0.0:
            return
        if (rate, dt) != self._leak_key:
            # exp is dear, and almost every step is a whole one at the same rate
            self._leak_key = (rate, dt)
            self._leak_lost = 1.0 - math.exp(-rate * dt)
        lost = self._leak_lost
        self.rod_N *= 1.0 - lost
        force = self.force_N
        if force > 0.0 and self.deficit < 0.0:
            lost = self._leak_excess(force, lost)
        if force > 0.0:
            drop = max(0.0, force + self.friction - self.load_N) * lost
            self.u -= min(drop, force) / self._end_slope
        elif self.deficit < self.dead_band:
            self.deficit += (self.dead_band - self.deficit) * lost

    def _leak_excess(self, force: float, lost: float) -> float:
        """Lose a share of the pressure that a ram at rest holds above running friction; return what is left of it."""
        running = (force + self.friction) / self.area
        held = running - self.deficit / self.oil_compliance
        after = held * (1.0 - lost)
        if after >= running:
            self.deficit = (running - after) * self.oil_compliance
            return 0.0
        self.deficit = 0.0
        return 1.0 - after / running

    def _convert(self) -> int:
        value = self.sensed_Pa
        if self._half_play > 0.0:
            # Play operator: the reading lags direction reversals by half the stated band.
            self._play = min(max(self._play, value - self._half_play), value + self._half_play)
            value = self._play
        share = value / self._range
        share += self._gain_error * share + self._zero_share
        if self._nonlinearity:
            share += 4.0 * self._nonlinearity * share * (1.0 - share)
        share += self._noise_sd * self._noise.at(self.step_index) + self._spike
        fraction = (0.1 + 0.8 * share) * self.supply_factor
        ideal = (0.0 if fraction < 0.0 else 1.0 if fraction > 1.0 else fraction) * self._codes + 0.5
        counts = (int(ideal) if self._wide is None else self._wide.code(ideal)) << self._shift
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
            self._stroke, self._rested, self._stuck, self._spike, self._contacts, self.line_state, self.rod_N,
            self.extend.spool, self.extend.travel, tuple(self.extend.pending),
            self.retract.spool, self.retract.travel, tuple(self.retract.pending),
            self.slow.spool, self.slow.travel, tuple(self.slow.pending),
        )  # fmt: skip

    def restore(self, state: tuple[object, ...]) -> None:
        """Come back to a state that `snapshot` returned."""
        stroke = self._stroke
        (
            self.step_index, self.u, self.deficit, self.u_max, self.force_max, self.pressure_Pa,
            self.sensed_Pa, self.peak_N, self._play, self._flowing, self.motor_off_s,
            self.deepest_m, self._lost_m, self._lost_from_m,
            self._stroke, self._rested, self._stuck, self._spike, self._contacts, self.line_state, self.rod_N,
            self.extend.spool, self.extend.travel, extend,
            self.retract.spool, self.retract.travel, retract,
            self.slow.spool, self.slow.travel, slow,
        ) = state  # type: ignore[assignment]  # fmt: skip
        self.extend.pending, self.retract.pending, self.slow.pending = list(extend), list(retract), list(slow)  # type: ignore[call-overload]
        self._busy = self._touched = True
        if stroke != self._stroke:
            self._stroke_figures()
