"""The control core: one step a millisecond, from counts and levels to the word that energises the valves.

The same file runs on the board, in MicroPython on a PC and under CPython. It does no I/O, works in integers of
at most 31 bits and allocates nothing in `step`.
"""

from array import array

from .. import tables as t
from .cells import BAD_MS, BOOT_MS, FORCE_N, HIGH, LOW, RISE16, SUM16, SUPPLY
from .faults import Guard, pressure, readings
from .fixed import force_over, isqrt, share_of
from .follow import AFTER_MS, CONTACT16, FOREVER, OVERDUE, WAITED_MS, Follow, look
from .inputs import SELECTORS, Inputs
from .job_model import LEARNED_LEN, forget
from .modes import (
    FEED_FULL,
    FEED_SLOW,
    MODE_FIRST,
    MODE_PLAN,
    MODE_PROBE,
    MODE_THRESHOLD,
    NEXT_DONE,
    NEXT_FEED,
    NEXT_PULSE,
    NEXT_SHORT,
)
from .no_position import NoDepth, NoTravel
from .oil import tell
from .position import CONTACT16 as CELL_CONTACT16
from .position import DROP_LOW_N, due
from .press import Press, nominal_c1, seal_friction_n
from .sense import FULL_MS, Sense, mean_force, take
from .stroke import Stroke
from .trace import Trace, note
from .valve_estimate import Valve

RELEASED_AT_START_MS = 50
HELD_AT_START_MS = 2000
AFTER_STOP_MS = 150  # trace and settled force are taken this long after the valve was told to close
PULSE_LOG = 48
ARMED_MS = 60000  # a valve-test stroke that is not run by then is disarmed
CHECKED_MS = 60000  # so long at rest the checklist of a handling job stays confirmed
VENT_MS = 200  # at the top a return goes on for so long: pressure that the seal holds is let off

# Faults after which a reading is not believed until they are acknowledged.
UNKNOWN_FORCE = (
    t.FAULT_SENSOR_LOW,
    t.FAULT_SENSOR_HIGH,
    t.FAULT_SENSOR_FROZEN,
    t.FAULT_SENSOR_NOISY,
    t.FAULT_SLOPE_IMPOSSIBLE,
    t.FAULT_SETTINGS_BAD,
    t.FAULT_CALIBRATION_BAD,
)

TRAVEL_UNIT_SHIFT = 2  # the stored travel is in units of 4 um


