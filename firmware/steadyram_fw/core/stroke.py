"""One stroke: the part of steadyram that lands the force. Under is recoverable, over is scrap.

One quantity is followed, the oil left to the setpoint, with its spread; every move lets in what stroke_plan allows.
A part whose job has taught nothing yet meets what could be a dead stop; a learned one what its job's parts have needed.

Integers only; nothing here allocates.
"""

from array import array

from .. import tables as t
from . import stroke_plan as plan
from .fixed import abs_of, clamp, time_for
from .job_model import (
    L_AIM,
    L_AIR_KNOWN,
    L_AIR_N,
    L_CYCLES,
    L_END,
    L_LATE,
    L_NEED,
    L_ODD,
    L_SETPOINT,
    L_SPREAD,
    L_UC,
    L_UC_SPREAD,
    LEVELS,
    follow,
    follow_at,
    need16,
    spread16,
    start_anew,
)
from .modes import (
    FEED_FULL,
    FEED_SLOW,
    FIRST_PULSES,
    LEARNED_PULSES,
    MODE_DEAD_LEAD,
    MODE_FIRST,
    MODE_PLAN,
    MODE_PROBE,
    MODE_THRESHOLD,
    NEXT_DONE,
    NEXT_FEED,
    NEXT_PULSE,
    NEXT_SHORT,
)
from .position import (
    AIR_LEAST_N,
    AIR_MOST_N,
    AIR_MS,
    AIR_N,
    AIR_SEEN,
    AIR_SUM_N,
    AIR_TOP_N,
    CARRY,
    CHANGEOVER_N,
    CLOSE16,
    CONTACT16,
    DEAD16,
    DROP_HIGH_N,
    DROP_LOW_N,
    LAND16,
    LEVEL,
    MARK,
    MODE,
    MOVE_FROM16,
    NET_N,
    NOISE_N,
    OFFSET_N,
    REASON,
    SEE16,
    SETPOINT_N,
    SHARE_HIGH,
    SHARE_LOW,
    TOUCH_N,
    TOUCHED,
    TURNED,
    U16,
    WAIT_MS,
    moved16,
    new_cells,
)

# Longest flow of one pulse when a bed or a tool is positioned: 12 ms, a tenth or two of a millimetre.
GENTLE16 = 192
# A spool takes about 10 ms to open (common practice, no source), t16.
SOFT16 = 160
# Less oil than this is told by the force alone, u16.
FINE16 = 32
# No pulse is longer: it is not watched.
PULSE16 = 1600
# Contact of a job's next part may be off by this much when one has been seen: 20 ms of the low stage (common
# practice: an approach differs by up to a few millimetres, no source).
UC_SPREAD16 = 320
# So many readings at rest of a stroke are remembered until it is learned from.
RESTS = 8


class Stroke:
    """State of one stroke, and what is decided in each millisecond of it."""

    def __init__(self, press, full, slow):
        self.p = press
        self.full = full
        self.slow = slow
        self.cells = new_cells()
        self.rests = array("i", [0] * (2 * RESTS))
        self.ahead16 = array("i", [0] * (LEVELS + 1))
        self.mode = MODE_THRESHOLD
        self.gentle = False
        self.handling = False
        self.learned = None
        self.setpoint = 1
        self.from_top = True
        self.friction_n = 0
        self.reset()

    def reset(self):
        self.known = False
        self.armed = False
        self.feed = FEED_FULL
        self.width_ms = 0
        self.u16 = 0
        self.base16 = 0
        self.pulses = 0
        self.rested = 0
        self.miss16 = 0
        self.air_spread16 = 0
        self.idle = False
        self.contact16 = -1
        self.touched = False
        self.left16 = 0
        self.left_spread16 = 0
        self.sig_n = 0
        self.allow_n = 0
        self.accept_n = 0
        self.aim_n = 0
        self.allow16 = 0
        self.scrap16 = 0
        self.reserve16 = 0
        self.room16 = 0
        self.told = 0
        self.touch_n = 1
        self.end16 = 1
        self.f0 = 0
        self.end_n = 0
        self.look_n = 0
        self.rise_end16 = 0
        self.wait_ms = 0
        self.used_slow = False
        self.knee_n = 0
        self.again16 = 0
        self.gained_n = 0
        self.gained16 = 0
        self.near_end = False
        self.landed16 = -1
        self.held16 = -1
        self.air = 0
        self.air_rest_n = self.friction_n
        self.air_told = False
        self.still = 0
        self.slope16 = 0

    def valve(self):
        """The valve of the feed in use."""
        return self.slow if self.feed == FEED_SLOW else self.full

    def offset_n(self):
        """Newtons that this stroke's readings are too high: its friction is not that of the calibration."""
        return self.cells[OFFSET_N]

    def travels(self):
        """True where the last move let in enough oil to move the ram, whatever held it."""
        # From rest at no pressure all of the friction is to be met, and as much to break away; else that alone.
        held_n = self.friction_n if self.air_told else 3 * self.friction_n
        return self.u16 - self.base16 > time_for(held_n, self.p.low16) + FINE16

    def air_n(self):
        """A force above this is contact."""
        if self.touched:
            return self.touch_n
        if self.travels():
            # It stops at running friction, where it stopped before.
            return self.touch_n + clamp(self.air_rest_n, 0, self.friction_n)
        # The seal may hold what a small pulse raised without moving the ram.
        held_n = self.p.breakaway_n
        if held_n < 0:
            held_n = self.friction_n
        return self.touch_n + held_n

    # ------------------------------------------------------------------ how it begins
    def begin(self, setpoint, learned, from_top):
        """Choose how this stroke is run and how it starts: sets mode, feed and width_ms (0 = continuous)."""
        self.reset()
        p = self.p
        self.setpoint = setpoint
        self.learned = learned
        self.from_top = from_top
        cells = self.cells
        for j in range(LEVELS + 1):
            cells[MARK + j] = -1
        cells[CONTACT16] = -1
        cells[LEVEL] = 1
        cells[AIR_N] = cells[AIR_TOP_N] = 2 * self.friction_n
        # No pressure, no friction: less than that cannot be read. Strokes, the calibration's too, differ by a quarter
        # (common practice). A part met softly may pass for more, and so may a bed or a tool that is moved.
        most_n = 0 if self.handling else self.friction_n
        cells[AIR_LEAST_N] = -most_n
        cells[AIR_MOST_N] = most_n >> 2
        cells[AIR_SEEN] = 0
        cells[OFFSET_N] = 0
        if learned is not None and learned[L_SETPOINT] == setpoint and learned[L_AIR_KNOWN]:
            # Until this stroke's free travel has told.
            cells[OFFSET_N] = clamp(learned[L_AIR_N], -most_n, most_n)
            if from_top and learned[L_UC] - 3 * learned[L_UC_SPREAD] > moved16(p, most_n) + 16 * AIR_MS:
                # No part is met before it has told.
                cells[AIR_MOST_N] = most_n - (most_n >> 2)
        self.touch_n = max(3 * p.noise_n, setpoint >> 6, 8)

        if p.strategy == t.STRATEGY_THRESHOLD or not p.characterised:
            self.mode = MODE_THRESHOLD
            return
        if p.strategy == t.STRATEGY_LEAD:
            self.mode = MODE_DEAD_LEAD
            return
        known = learned[L_CYCLES] > 0 and learned[L_SETPOINT] == setpoint and not self.gentle
        self.recall_valve(learned)
        self.known = known
        self.end16 = learned[L_END] if known and learned[L_END] > 0 else p.low16
        self.aim_n = learned[L_AIM] if known else 0
        plan.figures(self)
        self.mode = MODE_PLAN if known else MODE_FIRST
        if (
            not p.holds_load
            and known
            and plan.dead_trip_n(self, self.full.close16 + self.full.see16, setpoint) <= 2 * self.touch_n
        ):
            self.known = False
            self.mode = MODE_FIRST
        self.start_move()

    def recall_valve(self, learned):
        """After power-on what the job last saw of the valves stands for them."""
        full = self.full
        if full.trust == 0 and full.still == 0 and learned[L_LATE]:
            full.set_late(learned[L_LATE])
            self.slow.set_late(learned[L_LATE])

    def start_move(self):
        """The first move: a watched feed where the rule lets it run longer than its lag, else a pulse."""
        self.feed = FEED_FULL
        full = self.full
        lag16 = full.close16 + full.see16
        self.width_ms = 0
        if self.known:
            plan.arm(self)
            land16 = self.cells[LAND16]
            if land16 == 0 or land16 > plan.oil_in16(self, 0, full.close16 - full.open16) + 32:
                self.armed = True
                return
        elif not self.gentle and plan.dead_trip_n(self, lag16, self.setpoint) > 2 * self.touch_n:
            return
        self.air_move()

    def air_move(self):
        """A move that starts before contact."""
        p = self.p
        oil16 = plan.in_air_oil16(self)
        full = self.full
        # A reading that the seal may hold, or the part: a feed that is watched by it would end at once.
        held = plan.may_be_held(self)
        if p.slow_fitted:
            lag16 = self.slow.close16 + self.slow.see16
            # A full-feed pulse and the wait after it: the slow feed comes as far in that time, without a click.
            slow16 = (((full.settle_ms << 4) + 64) * p.slow_share) >> 7
            # (The shortest pulse will do where it is but a little more than a dead stop could stand.)
            least16 = full.least16()
            fits = oil16 >= least16 or (oil16 > 0 and 17 * plan.dead_oil16(self, 0) > least16 << 4)
            if self.gentle or not fits or oil16 < slow16:
                self.feed = FEED_SLOW
                trip_n = plan.dead_trip_n(self, lag16, self.setpoint)
                if trip_n > 2 * self.touch_n and not held:
                    self.width_ms = 0
                    return
                oil16 = plan.in_air_oil16(self)
                self.width_ms = max(1, self.slow.width_ms(max(0, plan.time_of16(self, 0, max(oil16, 0)))))
                return
        self.feed = FEED_FULL
        if not self.known and not self.gentle and not held:
            if plan.dead_trip_n(self, full.close16 + full.see16, self.setpoint) > 2 * self.touch_n:
                self.width_ms = 0
                return
        if self.gentle:
            # Inching, however much would be allowed: to show that the reading moves, by inches that grow (or a long
            # way down takes hundreds); where a bed or a tool is positioned they stay small.
            oil16 = min(oil16, GENTLE16 + (0 if self.handling else (GENTLE16 * min(self.pulses, 100)) >> 2))
        t16 = plan.time_of16(self, 0, max(oil16, 0))
        lag16 = full.close16 + full.see16
        if self.known and t16 > lag16 + 2 * plan.WATCHED16 and not p.burst and not held:
            self.width_ms = 0
            return
        self.width_ms = max(1, full.width_ms(t16), full.least_ms)

    # ------------------------------------------------------------------ what the controller tells
    def feed_starts(self):
        """The controller has energised a feed (or a pulse)."""
        p = self.p
        v = self.valve()
        slow = self.feed == FEED_SLOW
        self.base16 = self.u16
        c = self.cells
        if slow:
            self.used_slow = True
        c[SHARE_LOW] = p.slow_share if slow else 256
        c[SHARE_HIGH] = p.slow_share if slow else p.high_share
        c[CHANGEOVER_N] = p.changeover_n
        c[TURNED] = 1 if self.f0 >= p.changeover_n else 0
        drop_n = 0 if self.mode == MODE_THRESHOLD else p.line_drop_n
        c[DROP_LOW_N] = (drop_n * c[SHARE_LOW]) >> 8
        c[DROP_HIGH_N] = (drop_n * c[SHARE_HIGH]) >> 8
        c[NET_N] = self.f0
        c[CARRY] = 0
        if self.width_ms:
            # What a pulse lets in is the valve estimate's matter.
            c[U16] = self.u16
            return
        self.u16 -= (v.open16 * (p.slow_share if slow else p.share(self.f0))) >> 8
        c[U16] = self.u16
        c[MODE] = self.mode
        c[SETPOINT_N] = self.setpoint
        c[TOUCH_N] = self.touch_n
        # (A contact that a reading at rest has borne out is not withdrawn.)
        c[TOUCHED] = 1 if slow and c[CONTACT16] >= 0 and not self.touched else 0
        c[SEE16] = v.see16
        c[CLOSE16] = v.close16
        c[DEAD16] = p.low16 if not slow else p.slow16
        c[NOISE_N] = p.noise_n
        c[WAIT_MS] = self.wait_ms
        c[REASON] = 0
        if not self.touched and c[CONTACT16] < 0:
            # A ram at rest breaks away: for a moment the reading is up to twice its friction. What the line drops
            # comes as a step, and swings.
            # (Once it has come to rest in the air, running friction is there already.)
            from_n = c[OFFSET_N] if self.air_told else self.friction_n
            c[AIR_N] = from_n + self.friction_n + c[DROP_LOW_N]
            c[AIR_SEEN] = 0
            c[AIR_SUM_N] = 0
            c[MOVE_FROM16] = self.base16 + moved16(p, self.friction_n)
        if self.armed:
            # In this very step, from the same oil: once is enough, a step has a millisecond.
            self.armed = False
        elif self.mode >= MODE_FIRST:
            base16 = self.u16
            self.u16 = self.base16
            plan.arm(self)
            self.u16 = base16

    def feed_ends(self, force, rise16):
        """It has been told to close; count what still comes in."""
        p = self.p
        v = self.valve()
        c = self.cells
        if not self.width_ms and c[CONTACT16] < 0 and c[AIR_SEEN] >= AIR_MS:
            # Free travel has told its friction: what the settled reading shows beyond it is a part.
            self.tell_air(c[AIR_N])
        self.end_n = (force if self.width_ms else c[NET_N]) - c[OFFSET_N]
        self.rise_end16 = rise16
        self.look_n = 0
        if self.width_ms:
            t16 = v.flow16(self.width_ms)
            if not self.touched:
                # Each pulse may be off by half an actuation's jitter to the same side.
                share = p.slow_share if self.feed == FEED_SLOW else 256
                self.air_spread16 += 1 + ((v.jitter16 * share) >> 9)
            self.u16 = self.base16 + plan.oil_in16(self, max(0, self.f0), t16)
            return
        self.u16 = max(self.base16, c[U16] + plan.oil_in16(self, max(0, self.end_n), v.close16))
        self.wait_ms = c[WAIT_MS]

    # ------------------------------------------------------------------ the next move
    def decide(self, force):
        """What next, from the settled force: NEXT_DONE, NEXT_PULSE (width_ms, feed), NEXT_FEED or NEXT_SHORT."""
        mode = self.mode
        if mode == MODE_THRESHOLD or mode == MODE_DEAD_LEAD or mode == MODE_PROBE:
            return NEXT_DONE
        self.watch(force)
        return self.next_move(force)

    def top_up(self, force):
        """The next move of a part that is held: nothing has moved since, what leaked away is to come back."""
        self.f0 = force
        self.base16 = self.u16
        if self.held16 < 0:
            # What comes in from here on makes good a leak: no part of this job needs it.
            self.held16 = self.u16
        if self.known:
            a = self.learned
            self.left16 = need16(a, self.setpoint, force) - time_for(self.aim_n, self.end16)
            self.left_spread16 = max(2, plan.force_spread16(self, force))
        else:
            self.left16 = plan.dead_oil16(self, force)
            self.left_spread16 = 0
        return self.next_move(force)

    def next_move(self, force):
        """What the rule allows from here: see decide."""
        p = self.p
        gap = self.setpoint - self.aim_n - force
        if gap <= self.accept_n:
            # What the seal alone may hold is no force on a part.
            return NEXT_DONE if self.touched or not p.holds_load else NEXT_SHORT
        if not p.holds_load:
            return self.again(force)
        if self.pulses >= (FIRST_PULSES if self.mode == MODE_FIRST else LEARNED_PULSES):
            return NEXT_SHORT
        if not self.touched:
            self.air_move()
            return NEXT_PULSE if self.width_ms else NEXT_FEED
        if p.slow_fitted:
            return self.move_with_slow(force, gap)
        self.feed = FEED_FULL
        return self.full_move(force, gap)

    def full_move(self, force, gap):
        """A pulse, or a watched feed, of the full feed on the part; or done."""
        p = self.p
        v = self.full
        oil16 = plan.on_part_oil16(self, force)
        t16 = plan.time_of16(self, force, max(0, oil16))
        if self.known and not p.burst and not self.idle and plan.pays(self, force):
            self.width_ms = 0
            return NEXT_FEED
        t16 = min(t16, PULSE16)
        least16 = max(plan.oil_in16(self, force, v.least16()), p.breakaway16)
        left16 = self.left16
        jit16 = (v.jitter16 * plan.share_at(self, force)) >> 8
        if least16 > jit16 and self.known:
            t16 = plan.time_of16(self, force, landable16(oil16, left16, least16, jit16))
        return self.pulse(v, t16, least16, left16, gap)

    def pulse(self, v, t16, least16, left16, gap):
        """A pulse of that flow, the shortest where that lands nearer than stopping, or done."""
        width = v.width_ms(max(0, t16))
        if width < v.least_ms:
            over16 = least16 - left16
            if self.known:
                if over16 > min(left16 >> 1, self.allow16) and over16 > 0:
                    return NEXT_DONE
            elif over16 > self.allow16 >> 1:
                return NEXT_DONE
            width = v.least_ms
        self.width_ms = width
        return NEXT_PULSE

    def move_with_slow(self, force, gap):
        """Full feed as far as its spread allows, then the slow feed while the lag leaves room, then its pulses."""
        p = self.p
        v = self.full
        self.feed = FEED_SLOW
        left16 = self.left16
        slow_t16 = plan.time_of16(self, force, max(0, left16))
        if self.known and slow_t16 > plan.SLOW_RUN16 >> 1 and not p.burst:
            self.feed = FEED_FULL
            oil16 = plan.on_part_oil16(self, force)
            t16 = plan.time_of16(self, force, max(0, oil16))
            if not self.idle and plan.pays(self, force):
                self.width_ms = 0
                return NEXT_FEED
            width = v.width_ms(max(0, t16))
            if width >= v.least_ms and 3 * oil16 > left16:
                self.width_ms = width
                return NEXT_PULSE
            self.feed = FEED_SLOW
        v = self.slow
        if not self.idle and plan.pays(self, force):
            self.width_ms = 0
            return NEXT_FEED
        oil16 = plan.on_part_oil16(self, force)
        least16 = max(plan.oil_in16(self, force, v.least16()), p.breakaway16)
        t16 = plan.time_of16(self, force, max(0, oil16))
        jit16 = (v.jitter16 * p.slow_share) >> 8
        if self.known and left16 < FINE16 and 4 * force > 3 * self.setpoint:
            # One step of oil would be too coarse: by the rise at the setpoint.
            t16 = time_for(gap, max(1, (self.end16 * p.slow_share) >> 8)) - (v.jitter16 >> 1)
        elif least16 > jit16 and self.known:
            t16 = plan.time_of16(self, force, landable16(oil16, left16, least16, jit16))
        return self.pulse(v, t16, least16, left16, gap)

    def again(self, force):
        """Open centre, first part: every push starts from nothing; lengthen it until it reaches the setpoint."""
        if self.mode != MODE_FIRST or self.pulses >= FIRST_PULSES:
            return NEXT_DONE
        full = self.full
        if force <= self.touch_n:
            self.air_move()
            return NEXT_PULSE if self.width_ms else NEXT_FEED
        if plan.dead_trip_n(self, full.close16 + full.see16, self.setpoint) > 2 * self.touch_n:
            return NEXT_DONE
        self.feed = FEED_FULL
        if self.again16 == 0:
            self.again16 = max(16, plan.safe_oil16(self, 0))
        else:
            most = self.again16 + (self.again16 >> 2) + 8
            self.again16 = min(most, (self.again16 * min((self.setpoint << 6) // force, 128)) >> 6)
        self.width_ms = max(1, full.width_ms(plan.time_of16(self, 0, self.again16)))
        return NEXT_PULSE

    def hands_over(self, force):
        """True where the slow feed shall go on without a pause after the full one; then it is its turn from now."""
        p = self.p
        if not p.slow_fitted or not self.known or self.feed == FEED_SLOW or self.cells[CONTACT16] < 0:
            return False
        if force > self.setpoint - self.aim_n - self.accept_n:
            return False
        run16 = (max(self.reserve16, 3 * self.learned[L_SPREAD]) << 8) // p.slow_share
        if run16 > plan.SLOW_RUN16:
            return False
        self.wait_ms = ((self.full.close16 + self.full.see16) >> 4) + 12
        return True

    # ------------------------------------------------------------------ what a move did
    def watch(self, force):
        """Take what the last move did: levels passed, the slope, what is left, how the valve did."""
        p = self.p
        v = self.valve()
        slow = self.feed == FEED_SLOW
        pulse = self.width_ms > 0
        c = self.cells
        f0 = self.f0
        if self.contact16 < 0 and c[CONTACT16] >= 0:
            self.contact16 = c[CONTACT16]
        seen_n = c[NET_N] - c[AIR_N]
        if self.contact16 >= 0 and not self.touched and seen_n < 2 * self.touch_n and force < self.air_n():
            # Noise, in the last milliseconds of the move: the feed did not see the force rise, nor does the rest.
            self.contact16 = c[CONTACT16] = c[MARK] = -1
            c[LEVEL] = 1
        if not slow and not pulse and self.end_n < p.changeover_n < force and not self.known:
            # The pump changed over after the last look: that much less oil has come in.
            late = min(time_for(force - p.turn_n, p.low16), v.close16 + v.see16)
            self.u16 -= (late * (256 - p.high_share)) >> 8
        if pulse and self.touched and force - f0 < p.noise_n >> 2:
            # It moved nothing.
            self.u16 = self.base16
        elif pulse and self.touched and not self.known and not (p.slow_pulse_seen if slow else p.pulse_seen):
            # How far a spool opens in a short pulse is not known yet: rather too little oil, for what is left by
            # it must not be too much.
            moved16 = self.u16 - self.base16
            self.u16 = self.base16 + (moved16 * moved16) // (moved16 + SOFT16)
        moved16 = self.u16 - self.base16
        self.idle = not pulse and self.touched and force - f0 < p.noise_n
        if self.touched and force + force < self.touch_n:
            # It was the seal that held the pressure of a pulse too small to move the ram.
            self.touched = False
            self.left_spread16 = 0
            self.contact16 = c[CONTACT16] = -1
            c[LEVEL] = 1
            for j in range(LEVELS + 1):
                c[MARK + j] = -1
        from_n = f0
        from16 = self.base16
        if not pulse:
            from_n = max(f0, self.end_n)
            from16 = max(from16, c[U16])
        touching = self.touched or self.contact16 >= 0 or force > self.air_n()
        if touching and not self.touched:
            self.touched = True
            self.air = self.pulses
            if self.contact16 < 0:
                # Somewhere within this move: by the job's curve, or half-way where there is none.
                if self.known:
                    self.contact16 = max(
                        1, self.u16 - (self.learned[L_NEED] - need16(self.learned, self.setpoint, force))
                    )
                else:
                    self.contact16 = max(1, self.u16 - (moved16 >> 1))
                    c[MARK] = self.contact16
                c[CONTACT16] = self.contact16
            self.left_spread16 = 0
            self.left16 = 0
        if not touching and self.travels():
            self.rested_in_air(force)
        if touching:
            self.note_levels(force, from_n, from16)
            self.note_left(force, moved16, pulse)
            if self.rested < RESTS and self.held16 < 0:
                self.rests[2 * self.rested] = force
                self.rests[2 * self.rested + 1] = self.u16
                self.rested += 1
            if f0 > self.air_n() and self.held16 < 0:
                self.note_slope(force, f0, moved16, pulse)
        if p.characterised and p.holds_load:
            if pulse:
                self.note_pulse(force, f0)
            else:
                self.note_closing(force)
        if self.landed16 < 0 and touching and (not pulse):
            self.landed16 = self.u16
        self.f0 = force

    def rested_in_air(self, force):
        """The ram has moved and met nothing: what it reads at rest is friction beyond the calibration's."""
        c = self.cells
        offset = c[OFFSET_N]
        # Down soon, up slowly: a part that begins softly must not pass for friction.
        step = force >> 3
        if force < 0:
            step = force >> 1 if self.air_told else force
        c[OFFSET_N] = clamp(offset + step, c[AIR_LEAST_N], max(offset, c[AIR_MOST_N]))
        self.air_rest_n = force + offset - c[OFFSET_N]
        self.air_told = True

    def tell_air(self, air_n):
        """Take what a feed has read in free travel; more than that is not taken for friction again in this stroke."""
        c = self.cells
        c[OFFSET_N] = clamp(air_n, c[AIR_LEAST_N], c[AIR_MOST_N])
        c[AIR_MOST_N] = min(c[AIR_MOST_N], max(0, c[OFFSET_N] + (self.friction_n >> 3)))
        self.air_rest_n = air_n - c[OFFSET_N]
        self.air_told = True

    def note_levels(self, force, from_n, from16):
        """Levels passed since the last look: between the two readings, evenly."""
        c = self.cells
        level = c[LEVEL]
        span = max(1, force - from_n)
        while level <= LEVELS and force << 4 >= self.setpoint * level:
            part = clamp(((self.setpoint * level) >> 4) - from_n, 0, 4000000)
            share = clamp((part << 7) // span, 0, 128)
            if not self.known:
                c[MARK + level] = from16 + (((self.u16 - from16) * share) >> 7)
            level += 1
        c[LEVEL] = level

    def note_left(self, force, moved16, pulse):
        """Fuse what is left by force with what was left before the move less what it let in."""
        p = self.p
        if not self.known:
            self.left16 = plan.dead_oil16(self, force)
            self.left_spread16 = 0
            return
        a = self.learned
        c = self.cells
        aim16 = time_for(self.aim_n, self.end16)
        by_force = need16(a, self.setpoint, force) - aim16
        s_force = plan.force_spread16(self, force)
        share = p.slow_share if self.feed == FEED_SLOW else p.share(force)
        jit16 = max(2, (self.valve().jitter16 * share) >> 8)
        s_force = max(s_force, jit16 >> 1)
        if self.left_spread16 > 0:
            by_oil = self.left16 - moved16
            s_oil = plan.hypot16(self.left_spread16, jit16 + (jit16 >> 1 if pulse else 0))
        else:
            # By the level that tells most of those that were passed.
            by_oil = by_force
            s_oil = 1 << 20
            if self.from_top and a[L_UC] > 0:
                s_oil = plan.hypot16(a[L_UC_SPREAD], a[L_SPREAD])
                by_oil = a[L_UC] + a[L_NEED] - self.u16 - aim16
            step16 = plan.plateau_step16(self)
            for j in range(LEVELS):
                mark = c[MARK + j]
                if mark < 0 or a[L_NEED + j] == 0:
                    continue
                spread = plan.level_spread16(self, j, step16)
                if spread < s_oil:
                    s_oil = spread
                    by_oil = a[L_NEED + j] - (self.u16 - mark) - aim16
            s_oil = plan.hypot16(s_oil, jit16)
        s_oil = min(s_oil, 16000)
        s_force = min(s_force, 16000)
        off = self.miss16 = clamp(by_oil - by_force, -100000, 100000)
        if abs_of(off) > 3 * (s_oil + s_force):
            self.left16 = min(by_oil, by_force)
            self.left_spread16 = max(s_oil, s_force)
        else:
            w_oil = max(1, (s_oil * s_oil) >> 4)
            w_force = max(1, (s_force * s_force) >> 4)
            part = (w_oil << 6) // (w_oil + w_force) if w_oil < 1 << 22 else 64
            self.left16 = by_oil - ((off * part) >> 6)
            # They are not independent, and the same force twice tells nothing new: no better than the better one.
            self.left_spread16 = max(2, min(s_oil, s_force))
        self.left16 = max(self.left16, plan.dead_oil16(self, force) - jit16)

    def note_slope(self, force, f0, moved16, pulse):
        """What the last move on the part gained for its oil."""
        p = self.p
        gained = force - f0
        share = p.slow_share if self.feed == FEED_SLOW else p.share(force)
        jit16 = (self.valve().jitter16 * share) >> 8
        if f0 < p.changeover_n < force:
            return
        if pulse and self.slope16 > 0 and self.knee_n == 0:
            # At least so steep, the pulse a standard deviation longer than meant.
            least = time_for(max(gained, 0), moved16 + jit16)
            if least > 3 * self.slope16 and 3 * least > p.low16:
                self.knee_n = f0
        if moved16 <= jit16:
            return
        slope = time_for(max(gained, 0), moved16)
        self.slope16 = slope
        if f0 <= self.setpoint - (self.setpoint >> 2) or gained <= 2 * p.noise_n:
            return
        if f0 > self.setpoint - (self.setpoint >> 3) and not self.near_end:
            # Nearer to the setpoint: what was seen before may have been the plateau's.
            self.near_end = True
            self.gained_n = self.gained16 = 0
        self.gained_n += gained
        self.gained16 += moved16

    def note_pulse(self, force, f0):
        """What the pulse let in, by the job's curve; that it moved nothing shows without one."""
        p = self.p
        v = self.valve()
        if f0 <= self.air_n():
            return
        gained = force - f0
        if gained < p.noise_n >> 1:
            self.still += 1
            # Between the bursts of a hand pump nothing flows, about half of the time, and by a job's curve a pulse may
            # be as short as what is left: four in a row were too short.
            if self.still > (3 if p.burst or self.known else 1):
                v.moved_nothing(self.width_ms)
                self.still = 0
        else:
            self.still = 0
        if p.burst or not self.known:
            return
        a = self.learned
        before16 = need16(a, self.setpoint, f0)
        got16 = clamp(before16 - need16(a, self.setpoint, force), -30000, 30000)
        share = p.slow_share if self.feed == FEED_SLOW else p.share(force)
        # What the curve is known to at both ends, not the size of what was seen: on a plateau a force says little.
        noise16 = abs_of(got16) >> 2
        if gained >= p.noise_n >> 1:
            noise16 = plan.hypot16(
                spread16(a, self.setpoint, f0, p.noise_n >> 2),
                spread16(a, self.setpoint, force, p.noise_n >> 2),
            )
        if gained > 0:
            noise16 += ((p.noise_n >> 1) * min(abs_of(got16), 4000)) // gained
        else:
            noise16 += ((p.noise_n >> 1) << 8) // max(1, self.end16)
        v.saw_pulse(self.width_ms, (got16 << 8) // share, (min(noise16, 20000) << 8) // share)

    def note_closing(self, force):
        """Did the force still rise when the flow should have ended? Then the valve is later than it was."""
        p = self.p
        v = self.valve()
        if not self.known or self.look_n == 0 or force <= self.touch_n:
            return
        after = force - self.look_n
        rise16 = self.rise_end16
        if rise16 < 4 * p.noise_n or after <= 2 * p.noise_n:
            return
        span = self.look_n - self.end_n
        lag16 = v.close16 + v.see16
        if span > 0:
            # A knee within the lag: what it rose in the lag is the better measure.
            rise16 = max(rise16, time_for(span, lag16))
        extra = time_for(after, rise16)
        share = p.slow_share if self.feed == FEED_SLOW else p.share(force)
        if 4 * after < force - self.end_n or self.miss16 << 9 < extra * share:
            # A knee at the end; or no more oil came in than was meant to.
            return
        if extra > max(3 * v.jitter16 + 32, v.half_late16() >> 1):
            # One odd closing is jitter, or a knee: half of what it shows is believed, the rest if it stays.
            late = v.late16 + (min(extra, v.half_late16()) >> 1)
            self.full.set_late(late)
            self.slow.set_late(late)
            self.u16 += (extra * (p.slow_share if self.feed == FEED_SLOW else p.share(force))) >> 8
            self.full.trust = self.slow.trust = 0

    # ------------------------------------------------------------------ what the part taught
    def learn(self, force):
        """Take this stroke into the job's learned state. force: settled force. Returns True if anything changed."""
        a = self.learned
        mode = self.mode
        if mode == MODE_THRESHOLD or mode == MODE_DEAD_LEAD or mode == MODE_PROBE or a is None:
            return False
        setpoint = self.setpoint
        p = self.p
        c = self.cells
        if a[L_SETPOINT] != setpoint:
            start_anew(a, setpoint)
        if self.contact16 < 0:
            if a[L_CYCLES]:
                a[L_ODD] += 1
                if a[L_ODD] > 1:
                    start_anew(a, setpoint)
            return True
        n = a[L_CYCLES]
        if (n == 0 and not self.from_top) or (n > 0 and not self.known):
            # What a stroke by the first part's rule let in is counted too low to be learned from twice.
            return False
        end_share = p.share(setpoint)
        v = self.full
        jit16 = max(2, (v.jitter16 * (p.slow_share if p.slow_fitted else end_share)) >> 8)
        if self.gained16 > jit16 and self.gained_n > 0:
            seen = clamp(time_for(self.gained_n, self.gained16), p.low16 >> 6, p.low16 + (p.low16 >> 4))
            a[L_END] = (
                seen if n == 0 or a[L_END] == 0 else a[L_END] + ((seen - a[L_END]) >> (1 if n < 3 else 2))
            )
        elif a[L_END] == 0:
            a[L_END] = p.low16 - (p.low16 >> 3)
        error = force - setpoint
        u_end = (self.u16 if self.held16 < 0 else self.held16) - time_for(error, a[L_END])
        # Each pulse may be off a little.
        each16 = (jit16 >> 1) * min(self.pulses - self.air, 20)
        outliers = 0
        if error < -self.allow_n - self.aim_n and n > 1:
            # It did not come up to the setpoint: what the job knew of the way there was a guess.
            n = 1
        for j in range(LEVELS):
            mark = c[MARK + j]
            if mark < 0:
                continue
            if follow(a, L_NEED + j, L_SPREAD + j, max(0, u_end - mark), n, jit16 + each16 // 4):
                outliers += 1
        if self.known:
            for i in range(self.rested):
                follow_at(
                    a, setpoint, self.rests[2 * i], u_end - self.rests[2 * i + 1], n, jit16 + each16 // 4
                )
        a[L_NEED + LEVELS] = 0
        a[L_SPREAD + LEVELS] = jit16
        for j in range(LEVELS - 1, -1, -1):
            # Oil only comes in; nor can a level need less than a dead stop would.
            above = a[L_NEED + j + 1]
            if n == 0 and c[MARK + j] < 0:
                # Not reached by this part: a dead stop may stand there.
                a[L_NEED + j] = above + time_for(max(1, setpoint >> 4), p.low16)
                a[L_SPREAD + j] = max(a[L_NEED + j], 2 * jit16)
            elif a[L_NEED + j] < above + 1:
                a[L_NEED + j] = above + 1
        if self.from_top:
            spread = jit16 + self.air_spread16
            if n == 0:
                a[L_UC] = self.contact16
                # One part says nothing of how far they differ, nor how far up the ram was.
                a[L_UC_SPREAD] = max(spread, UC_SPREAD16, self.contact16 >> 5)
            elif spread < a[L_UC_SPREAD] * 2:
                # Contact as it was met, or what the whole way leaves for it.
                seen = c[MARK] if c[MARK] > 0 else u_end - a[L_NEED]
                follow(a, L_UC, L_UC_SPREAD, seen, n, max(jit16, 16))
        if outliers > LEVELS >> 1:
            a[L_ODD] += 1
            if a[L_ODD] > 2:
                start_anew(a, setpoint)
                return True
        else:
            a[L_ODD] = 0
        if a[L_CYCLES] > 1:
            # Under is recoverable, over is scrap: where parts land over in the mean, they are aimed lower.
            off = clamp(error, -4 * self.sig_n, 4 * self.sig_n)
            if error > self.allow_n:
                # Beyond what chance does: a good part of it at once, whatever the estimates say.
                a[L_AIM] = min(a[L_AIM] + (error >> 2), setpoint >> 3)
            else:
                a[L_AIM] = clamp(
                    a[L_AIM] + ((off + (self.accept_n >> 2)) >> (2 if n < 8 else 3)),
                    0,
                    max(self.accept_n >> 1, a[L_AIM]),
                )
        self.learn_air(a)
        a[L_LATE] = v.late16
        if a[L_CYCLES] < 1000000:
            a[L_CYCLES] += 1
        return True

    def learn_air(self, a):
        """What free travel reads, in the mean of the job's strokes."""
        c = self.cells
        if c[AIR_SEEN] < AIR_MS and not self.air_told:
            return
        n = min(a[L_AIR_KNOWN], 7)
        if n == 0:
            a[L_AIR_N] = c[OFFSET_N]
        a[L_AIR_N] += (c[OFFSET_N] - a[L_AIR_N]) // (n + 1)
        a[L_AIR_KNOWN] = n + 1


def landable16(w16, need16, least16, off16):
    """A pulse near w16 which leaves nothing, or room for another, where no pulse lets through less than `least16`.

    w16: what its spread allows; need16: oil to the setpoint; off16: by how much one pulse is off.
    """
    keep16 = least16 + off16
    if w16 >= need16 - off16 or need16 - w16 >= keep16:
        return w16
    if need16 >= 2 * least16 <= w16 + least16:
        return max(least16, need16 - keep16)
    return w16