class Controller:
    def __init__(self):
        self.press = Press()
        self.sense = Sense()
        self.full = Valve()
        self.slow = Valve()
        self.cut = Stroke(self.press, self.full, self.slow)
        self.cells = self.sense.cells
        self.guard = Guard(self.press, self.cells)
        self.follow = Follow(self.press)
        self.travel = NoTravel()
        self.depth = NoDepth()
        self.tracer = Trace(self.cells)
        self._travel_tracer = None
        self.settings = array("i", [row[3] for row in t.SETTINGS])
        self.cal = None
        self.cal_max = 65535
        self.job_no = 0
        self.job = array("i", [0] * t.J_LEN)
        self.learned = array("i", [0] * LEARNED_LEN)
        self.learned_dirty = False
        self.record = array("i", [0] * t.R_LEN)
        self.record_ready = False
        self.pulse_log = array("i", [0] * (3 * PULSE_LOG))
        self.pulses = 0
        self.ms = 0
        self.state = t.STATE_STARTING
        self.stop = t.STOP_NONE
        self.fault = 0
        self.refusal = 0
        self.live = False
        self.outputs = 0
        self.force_n = 0
        self.peak_n = 0
        self.counts = 0
        self.zero = 0
        self.acknowledged = False  # a fault that only good data clears was acknowledged; services take note
        self.proposed_n = 0
        self.trace_unit_n = 1
        self.cutoff_on = False
        self.latch_on = False
        self.contacts = Inputs()
        self.inputs = 0
        self._raw = 0
        self._steady = False
        self._let_go = False
        self._extend = False
        self._retract = False
        self._idle_ms = 0
        self._timer = 0
        self._stroke_ms = 0
        self._feed_ms = 0
        self._pulse_before = 0
        self._after = 0
        self._settled_n = 0
        self._end_n = 0
        self._contact_ms = 0
        self._slow_rise = 0
        self._touch_n = 0
        self._dwell_ms = 0
        self._dwelled = False
        self._return_latched = False
        self._return_touch = False
        self._stop_pending = t.STOP_NONE
        self._with_cutoff = False
        self._handling = False
        self.handling_least_n = 0  # least ceiling that a handling stroke keeps, 0 = none set, or not known
        self._handling_n = 0  # reading at which one ends, 0 = refused
        self.checked_ms = 0  # so long the checklist of a handling job is still confirmed
        self._vented = True  # no feed since the top switch closed or opened, or since a return ended
        self._unlearned = array("i", [0] * LEARNED_LEN)
        self._limit_n = 0
        self._warn_n = 0
        self._warned = False
        self._contact_um = 0
        self._started_at_top = False
        self._reset_flag = False
        self._finished = False
        self._again = False
        self._zero_taken = False
        # What the step before decided: planning takes a board most of a millisecond, so the valve is switched on in the
        # next step, a short one. Otherwise a pulse came out shorter by what its own planning took.
        self._next = NEXT_DONE
        self._zero_due = False  # a batch begins and nobody has taken the zero
        self._zero_wait = 0
        self._zero_n = 0
        self._zero_drift = 0
        self._zero_want = False
        self._off_ms = 0
        self._settle_ms = 0
        self._duration_ms = 0
        self.armed_ms = 0  # a valve-test stroke is armed for so long, 0 = none
        self.armed_n = 0  # force at which it ends
        self._testing = False  # the stroke is a valve-test stroke
        self._probe_feed = 0
        self._probe_cut = 0
        self._probe_pulse = 0
        self._probe_left = 0
        self._probe_pause = 0
        self._probe_done = 0
        self.configure(self.settings)
        # False while the settings are factory defaults, those of no press.
        self.configured = True

    # ------------------------------------------------------------------ what services tell it (never while live)
    def configure(self, settings):
        self.disarm()
        for i in range(t.S_LEN):
            self.settings[i] = settings[i]
        p = self.press
        p.configure(self.settings)
        self.full.configure(p.open16, p.close16, p.dead_time16, p.least_ms, p.jitter16, p.sensor16)
        self.slow.configure(
            p.slow_open16, p.slow_close16, p.slow_dead_time16, p.slow_least_ms, p.jitter16, p.sensor16
        )
        s = self.settings
        self.guard.configure(s)
        self._zero_drift = (s[t.S_COUNTS_FULL] - s[t.S_COUNTS_ZERO]) * s[t.S_ZERO_DRIFT_PPT] // 1000
        unit = 1
        while unit * 65535 < self.press.overforce_n + (self.press.overforce_n >> 2):
            unit <<= 1
        self._force_unit = unit
        self.calibrate(self.cal)

    def calibrate(self, cal):
        """First eight calibration fields, or None: then nameplates stand in, and the cutoff stays refused."""
        self.disarm()
        self.cal = cal
        if cal is None:
            zero = self.settings[t.S_COUNTS_ZERO]
            self.sense.set_polynomial(0, nominal_c1(self.settings), 0, 0)
            self.cal_max = self.settings[t.S_COUNTS_FULL]
        else:
            zero = cal[t.C_ZERO_COUNTS]
            self.sense.set_polynomial(cal[t.C_C0_N], cal[t.C_C1_N], cal[t.C_C2_N], cal[t.C_C3_N])
            self.cal_max = cal[t.C_MAX_COUNTS]
        self._zero_home = zero
        self.cut.friction_n = seal_friction_n(self.settings, cal)
        self.guard.calibrate(self.sense.c1, self.cut.friction_n)
        self.handling_least_n = self._handling_n = 0
        if self.settings[t.S_HANDLING_N] and cal is not None and self.press.characterised:
            # (A press without a ceiling need not hold the code.)
            from .handling import ends_at_n, least_n

            self.handling_least_n = least_n(self.press, self.settings, cal)
            self._handling_n = ends_at_n(self.press, self.settings, cal)
        self.follow.configure(self.settings, cal, self.sense.c1)
        self._follow_position(cal)
        if self.travel.fitted and self._travel_tracer is None:
            self._travel_tracer = Trace()
        if not self._zero_taken:
            self.sense.set_zero(zero << 4)
            self.zero = zero

    def _follow_position(self, cal):
        """With a position sensor set, load what follows it (a press without one need not hold the code)."""
        if self.settings[t.S_POSITION_KIND] == t.POSITION_KIND_NONE:
            if self.travel.fitted:
                self.travel = NoTravel()
                self.depth = NoDepth()
            return
        from .depth import Depth
        from .travel import Travel

        if not isinstance(self.travel, Travel):
            self.travel = Travel()
            self.depth = Depth(self.press, self.travel, self.full, self.slow)
        self.travel.configure(self.settings, cal)
        self.depth.configure(self.settings)

    def choose(self, job_no, job, learned):
        self.disarm()
        self.checked_ms = 0
        self.contacts.ack_anew()
        self.job_no = job_no
        for i in range(t.J_LEN):
            self.job[i] = job[i] if job_no else 0
        self.learned = learned
        self.proposed_n = 0
        self.new_batch()
        self._choose_return(self.inputs)

    def new_batch(self):
        """A batch begins: the reading must move with its first stroke; without a top switch a zero comes first."""
        self.follow.doubt()
        self._zero_due = self.settings[t.S_TOP_SWITCH] == 0

    def reset_learning(self):
        forget(self.learned)
        self.learned_dirty = True
        self._reset_flag = True

    def record_stored(self):
        self.record_ready = False

    def arm_probe(self, feed, cut_counts, pulse_ms, pulses, pause_ms, ceiling_n):
        """Arm one valve-test stroke, run while the pedal is held: feed until the reading is cut_counts, then pulses.

        pulse_ms = 0: the feed alone. cut_counts = 0: the pulses alone. pulses = 0 with a pulse_ms: pulses until the
        reading is cut_counts. ceiling_n: force at which the stroke ends whatever the rest says. A job that requires
        the cutoff is never pressed by a valve test: with one chosen nothing is armed.
        """
        if self.fault or (self.job_no and self.job[t.J_CUTOFF_REQUIRED]):
            return
        self.armed_ms = ARMED_MS
        self.armed_n = ceiling_n
        self._probe_feed = feed
        self._probe_cut = cut_counts
        self._probe_pulse = pulse_ms
        self._probe_left = pulses
        self._probe_done = 0
        self._probe_pause = pause_ms

    def disarm(self):
        """Disarm a valve-test stroke that was not run. One that is running goes on while the pedal is held."""
        self.armed_ms = 0

    def take_zero(self):
        self._zero_want = True

    def raise_fault(self, number):
        self._fail(number)

    def note_supply(self, reading):
        """Take the converter's reading of its own supply, 0..65535: what a reading's code is judged by."""
        self.cells[SUPPLY] = reading >> 2

    # ------------------------------------------------------------------ readings
    def __getattr__(self, name):
        """Readings for the foreground. Not properties: with one of those in its class, MicroPython looks through
        the class at every store to an attribute, a ninth of what the control step cost."""
        if name == "mean_c16":
            return self.sense.mean64()
        if name == "spread_c":
            return self.sense.spread16() >> 4
        if name == "trace":
            return self.tracer.points
        if name == "trace_len":
            return self.tracer.length()
        if name == "trace_ms":
            return self.tracer.spacing_ms()
        if name == "trace_travel":
            # Travel at the trace's points, in 4 um, or None where the record has none.
            if self._travel_tracer is None or not self.record[t.R_FLAGS] & t.FLAG_TRAVEL:
                return None
            return self._travel_tracer.points
        if name == "travel_um":
            return self.travel.um if self.travel.fitted else 0
        if name == "fine":
            return self.tracer.fine
        if name == "fine_head":
            return self.tracer.fine_head()
        if name == "shown_n":
            # The one force that panel, page, host and broker show: none below zero, since the ram does not pull on
            # the work, and None while it cannot be known.
            return (self.force_n if self.force_n > 0 else 0) if self._force_known() else None
        if name == "returns_latched":
            return self._return_latched
        if name == "reading_valid":
            return self._reading_valid()
        if name == "setpoint_n":
            return self.job[t.J_SETPOINT_N]
        raise AttributeError(name)

    def _force_known(self):
        """Return True when the reading tells the force on the work: calibrated, valid, and not doubted by a fault."""
        return self.cal is not None and self._reading_valid()

    def _reading_valid(self):
        c = self.cells
        if c[BOOT_MS] < FULL_MS or c[BAD_MS]:
            return False
        return c[LOW] < self.counts < c[HIGH] and self.fault not in UNKNOWN_FORCE

    def holdable_n(self):
        """Smallest setpoint this press can hold to 5 %, by what the dead-stop test measured; 0 if unknown."""
        p = self.press
        if not p.characterised:
            return 0
        rate = p.slow16 if p.slow_fitted else p.low16
        noise = p.noise_n >> 1
        valve = force_over(rate, isqrt(p.jitter16 * p.jitter16 + 21))
        # 1.96 sigma = 5 % of the setpoint.
        return 39 * (max(valve, noise) + (min(valve, noise) >> 1))

    # ------------------------------------------------------------------ one millisecond
    def step(self, counts, inputs, place=0):
        self.ms = (self.ms + 1) & 0x1FFFFFFF
        self.counts = counts
        cells = self.cells
        force = take(cells, counts)
        self.force_n = force
        self.sense.rise16 = cells[RISE16]
        if inputs != self._raw or not self._steady:
            self._raw = inputs
            self._follow_contacts(inputs)
        inputs = self.inputs
        if self.armed_ms:
            self.armed_ms -= 1
        state = self.state
        travel = self.travel
        fitted = travel.fitted
        if fitted:
            travel.sample(place)
        outputs = self.outputs
        told = outputs | state << 8
        # In a fault, what goes on is still followed: an acknowledgement needs the cause to be gone.
        fault = readings(cells, inputs, told, pressure(cells, inputs, told))
        if inputs & t.IN_ACK and self.contacts.ack_is_stuck() and not fault:
            fault = t.FAULT_ACK_STUCK
        if state != t.STATE_FAULT:
            if fitted and not fault:
                fault = travel.look(force, outputs)
            follow = self.follow
            if not fault and (t.STATE_ADVANCE <= state <= t.STATE_DWELL or follow.cells[AFTER_MS]):
                fault = look(follow.cells, outputs, cells[SUM16], force)
                if fault == OVERDUE:
                    follow.doubt()
                    fault = 0
                    self._end_stroke(t.STOP_OVERDUE)
                    state = self.state
                elif self.cut.gentle and not self._handling and follow.shown():
                    # The reading has moved with the stroke: no more inching.
                    self.cut.gentle = False
                    if state == t.STATE_ADVANCE and self.cut.feed == FEED_SLOW:
                        # Nor the whole way at slow feed, which may take longer than a stroke may last.
                        self.cut.feed_ends(force, cells[RISE16])
                        self._close()
                        state = self.state
            if fault:
                self._fail(fault)
                state = t.STATE_FAULT
        if state == t.STATE_READY:
            self._ready(inputs)
        elif state == t.STATE_ADVANCE:
            self._advance(force)
        elif state == t.STATE_SETTLE:
            self._settle(force)
        elif state == t.STATE_NUDGE:
            self._nudge(force)
        elif state == t.STATE_DWELL:
            self._dwell()
        elif state == t.STATE_DONE:
            self._done()
        elif state == t.STATE_RETURN:
            self._return(inputs)
        elif state == t.STATE_FAULT:
            self._faulted(inputs)
        elif state == t.STATE_STARTING:
            self._starting()
        else:
            self._waiting()
        if self._after:
            self._closing(force)
        tracer = self.tracer
        if note(cells, tracer.points, tracer.spare, tracer.fine):
            tracer.swap()
        if fitted:
            tracer = self._travel_tracer
            cells = tracer.cells
            cells[FORCE_N] = travel.um
            if note(cells, tracer.points, tracer.spare, tracer.fine):
                tracer.swap()
        out = self.outputs
        state = self.state
        # The outputs' three lowest bits are the solenoids.
        self.live = out & 7 != 0 or self._after > 0 or t.STATE_ADVANCE <= state <= t.STATE_DWELL
        if self.press.by_hand:
            return self._lamp_and_buzzer(out)
        return out

    def _lamp_and_buzzer(self, out):
        """What an indicator shows in place of feeding: no solenoid, and the lamp lit only while pumping is wanted.

        From so far below the setpoint as set the lamp is dark and the buzzer beeps; from the setpoint on it sounds.
        """
        if out & (t.OUT_EXTEND | t.OUT_SLOW) == 0:
            return out & t.OUT_BUZZER
        if self._with_cutoff:
            left = self._limit_n - mean_force(self.cells)
            # Warned until twice the margin is left again: no flicker from noise, and a leak is pumped up again.
            self._warned = left <= self._warn_n or (self._warned and left <= 2 * self._warn_n)
            if self._warned:
                return t.OUT_BUZZER if left <= 0 or self.ms & 128 else 0
            return t.OUT_LAMP
        # Without the cutoff nothing is watched, so nothing is said; a test's feed is asked for by the lamp.
        return t.OUT_LAMP if self._testing else 0

    def _follow_contacts(self, raw):
        """Take what the contacts say once each has stayed for its time."""
        contacts = self.contacts
        before = self.inputs
        contacts.follow(raw)
        word = contacts.word
        self.inputs = word
        self._steady = contacts.steady
        self._extend = word & t.IN_EXTEND != 0
        self._retract = word & t.IN_RETRACT != 0
        self.cutoff_on = word & t.IN_CUTOFF != 0
        if (word ^ before) & SELECTORS:
            self.disarm()
            self.checked_ms = 0
        if (word ^ before) & t.IN_TOP:
            # The ram has left the top, or has come back to it with its pressure off.
            self._vented = True
        if word & t.IN_ACK == 0:
            contacts.ack_on_ms = 0
        self._choose_return(word)

    def _choose_return(self, word):
        """Latched or momentary: the job's choice, or the selector's; always momentary where bed or tooling is moved."""
        choice = self.job[t.J_LATCH_RETURN] if self.job_no else t.LATCH_RETURN_PANEL
        latch = choice == t.LATCH_RETURN_LATCHED or (
            choice == t.LATCH_RETURN_PANEL and word & t.IN_LATCH != 0
        )
        self.latch_on = latch and not (self.job_no and self.job[t.J_HANDLING])

    def _fail(self, number):
        if self.state == t.STATE_FAULT:
            return
        self.follow.doubt()
        was = self.state
        self.outputs = 0
        self.fault = number
        self.state = t.STATE_FAULT
        self._timer = 0
        self._next = NEXT_DONE
        self.disarm()
        self.checked_ms = 0
        self.contacts.ack_anew()
        if t.STATE_ADVANCE <= was <= t.STATE_DWELL:
            self._stop_pending = t.STOP_ESTOP if number == t.FAULT_ESTOP_OPEN else t.STOP_FAULT
            self._duration_ms = self._stroke_ms
            self._after = AFTER_STOP_MS

    # ------------------------------------------------------------------ states at rest
    def _starting(self):
        self.outputs = 0
        self._timer += 1
        if self.contacts.touched():
            self._idle_ms = 0
            if self._timer > HELD_AT_START_MS:
                self._fail(t.FAULT_PEDAL_AT_START)
            return
        self._idle_ms += 1
        # The history must be full of real samples before anything is judged by it.
        if self._idle_ms >= RELEASED_AT_START_MS and self._timer >= 80:
            self.state = t.STATE_READY
            self._idle_ms = 0

    def _ready(self, inputs):
        out = t.OUT_LAMP if self.cutoff_on else 0
        if self.press.strategy == t.STRATEGY_THRESHOLD and not self.press.by_hand and self.ms & 512:
            # A plain threshold looks other than a cutoff that lands: its lamp blinks.
            out = 0
        if self.armed_ms and self.armed_ms & 1023 < 128:
            out |= t.OUT_BUZZER
        self.outputs = out
        if self.job[t.J_HANDLING]:
            # Its checklist is confirmed by a push of the acknowledge button, and not for ever.
            if self.contacts.acknowledged():
                self.checked_ms = CHECKED_MS
            elif self.checked_ms:
                self.checked_ms -= 1
        if self._extend and self._retract:
            self.state = t.STATE_REFUSED
            self.refusal = t.REFUSAL_NONE
            return
        if self._retract:
            self._begin_return()
            return
        if self._extend:
            self._begin_stroke(inputs)
            return
        self._track_zero(inputs)
        if self.travel.fitted:
            if inputs & t.IN_TOP and self.settings[t.S_TOP_SWITCH] == 1:
                fault = self.travel.rest()
                if fault:
                    self._fail(fault)
            else:
                self.travel.leaves()

    def _track_zero(self, inputs):
        """Follow the transducer's zero while the ram rests at the top without pressure."""
        # What a move that was too small to leave the top has put in, the seal may hold: no zero is taken on that.
        at_top = inputs & t.IN_TOP != 0 and self.settings[t.S_TOP_SWITCH] == 1 and self._vented
        if not at_top and not self._zero_want:
            self._zero_wait = 0
            return
        self._zero_wait += 1
        if self._zero_wait < 64 + 48 or (self._zero_wait & 63):
            return
        mean = self.sense.mean64()
        off = mean - (self._zero_home << 4)
        if off < 0:
            off = -off
        moved = mean - self.sense.zero16 if self._zero_taken and not self._zero_want else 0
        # A zero drifts with temperature; one that jumps between two strokes is a supply or a transducer.
        if off > self._zero_drift << 4 or moved > self._zero_drift << 3 or -moved > self._zero_drift << 3:
            self.refusal = t.REFUSAL_ZERO_OUT
            self._zero_wait = 1024
            return
        if self.refusal == t.REFUSAL_ZERO_OUT:
            self.refusal = t.REFUSAL_NONE
        if self._zero_wait < 192 or self._zero_want:
            self.sense.set_zero(mean)
            self._zero_n = 1
        else:
            # Running mean of up to eight blocks, then a slow follower.
            if self._zero_n < 8:
                self._zero_n += 1
            zero16 = self.sense.zero16
            self.sense.set_zero(zero16 + (mean - zero16) // self._zero_n)
        self._zero_want = False
        self._zero_due = False
        self._zero_taken = True
        self.zero = (self.sense.zero16 + 8) >> 4
        if self._zero_wait > 8192:
            self._zero_wait = 1024

    def _waiting(self):
        """Refused or storing: leave when both pedals are released."""
        self.outputs = t.OUT_BUZZER if self.state == t.STATE_REFUSED and self.refusal else 0
        if not self._extend and not self._retract:
            # Why the press was refused stays to be read, until a pedal goes down again.
            self.state = t.STATE_READY
            self._zero_wait = 0

    def _faulted(self, inputs):
        self._timer = (self._timer + 1) & 1023
        self.outputs = (t.OUT_LAMP if self._timer & 256 else 0) | (t.OUT_BUZZER if self._timer < 128 else 0)
        if not self.contacts.acknowledged():
            return
        if inputs & t.IN_ESTOP_OK == 0 or self._after:
            return
        if not self.guard.gone(self.fault, self.counts, self.force_n):
            return
        if self.fault == t.FAULT_SETTINGS_BAD or self.fault == t.FAULT_CALIBRATION_BAD:
            # Only good data clears these: services do it by configuring again.
            self.acknowledged = True
            return
        self.clear_fault()

    def clear_fault(self):
        self.fault = 0
        self.outputs = 0
        self.guard.forget()
        self._idle_ms = 0
        self._timer = 0
        self.state = t.STATE_STARTING

    # ------------------------------------------------------------------ a stroke
    def _refuse(self):
        """Reason why extend is refused now, or REFUSAL_NONE."""
        if not self.configured:
            return t.REFUSAL_NOT_CONFIGURED
        if self.record_ready:
            return t.REFUSAL_RECORD_PENDING
        if self.contacts.selector_moved:
            return t.REFUSAL_SELECTOR_MOVED
        if self.armed_ms:
            return t.REFUSAL_NONE
        return self._refuse_part()

    def _refuse_part(self):
        """Reason why a part may not be pressed now, or REFUSAL_NONE."""
        job = self.job
        if not self.cutoff_on:
            if self.job_no and (job[t.J_CUTOFF_REQUIRED] or job[t.J_HANDLING]):
                return t.REFUSAL_CUTOFF_REQUIRED
            return t.REFUSAL_NONE
        if self.cal is None:
            return t.REFUSAL_NO_CALIBRATION
        if self.job_no == 0:
            return t.REFUSAL_NO_JOB
        if self.guard.doubtful(self.counts):
            return t.REFUSAL_SENSOR_DOUBTFUL
        if self.refusal == t.REFUSAL_ZERO_OUT:
            return t.REFUSAL_ZERO_OUT
        if self._zero_due:
            return t.REFUSAL_ZERO_FIRST
        setpoint = self.job[t.J_SETPOINT_N]
        if setpoint < 1 or setpoint > self.press.capacity_n or setpoint > self.press.overforce_n:
            return t.REFUSAL_SETPOINT_RANGE
        limit = self.job[t.J_TOOL_LIMIT_N]
        if limit and setpoint > limit:
            return t.REFUSAL_SETPOINT_RANGE
        if setpoint > self.sense.force_of(self.cal_max - self.zero):
            return t.REFUSAL_SETPOINT_RANGE
        if self.press.strategy != t.STRATEGY_THRESHOLD and not self.press.characterised:
            return t.REFUSAL_NOT_CHARACTERISED
        if job[t.J_HANDLING]:
            if self._handling_n == 0:
                return t.REFUSAL_NO_CEILING
            return t.REFUSAL_NONE if self.checked_ms else t.REFUSAL_CHECKLIST
        if job[t.J_STOP_ON] or job[t.J_WINDOW_HIGH_UM]:
            if not self.travel.fitted or not self.press.characterised:
                return t.REFUSAL_NO_POSITION
            if job[t.J_STOP_ON] and (self.settings[t.S_SPEED_UM_S] == 0 or job[t.J_DEPTH_UM] == 0):
                return t.REFUSAL_NO_POSITION
            if not self.travel.known:
                return t.REFUSAL_NO_REFERENCE
        return t.REFUSAL_NONE

    def _begin_stroke(self, inputs):
        reason = self._refuse()
        if reason:
            self.refusal = reason
            self.state = t.STATE_REFUSED
            self.disarm()
            return
        self.refusal = t.REFUSAL_NONE
        self._testing = self.armed_ms > 0
        self.disarm()
        self.guard.stroke_begins(self._testing)
        self.stop = t.STOP_NONE
        self._started_at_top = inputs & t.IN_TOP != 0
        self._again = self._finished and not (self._started_at_top and self.settings[t.S_TOP_SWITCH])
        self._with_cutoff = self.cutoff_on and not self._testing
        self.peak_n = 0
        self.pulses = 0
        self._stroke_ms = 0
        self._feed_ms = 0
        self._settled_n = 0
        self._end_n = 0
        self._contact_ms = 0
        self._slow_rise = 1 << 24
        self.cut.knee_n = 0
        self._touch_n = max(4 * self.press.noise_n, self.press.overforce_n >> 8)
        self._contact_um = 0
        self._handling = self._with_cutoff and self.job[t.J_HANDLING] == 1
        self.depth.on = False
        if self.travel.fitted:
            self.travel.leaves()
        self._dwelled = False
        self._dwell_ms = 0
        self.trace_unit_n = 0 if self._testing else self._force_unit
        self.tracer.start(self.trace_unit_n)
        if self._travel_tracer is not None:
            self._travel_tracer.start(1 << TRAVEL_UNIT_SHIFT)
        cut = self.cut
        limit = self.job[t.J_SETPOINT_N]
        if self._handling:
            limit = min(limit, self._handling_n)
            self.checked_ms = CHECKED_MS
        self._limit_to(limit)
        follow = self.follow
        from_top = self._with_cutoff and not self._handling and self._started_at_top
        self.press.late16 = self.full.late16
        follow.begin(self.cells[SUM16], self._touch_n, limit, self.learned if from_top else None)
        if self._testing and self.settings[t.S_TOP_SWITCH] and not self._started_at_top:
            # A valve test goes on from where the last one stopped: what the seal holds already moves no further.
            follow.cells[WAITED_MS] = -FOREVER
        # Until the reading has moved with a stroke the ram is fed by inches, where there is a reading to be had of one.
        inching = not follow.proven and self.press.holds_load and not self.press.burst
        cut.gentle = self._handling or inching
        cut.handling = self._handling
        if self._with_cutoff:
            if self.job[t.J_STOP_ON] and not self._handling:
                self.depth.begin(self.job, self.learned)
            learned = self.learned
            if self._handling:
                # Nothing of it belongs to a job.
                learned = self._unlearned
                forget(learned)
            cut.begin(limit, learned, self._started_at_top)
        elif self._testing:
            cut.mode = MODE_PROBE
            cut.feed = self._probe_feed
            cut.width_ms = self._probe_pulse if self._probe_left == 0 or self._probe_cut == 0 else 0
            cut.pulses = 0
            cut.used_slow = False
        else:
            cut.mode = MODE_THRESHOLD
            cut.feed = 0
            cut.width_ms = 0
        if self._with_cutoff and cut.mode >= MODE_FIRST and mean_force(self.cells) > self._touch_n:
            # The ram is on the part already: the force that is there decides what comes next, if anything.
            cut.width_ms = 0
            self._close()
        else:
            self.state = t.STATE_SETTLE
            self._next = NEXT_PULSE if cut.width_ms else NEXT_FEED

    def _move(self):
        """Switch on what the step before decided."""
        what = self._next
        self._next = NEXT_DONE
        if what == NEXT_PULSE:
            self._start_pulse()
        else:
            self._start_feed()

    def _limit_to(self, limit_n):
        """Take the force at which this stroke is to end, and how far below it an indicator warns."""
        self._limit_n = limit_n
        self._warned = False
        self._warn_n = share_of(limit_n, self.press.warn_ppt)

    def _start_feed(self):
        self.state = t.STATE_ADVANCE
        self.outputs = (t.OUT_SLOW if self.cut.feed == FEED_SLOW else t.OUT_EXTEND) | t.OUT_LAMP
        self._feed_ms = 0
        self._vented = not self.inputs & t.IN_TOP
        if self._with_cutoff:
            self.cut.feed_starts()
            if self.depth.on:
                self.depth.starts(self.cut.feed, 0)

    def _start_pulse(self):
        self.state = t.STATE_NUDGE
        self.outputs = (t.OUT_SLOW if self.cut.feed == FEED_SLOW else t.OUT_EXTEND) | t.OUT_LAMP
        self._timer = self.cut.width_ms
        self._vented = not self.inputs & t.IN_TOP
        self._pulse_before = self.sense.mean16()
        if self._with_cutoff:
            self.cut.pulses += 1
            self.cut.feed_starts()
            if self.depth.on:
                self.depth.starts(self.cut.feed, self.cut.width_ms)

    def _held(self):
        """Bookkeeping common to all live states; False when the stroke was ended by the operator or the clock."""
        stroke_ms = self._stroke_ms + 1
        self._stroke_ms = stroke_ms
        force = self.force_n
        # A call costs as much as what it is for: only when there is something to do.
        if self.ms & 3 == 0 or not self.press.holds_load:
            self._see_peak(force)
        contact_ms = self._contact_ms
        if contact_ms == 0:
            if force > self._touch_n:
                self._contact_ms = stroke_ms
                self._contact_um = self.travel.um
        elif stroke_ms - contact_ms >= 24 and self.state == t.STATE_ADVANCE and self.cut.knee_n == 0:
            self._look_for_knee(force)
        if self._retract:
            self._end_stroke(t.STOP_BOTH_PEDALS)
            return False
        if not self._extend:
            if self._testing:
                self._end_stroke(t.STOP_PROBE)
            elif self.press.by_hand and self._with_cutoff:
                # The person has ended it: short, unless what the person was warned of was reached.
                reached = self.peak_n >= self._limit_n - self._warn_n
                self._end_stroke(t.STOP_SETPOINT if reached else t.STOP_SHORT)
            else:
                self._end_stroke(t.STOP_PEDAL if self._with_cutoff else t.STOP_NO_CUTOFF)
            return False
        if self._testing:
            if force >= self.armed_n and self.outputs & (t.OUT_EXTEND | t.OUT_SLOW):
                self._end_stroke(t.STOP_STALLED)
                return False
        elif self.cutoff_on != self._with_cutoff and not self._selector_turned():
            return False
        if stroke_ms > self.settings[t.S_CYCLE_MAX_MS]:
            self._fail(t.FAULT_CYCLE_TOO_LONG)
            return False
        return True

    def _selector_turned(self):
        """The cutoff was switched in mid-stroke. False: the stroke has ended.

        Off ends it. On takes effect as on a part of which nothing is known, since how much oil went in before is not;
        where the cutoff would be refused, or the job stops on depth, it ends it, too.
        """
        job = self.job
        if self._with_cutoff or self._refuse_part() or job[t.J_STOP_ON]:
            self._end_stroke(t.STOP_SELECTOR)
            return False
        self._with_cutoff = True
        cut = self.cut
        forget(self._unlearned)
        self._limit_to(job[t.J_SETPOINT_N])
        cut.begin(self._limit_n, self._unlearned, False)
        if cut.width_ms or cut.feed == FEED_SLOW:
            # Continuous full feed is too fast for this setpoint: what follows is inched.
            cut.width_ms = 0
            cut.feed = FEED_FULL
            cut.feed_starts()
            cut.feed_ends(self.force_n, self.sense.rise16)
            self._close()
            return False
        cut.feed_starts()
        return True

    def _see_peak(self, force):
        """Highest force: where the valve holds it, of means of sixteen, or the highest noise would be the peak."""
        if self.press.holds_load:
            if self.ms & 3:
                return
            force = mean_force(self.cells)
        if force > self.peak_n:
            self.peak_n = force

    def _look_for_knee(self, force):
        """A plateau's slow rise that turns steep in one feed: the part is flush."""
        rise = self.cells[RISE16]
        slow_rise = self._slow_rise
        if rise < slow_rise:
            self._slow_rise = slow_rise = rise if rise > 0 else 0
        p = self.press
        dead = p.low16 if force < p.changeover_n else p.high16
        if slow_rise < dead // 6 and rise > dead // 3:
            self.cut.knee_n = force - rise

    def _advance(self, force):
        if not self._held():
            return
        self._feed_ms += 1
        cut = self.cut
        if self._with_cutoff:
            if self.press.by_hand:
                # Nothing here could stop an arm: the stroke goes on, and is recorded, until the pedal is released.
                return
            depth = self.depth
            near = depth.on and depth.near(cut.feed == FEED_SLOW, cut.cells[CELL_CONTACT16] < 0)
            if not due(cut.cells, force, self.cells[RISE16]) and not near:
                return
            cut.feed_ends(force, self.sense.rise16)
            if near:
                if cut.feed != FEED_SLOW and depth.hands_over():
                    self._slow_takes_over()
                else:
                    self._close()
                return
            if cut.mode == MODE_PLAN and cut.hands_over(cut.end_n):
                self._slow_takes_over()
                return
            self._close()
        elif self._testing and self.counts >= self._probe_cut:
            self._close()

    def _slow_takes_over(self):
        """Planned landing with a slow feed: no pause between the two."""
        cut = self.cut
        cut.feed = FEED_SLOW
        cut.f0 = cut.end_n
        self._start_feed()
        return True

    def _close(self):
        self.outputs = t.OUT_LAMP
        self.state = t.STATE_SETTLE
        if self._testing:
            self._timer = self._probe_pause if self._probe_pause > 1 else 1
        elif self.cut.mode == MODE_THRESHOLD:
            self._timer = 1
        else:
            self._timer = self.cut.valve().settle_ms
        self._off_ms = self._stroke_ms
        self._settle_ms = 0

    def _nudge(self, force):
        if not self._held():
            return
        self._timer -= 1
        if self._timer > 0 and not (self._with_cutoff and self._pulse_outruns(force)):
            return
        if self._with_cutoff:
            # It may have been cut short.
            self.cut.width_ms -= max(0, self._timer)
            self.cut.feed_ends(force, self.sense.rise16)
        self._close()

    def _pulse_outruns(self, force):
        """True when a pulse must end before its time: its part is stiffer, or nearer, than what it was sized for."""
        cut = self.cut
        v = cut.valve()
        if (cut.width_ms - self._timer) << 4 < v.open16 + v.see16:
            # Nothing that is read so early is this pulse's oil: it is its coil's edge.
            return False
        force -= cut.cells[DROP_LOW_N] + cut.offset_n()
        if force <= cut.touch_n:
            return False
        lag = v.close16 + v.see16
        rise = self.sense.rise16 - self.press.noise_n
        return rise > 0 and force + force_over(rise, lag) >= cut.setpoint + cut.accept_n

    def _settle(self, force):
        if not self._held():
            return
        if self._next:
            self._move()
            return
        self._timer -= 1
        self._settle_ms += 1
        cut = self.cut
        p = self.press
        if self._settle_ms == cut.valve().look_ms:
            cut.look_n = force - cut.offset_n()
        if self._timer > 0:
            return
        if self._testing:
            self._probe_on()
            return
        if (
            cut.mode >= MODE_FIRST
            and self._settle_ms < 2 * cut.valve().settle_ms
            and self.sense.rise16 > 3 * p.noise_n + 8
        ):
            # Still rising: the valve is late. Wait until it is over.
            self._timer = 6
            return
        if p.holds_load:
            settled = mean_force(self.cells) - cut.offset_n()
        else:
            # An open centre keeps nothing: there is only the peak, less what noise adds to a highest reading, and
            # more by what the sensor had not yet seen when the force fell away.
            settled = self.peak_n - p.noise_n + force_over(cut.end16, p.see16 - 8)
        self._log_pulse()
        what = cut.decide(settled)
        if self.depth.on:
            what = self.depth.with_force(cut, what)
        if what == NEXT_PULSE or what == NEXT_FEED:
            self._next = what
        elif self.job[t.J_DWELL_MS] > 0 and what == NEXT_DONE and cut.mode != MODE_THRESHOLD:
            self._settled_n = settled
            self.state = t.STATE_DWELL
        else:
            self._settled_n = settled
            self._reached(settled, what)

    def _log_pulse(self):
        if self.cut.pulses and self.pulses < PULSE_LOG:
            i = 3 * self.pulses
            self.pulse_log[i] = self.cut.width_ms
            self.pulse_log[i + 1] = self._pulse_before
            self.pulse_log[i + 2] = self.sense.mean16()
            self.pulses += 1

    def _probe_on(self):
        """Commissioning stroke: log the pulse, then the next one or the end."""
        mean16 = self.sense.mean16()
        climbing = self._probe_pulse and self._probe_left == 0
        if self.cut.width_ms:
            self._probe_done += 1
            if self.pulses < PULSE_LOG:
                i = 3 * self.pulses
                self.pulse_log[i] = self.cut.width_ms
                self.pulse_log[i + 1] = self._pulse_before
                self.pulse_log[i + 2] = mean16
                self.pulses += 1
        top = self.press.capacity_n - (self.press.capacity_n >> 5)
        if self.force_n > top or (
            mean16 >= self._probe_cut << 4 if climbing else self._probe_done >= self._probe_left
        ):
            self._end_stroke(t.STOP_PROBE)
            return
        self.cut.width_ms = self._probe_pulse
        self._start_pulse()

    def _dwell(self):
        if not self._held():
            return
        self._dwell_ms += 1
        cut = self.cut
        if self._next:
            self._next = NEXT_DONE
            # A top-up inside the dwell: the clock goes on while it settles.
            self._top_up()
            return
        if self._dwell_ms >= self.job[t.J_DWELL_MS]:
            self._dwelled = True
            self._reached(self._settled_n, NEXT_DONE)
            return
        if self._dwell_ms & 15 or (self.depth.on and self.depth.done):
            # What ended at a depth is not pressed on towards its limit on force.
            return
        force = mean_force(self.cells) - cut.offset_n()
        if cut.setpoint - force > cut.accept_n + (cut.accept_n >> 1) and self.press.holds_load:
            if cut.top_up(force) == NEXT_PULSE:
                self._next = NEXT_PULSE

    def _top_up(self):
        dwelt = self._dwell_ms
        self._start_pulse()
        self._dwell_ms = dwelt

    def _reached(self, settled, what):
        cut = self.cut
        if self._handling:
            self._end_stroke(t.STOP_SHORT if what == NEXT_SHORT else t.STOP_CEILING)
            return
        if self.depth.on and self.depth.done:
            self._end_stroke(t.STOP_DEPTH)
            return
        if what == NEXT_DONE:
            stop = t.STOP_SETPOINT
            if cut.mode >= MODE_FIRST and settled < cut.setpoint - max(cut.setpoint >> 4, 3 * cut.sig_n):
                stop = t.STOP_SHORT
        else:
            stop = t.STOP_SHORT
        self._end_stroke(stop)

    def _end_stroke(self, stop):
        if self.outputs & (t.OUT_EXTEND | t.OUT_SLOW):
            self._off_ms = self._stroke_ms
        self.outputs = t.OUT_LAMP if stop == t.STOP_SETPOINT or stop == t.STOP_DEPTH else 0
        self.stop = stop
        self._stop_pending = stop
        self._duration_ms = self._off_ms
        self._after = AFTER_STOP_MS
        self._next = NEXT_DONE
        self._let_go = False
        if stop != t.STOP_OVERDUE:
            self.follow.shown()
        self.state = t.STATE_DONE

    def _closing(self, force):
        """For a while after the stop: peak, settled force and trace are still being taken; then the record is made."""
        self._see_peak(force)
        self._after -= 1
        if self._after:
            return
        self.tracer.stop()
        if self._travel_tracer is not None:
            self._travel_tracer.stop()
        self._make_record()

    def _make_record(self):
        r = self.record
        cut = self.cut
        stop = self._stop_pending
        end = mean_force(self.cells)
        if self._with_cutoff:
            # The friction of this stroke, as its free travel told it, is not force on the work.
            end -= cut.offset_n()
            self.peak_n = max(0, self.peak_n - cut.offset_n())
        if self._settled_n == 0 or cut.mode == MODE_THRESHOLD:
            self._settled_n = end
        setpoint = cut.setpoint
        # Whoever pumps by hand may have let go of the force again with the foot still down.
        judged_n = self.peak_n if self.press.by_hand else self._settled_n
        if stop == t.STOP_SETPOINT and judged_n > setpoint + max(setpoint >> 4, 4 * cut.sig_n):
            stop = t.STOP_OVER
        travel_um = self.travel.um if self.travel.fitted and self.travel.known else 0
        stop = self._judged(stop, travel_um)
        self.stop = stop
        # A first part that the operator ended, or that reached its estimate, proposes what it settled at.
        first = not self._with_cutoff or cut.mode == MODE_FIRST
        if first and (stop == t.STOP_PEDAL or stop == t.STOP_NO_CUTOFF or stop == t.STOP_SETPOINT):
            self.proposed_n = self._settled_n if self._settled_n > 0 else 0
        flags = 0
        if self._with_cutoff:
            flags |= t.FLAG_CUTOFF
            if cut.mode == MODE_FIRST:
                flags |= t.FLAG_FIRST
            if cut.mode == MODE_PLAN:
                flags |= t.FLAG_LEARNED
            if self.job[t.J_SETPOINT_N] < self.holdable_n():
                flags |= t.FLAG_SMALL
            if cut.mode == MODE_THRESHOLD and not self.press.by_hand:
                flags |= t.FLAG_THRESHOLD
        if self._testing:
            flags |= t.FLAG_PROBE
        if cut.used_slow:
            flags |= t.FLAG_SLOW
        if self._dwelled:
            flags |= t.FLAG_DWELT
        if self._again:
            flags |= t.FLAG_AGAIN
        if self._handling:
            flags |= t.FLAG_HANDLING
        if self.travel.fitted and self.travel.known:
            flags |= t.FLAG_TRAVEL
        landed = stop == t.STOP_SETPOINT or stop == t.STOP_DEPTH
        self._finished = landed or (self._finished and self._again)
        if self._reset_flag:
            flags |= t.FLAG_RESET
            self._reset_flag = False
        r[t.R_JOB] = self.job_no
        r[t.R_SETPOINT_N] = self._limit_n if self.job_no else 0
        r[t.R_PEAK_N] = self.peak_n
        r[t.R_SETTLED_N] = self._settled_n
        r[t.R_END_N] = end
        r[t.R_STOP] = stop
        r[t.R_FAULT] = self.fault
        r[t.R_FLAGS] = flags
        r[t.R_DURATION_MS] = self._duration_ms
        r[t.R_PULSES] = cut.pulses if self._with_cutoff else self.pulses
        r[t.R_ZERO_COUNTS] = self.zero
        r[t.R_TRACE_MS] = self.tracer.spacing_ms()
        r[t.R_TRACE_LEN] = self.tracer.length()
        r[t.R_TRACE_UNIT_N] = self.trace_unit_n
        r[t.R_KNEE_N] = cut.knee_n
        r[t.R_CONTACT_MS] = self._contact_ms
        r[t.R_DEPTH_UM] = travel_um
        r[t.R_CONTACT_UM] = self._contact_um if self.travel.known else 0
        r[t.R_TARGET_UM] = self.depth.target_um if self.depth.on else 0
        press = self.press
        tell(r, cut, self._with_cutoff and not press.by_hand and not press.burst, self._started_at_top)
        if stop == t.STOP_SETPOINT:
            self.follow.teach()
        # A part that went over teaches most of all: without it, every part after a change of the press goes over.
        on_depth = self.depth.on
        if on_depth and self._with_cutoff and self._started_at_top and self.depth.learn(self.learned):
            self.learned_dirty = True
        if on_depth and (self.depth.stop_on == t.STOP_ON_DEPTH or self.depth.done):
            # How far a force was off says nothing where the depth ended the stroke.
            pass
        elif self._with_cutoff and (
            stop == t.STOP_SETPOINT
            or stop == t.STOP_SHORT
            or stop == t.STOP_OVER
            or stop == t.STOP_WINDOW
            # (A part that was not met says that the job may have changed; one whose force was overdue says nothing.)
            or (stop == t.STOP_OVERDUE and self.follow.cells[CONTACT16] < 0)
        ):
            if cut.learned is self.learned and cut.learn(self._settled_n):
                self.learned_dirty = True
        self.record_ready = True

    def _judged(self, stop, travel_um):
        """The stop reason once the other quantity's window has been looked at."""
        job = self.job
        depth = self.depth
        if stop == t.STOP_DEPTH:
            if travel_um > depth.target_um + 4 * depth.sig_um:
                return t.STOP_OVER
            high = job[t.J_WINDOW_HIGH_N]
            force = self._settled_n
            if high and not job[t.J_WINDOW_LOW_N] <= force <= high:
                return t.STOP_WINDOW
        elif stop == t.STOP_SETPOINT:
            if depth.on and depth.stop_on == t.STOP_ON_DEPTH:
                # The limit on force came before the depth.
                return t.STOP_WINDOW
            high = job[t.J_WINDOW_HIGH_UM] if self._with_cutoff and self.job_no else 0
            if high and not job[t.J_WINDOW_LOW_UM] <= travel_um <= high:
                return t.STOP_WINDOW
        return stop

    def _done(self):
        """Extend stays off until the pedal is released."""
        if self._after == 0:
            self.outputs = t.OUT_LAMP if self.stop == t.STOP_SETPOINT or self.stop == t.STOP_DEPTH else 0
        if not self._extend and not self._retract:
            self._let_go = True
        if self._extend or not self._let_go or self._after:
            return
        self._zero_wait = 0
        # A retract pedal pressed anew, after both were released, is not kept waiting.
        self.state = t.STATE_STORING if self.record_ready and not self._retract else t.STATE_READY

    # ------------------------------------------------------------------ the return
    def _begin_return(self):
        self.state = t.STATE_RETURN
        if self.refusal != t.REFUSAL_ZERO_OUT:
            self.refusal = t.REFUSAL_NONE
        self.outputs = t.OUT_RETRACT
        if not self.settings[t.S_TOP_SWITCH]:
            self._finished = False
        self._timer = 0
        if self.force_n > 2 * self.cut.friction_n + self._touch_n:
            # More than a seal holds: the ram is on a part, whatever the top switch says.
            self._vented = True
        self.disarm()
        self._return_latched = self.latch_on and not self.contacts.selector_moved
        self._return_touch = True

    def _return(self, inputs):
        self._timer += 1
        if self._extend:
            # Any touch of the other pedal stops; nothing moves again before both are released.
            self._end_return()
            return
        if inputs & t.IN_TOP and self.settings[t.S_TOP_SWITCH] and (self._vented or self._timer > VENT_MS):
            self._vented = True
            self._end_return()
            return
        if self._timer > self.settings[t.S_RETURN_MAX_MS]:
            if self.settings[t.S_TOP_SWITCH]:
                self._fail(t.FAULT_RETURN_TOO_LONG)
            else:
                self._end_return()
            return
        if self._return_latched:
            if not self._retract:
                self._return_touch = False
            elif not self._return_touch:
                self._end_return()
        elif not self._retract:
            self._end_return()

    def _end_return(self):
        self.outputs = 0
        self.refusal = t.REFUSAL_NONE
        self.state = t.STATE_REFUSED
