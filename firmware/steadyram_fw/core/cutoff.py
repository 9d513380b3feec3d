"""When to close the valve, and what to do next: the part of steadyram that lands the force.

Under is recoverable, over is scrap. A stroke is a continuous feed that ends early enough for whatever may come,
then short pulses (or the slow feed) that close in from below, each sized from what is known:

* nothing known (first part): a pulse, or a feed, that could not pass the setpoint even if the ram met a dead
  stop in it;
* learned and the rise is slow against the valve (`LEAD`): full feed to the end, closed by force + rate * lag;
* learned and the knee outruns the valve (`PLAN`): full feed up to a position from which parts' scatter and the
  valve's jitter cannot reach the setpoint, then pulses or slow feed.

Integers only; nothing here allocates.
"""

from .fixed import abs_of, clamp, force_over, isqrt, time_for
from .learn import (
    L_AIR,
    L_BIAS,
    L_BIAS_KNOWN,
    L_CYCLES,
    L_FIRST_N,
    L_LAST_ERR,
    L_LATE,
    L_LEAD,
    L_LEAD_N,
    L_LEAD_SLOW,
    L_PROFILE,
    L_RISE,
    L_RS,
    L_RSS,
    L_SETPOINT,
    L_SLACK,
    L_UC,
    L_US,
    LEVELS,
    follow_position,
    spread16,
)

MODE_THRESHOLD = 0
MODE_DEAD_LEAD = 1
MODE_FIRST = 2
MODE_LEAD = 3
MODE_PLAN = 4
MODE_PROBE = 5

FEED_FULL = 0
FEED_SLOW = 1

NEXT_DONE = 0
NEXT_PULSE = 1
NEXT_FEED = 2
NEXT_SHORT = 3

FIRST_PULSES = 400
LEARNED_PULSES = 200


class Cutoff:
    def __init__(self, press, sense):
        self._p = press
        self._s = sense
        self.mode = MODE_THRESHOLD
        self.known = False
        self.feed = FEED_FULL
        self.width_ms = 0
        self.setpoint = 1
        self.u16 = 0
        self.base16 = 0
        self.pulses = 0
        self.land16 = 0
        self.level = 1
        self.contact16 = -1
        self.learned = None
        self.sig_n = 0
        self.allow_n = 0
        self.accept_n = 0
        self.touch_n = 1
        self.rs16 = 1
        self.rss16 = 1
        self.f0 = 0
        self.w16 = 0
        self.look_n = 0
        self.rise_end16 = 0
        self.late_seen = False
        self.verified = False
        self.best16 = 0
        self.weight16 = 0
        self.steep = False
        self.landed_once = False
        self.landed_n = 0
        self.landed_by_slow = False
        self.slow_landed_n = 0
        self.slow_rise16 = 0
        self.wait_ms = 0
        self.shift16 = 0
        self.bias16 = 0
        self.air = 0
        self.knee_n = 0
        self.again16 = 0
        self.carry = 0
        self.end_n = 0
        self.guard_n = 0
        self.by_force = False
        self.used_slow = False
        self.flat = 0
        self.trip_n = 0
        self.trip16 = 0
        self.fed = False
        self.from_top = True

    # ------------------------------------------------------------------ before the stroke
    def begin(self, setpoint, learned, from_top):
        """Choose how this stroke is run and how it starts: sets mode, feed and width_ms (0 = continuous)."""
        p = self._p
        self.setpoint = setpoint
        self.learned = learned
        self.from_top = from_top
        self.u16 = 0
        self.base16 = 0
        self.pulses = 0
        self.level = 1
        self.contact16 = -1
        self.f0 = 0
        self.w16 = 0
        self.look_n = 0
        self.rise_end16 = 0
        self.late_seen = False
        self.verified = False
        self.best16 = 0
        self.weight16 = 0
        self.steep = False
        self.landed_once = False
        self.landed_n = 0
        self.landed_by_slow = False
        self.slow_landed_n = 0
        self.slow_rise16 = 0
        self.wait_ms = 0
        self.shift16 = 0
        self.bias16 = 0
        self.air = 0
        self.knee_n = 0
        self.again16 = 0
        self.carry = 0
        self.end_n = 0
        self.guard_n = 0
        self.by_force = False
        self.used_slow = False
        self.flat = 0
        self.trip_n = 0
        self.trip16 = 0
        self.fed = False
        self.feed = FEED_FULL
        self.width_ms = 0
        noise4 = p.noise_n >> 1
        self.touch_n = max(4 * noise4, setpoint >> 6, 8)
        if p.strategy == 0 or not p.characterised:
            self.mode = MODE_THRESHOLD
            return
        if p.strategy == 2:
            self.mode = MODE_DEAD_LEAD
            return
        p.set_late(learned[L_LATE] if learned[L_SETPOINT] == setpoint else 0)
        self.bias16 = learned[L_BIAS] if learned[L_SETPOINT] == setpoint else 0
        jit = p.jitter16
        known = learned[L_CYCLES] > 0 and learned[L_SETPOINT] == setpoint and learned[L_RS] > 0
        dead = p.dead16(setpoint)
        self.rs16 = learned[L_RS] if known else dead
        slow_dead = p.slow16
        self.rss16 = learned[L_RSS] if known and learned[L_RSS] > 0 else slow_dead
        fine16 = self.rss16 if p.slow_fitted else self.rs16
        if p.turn_n - (p.turn_n >> 4) <= setpoint < p.changeover_n and not p.slow_fitted:
            fine16 = p.high16
        # One standard deviation of what the valve's jitter (relay and spool: jitter16 is one actuation's) and
        # the sensor leave: the same figure as limit_sigma, from what the device itself knows.
        valve_n = force_over(fine16, isqrt(jit * jit + 21))
        self.sig_n = max(valve_n, noise4) + (min(valve_n, noise4) >> 1)
        self.allow_n = max(setpoint // 24, (self.sig_n * 7) >> 1)
        self.known = known and learned[L_CYCLES] > 1
        if not known or not from_top:
            self._begin_first()
            return
        self.accept_n = max(setpoint // 140, (self.sig_n * 5) >> 2)
        if not p.holds_load and setpoint - force_over(p.low16, p.close16 + p.see16) <= 2 * self.touch_n:
            self._begin_first()
            return
        if not p.holds_load or self._lead_will_do():
            # An open centre gives one shot: no pulse can add to a force that is gone.
            self.mode = MODE_LEAD
            self.accept_n = max(setpoint // 110, self.sig_n * 2)
            return
        self._begin_plan()

    def _begin_first(self):
        """No history: what follows must be safe against a dead stop met at any moment."""
        p = self._p
        self.mode = MODE_FIRST
        if self.known:
            self.accept_n = max(self.setpoint // 140, (self.sig_n * 5) >> 2)
        else:
            self.accept_n = max(self.setpoint // 50, self.sig_n * 2)
        self._approach()

    def _approach(self):
        """Next way to travel while nothing is touched: continuous feed if the setpoint leaves it the time."""
        p = self._p
        lag = p.close16 + p.see16
        if self.setpoint - force_over(p.low16, lag) > 2 * self.touch_n:
            self.feed = FEED_FULL
            self.width_ms = 0
            return
        w16 = self._safe16(0)
        if p.slow_fitted:
            slow_lag = p.slow_close16 + p.see16
            if w16 < 64 or self._pulse_ms(w16) == 0:
                self.feed = FEED_SLOW
                if self.setpoint - force_over(p.slow16, slow_lag) > 2 * self.touch_n:
                    self.width_ms = 0
                    return
                w16 = time_for(self.setpoint, p.slow16) - ((p.jitter16 * 7) >> 1)
                self.width_ms = max(1, (w16 + p.slow_open16 - p.slow_close16) >> 4)
                return
        self.feed = FEED_FULL
        self.width_ms = max(1, self._pulse_ms(w16))

    def _safe16(self, force):
        """Longest flow, t16, that cannot pass the setpoint by more than the band even on a dead stop."""
        p = self._p
        jit = p.jitter16
        dead = p.dead16(force)
        if p.slow_fitted:
            gap = self.setpoint - force
            # With a slow feed the band is small against one full-feed pulse: keep the whole spread below it.
            return time_for(gap + (self.setpoint >> 6), dead) - ((jit * 9) >> 1)
        return self._flow_for(force, p.dead16(self.setpoint)) - ((jit * 3) >> 1)

    def _flow_for(self, force, rate16):
        """Flow time t16 of full feed from a force to the setpoint; rate16 is the rise rate at the setpoint."""
        p = self._p
        setpoint = self.setpoint
        turn = p.changeover_n
        if force < turn < setpoint:
            return time_for(turn - force, (rate16 << 8) // p.high_share) + time_for(setpoint - turn, rate16)
        return time_for(setpoint - force, rate16)

    def _pulse_ms(self, w16):
        """Energised width for a flow of w16; 0 if the shortest pulse lets more through."""
        p = self._p
        ms = (w16 + self.bias16 + p.open16 - p.close16) >> 4
        return ms if ms > 0 else 0

    def _linear(self, guard_n):
        """True if one lag before the setpoint the force already rises as it will at the setpoint (no knee within)."""
        p = self._p
        a = self.learned
        trip_n = self.setpoint - guard_n - force_over(self.rs16, p.close16 + p.see16)
        if self.setpoint > p.changeover_n > trip_n or trip_n < 2 * self.touch_n:
            return False
        if a[L_LEAD_N] > 2 and abs_of(a[L_LAST_ERR]) < 2 * self.accept_n:
            # It worked the last times.
            return True
        share = p.share(self.setpoint)
        back = a[L_US] - (((p.close16 + p.see16 + 128) * share) >> 8)
        # The top sixteenth is often not reached: a part may land a little short.
        last = a[L_PROFILE + LEVELS - 1] - a[L_PROFILE + LEVELS - 3]
        if last < 2 or a[L_PROFILE + LEVELS - 3] == 0:
            return False
        for j in range(LEVELS - 2, 1, -1):
            here = a[L_PROFILE + j]
            below = a[L_PROFILE + j - 1]
            if here == 0 or below == 0 or here - below > last + 24:
                return False
            if below <= back:
                return True
        return False

    def _lead_will_do(self):
        """True if full feed to the end is safe and exact: slow rise, no knee within the lag, small cost of a slow valve."""
        p = self._p
        a = self.learned
        rs = self.rs16
        seen = a[L_RISE]
        if seen > 0 and seen < rs:
            rs = max(seen, rs >> 2)
        if force_over(rs, p.close16 >> 1) > self.allow_n:
            return False
        if p.slow_fitted and 2 * force_over(rs, p.jitter16) > max(self.setpoint // 84, 3 * self.sig_n):
            return False
        if p.burst:
            return force_over(rs, p.close16 + p.see16) <= self.allow_n
        return self._linear(0)

    def _begin_plan(self):
        p = self._p
        a = self.learned
        self.mode = MODE_PLAN
        self.by_force = False
        slack = (p.close16 >> 1) - time_for(self.allow_n, self.rs16)
        guard_n = force_over(self.rs16, 3 * p.jitter16 + (slack if slack > 0 else 0))
        one_shot = not p.holds_load or (
            not p.slow_fitted and self._quantum_n() > self.allow_n + (self.allow_n >> 1)
        )
        if one_shot:
            guard_n = 0
        if not p.burst and self._linear(guard_n):
            # The force tells better than the position when to close; what a slower valve could add is kept below.
            self.guard_n = guard_n
            self.by_force = True
            self.land16 = 1 << 24
            return
        if p.burst:
            self._begin_first()
            return
        spread = spread16(a, p.jitter16 * p.jitter16 * 2)
        slack = slack if slack > 0 else 0
        margin = 3 * spread + slack
        if p.slow_fitted:
            # What the full feed leaves, the slow feed must travel: no more than about a fifth of a second of it.
            margin = ((5 * spread) >> 1) + min(slack, (3200 * p.slow_share) >> 8)
        if one_shot:
            # The shortest pulse would overshoot: the feed itself must land the part.
            margin = spread >> 1
        land = a[L_US] - margin
        # A plateau higher by a third must not pass the setpoint where the feed ends.
        top_n = self.setpoint + self.allow_n
        for j in range(LEVELS, 0, -1):
            level_n = (self.setpoint * j) >> 4
            if level_n + (level_n >> 2) + (level_n >> 4) <= top_n:
                limit = a[L_PROFILE + j]
                if limit and limit - spread < land:
                    land = limit - spread
                break
        self.land16 = land
        if land < p.close16 - p.open16 + 32:
            self._begin_first()

    def _quantum_n(self):
        """Force that the shortest full-feed pulse adds at the setpoint, newtons."""
        p = self._p
        least = 16 + p.close16 - p.open16
        return force_over(self.rs16, least) if least > 0 else 0

    # ------------------------------------------------------------------ during a feed
    def feed_starts(self):
        """The controller has energised a feed (or a pulse)."""
        p = self._p
        self.fed = False
        self.base16 = self.u16
        open16 = p.slow_open16 if self.feed == FEED_SLOW else p.open16
        share = p.slow_share if self.feed == FEED_SLOW else p.share(self.f0)
        self.u16 -= (open16 * share) >> 8
        self.carry = 0
        if self.feed == FEED_SLOW:
            self.used_slow = True

    def feed_ends(self, force, rise16):
        p = self._p
        self.end_n = force
        self.rise_end16 = rise16
        self.look_n = 0
        self.steep = (
            3 * rise16 > p.dead16(force) if self.feed == FEED_FULL and self.width_ms == 0 else self.steep
        )
        slow = self.feed == FEED_SLOW
        share = p.slow_share if slow else p.share(force)
        self.u16 += ((p.slow_close16 if slow else p.close16) * share) >> 8
        if self.width_ms:
            self.u16 -= (self.bias16 * share) >> 8
        if self.u16 < self.base16:
            self.u16 = self.base16

    def pulse_ms(self, force):
        """One millisecond of an energised pulse."""
        p = self._p
        self._count(p.slow_share if self.feed == FEED_SLOW else p.share(force))

    def _count(self, share):
        """A millisecond of flow at a share of the low stage's; the fraction is carried over."""
        carry = self.carry + (share << 4)
        self.u16 += carry >> 8
        self.carry = carry & 255

    def _ahead(self, force, rate16, lag16):
        """Force gained in lag16 from now at rate16, the pump's changeover on the way taken into account."""
        p = self._p
        if force < p.turn_n < self.setpoint and rate16 > 0:
            before = time_for(p.turn_n - force, rate16)
            if before < lag16:
                return p.turn_n - force + force_over(self.rs16, lag16 - before)
        return force_over(rate16, lag16)

    def advance(self, force, rise16):
        """One millisecond of feed; True when the valve must be told to close now."""
        p = self._p
        slow = self.feed == FEED_SLOW
        share = p.slow_share if slow else (256 if force < p.changeover_n else p.high_share)
        self._count(share)
        mode = self.mode
        setpoint = self.setpoint
        if mode == MODE_THRESHOLD:
            return force >= setpoint
        now16 = self.u16 - ((p.see16 * share) >> 8)
        self._mark(force, now16)
        lag = (p.slow_close16 if slow else p.close16) + p.see16
        if mode == MODE_FIRST:
            dead = p.slow16 if slow else p.dead16(force)
            if force > self.touch_n and not slow and self.setpoint - force > 0:
                pass
            return force + force_over(dead, lag) >= setpoint
        if mode == MODE_DEAD_LEAD:
            return force + force_over(max(0, rise16), lag) >= setpoint
        if slow:
            if self.wait_ms > 0:
                # The full feed is still closing: its rise is not the slow feed's.
                self.wait_ms -= 1
                return force >= setpoint - self.accept_n
            rate = self.rss16
            if rise16 > rate + (rate >> 2) + 2 * p.noise_n:
                rate = rise16
            return force + force_over(rate, lag) + self.learned[L_LEAD_SLOW] >= setpoint
        if mode == MODE_LEAD:
            rate = self.learned[L_RISE]
            if rate == 0:
                rate = self.rs16
            if rise16 > rate + (rate >> 3) + 3 * p.noise_n // 4:
                rate = min(rise16, p.dead16(force))
            if force + self._ahead(force, rate, lag) + self.learned[L_LEAD] >= setpoint:
                self.trip_n = force
                self.trip16 = rise16
                return True
            return False
        if self.u16 + ((p.close16 * share) >> 8) >= self.land16:
            return True
        if self.by_force:
            rate = self.learned[L_RISE]
            if rate == 0 or rate > self.rs16:
                rate = self.rs16
            if rise16 > rate + (rate >> 3) + 3 * p.noise_n // 4:
                rate = min(rise16, p.dead16(force))
            if force + self._ahead(force, rate, lag) + self.guard_n + self.learned[L_LEAD] >= setpoint:
                self.trip_n = force
                self.trip16 = rise16
                return True
            return False
        if force > self.touch_n:
            if now16 < self.learned[L_UC] - 3 * p.jitter16 - 160:
                return True
            rise = max(0, min(rise16 - p.noise_n, p.dead16(force)))
            if force + self._ahead(force, rise, lag) >= setpoint:
                return True
        return False

    def _mark(self, force, now16):
        """Note the position at contact and at each sixteenth of the setpoint, as they are passed."""
        if self.contact16 < 0 and force > self.touch_n:
            self.contact16 = now16
            self.air = self.pulses
        level = self.level
        if level <= LEVELS and force << 4 >= self.setpoint * level:
            self._profile(level, now16)
            self.level = level + 1

    def _profile(self, level, at16):
        a = self.learned
        if at16 < 1:
            at16 = 1
        old = a[L_PROFILE + level]
        if old == 0 or a[L_CYCLES] < 2 or a[L_SETPOINT] != self.setpoint:
            a[L_PROFILE + level] = at16
        else:
            a[L_PROFILE + level] = old + ((at16 - old) >> 2)

    # ------------------------------------------------------------------ after the valve closed and the force settled
    def decide(self, force):
        """What next, from the settled force: NEXT_DONE, NEXT_PULSE (width_ms, feed), NEXT_FEED or NEXT_SHORT."""
        p = self._p
        mode = self.mode
        if mode == MODE_THRESHOLD or mode == MODE_DEAD_LEAD or mode == MODE_PROBE:
            return NEXT_DONE
        setpoint = self.setpoint
        self._watch(force)
        if not self.landed_once:
            self.landed_once = True
            self.landed_n = force
        if self.feed == FEED_SLOW and self.width_ms == 0:
            self.landed_by_slow = True
            self.slow_landed_n = force
            self.slow_rise16 = self.rise_end16
        gap = setpoint - force
        if gap <= self.accept_n:
            return NEXT_DONE
        if not p.holds_load:
            return self._again(force)
        if self.pulses >= (FIRST_PULSES if mode == MODE_FIRST else LEARNED_PULSES):
            return NEXT_SHORT
        touched = force > self.touch_n
        if mode == MODE_FIRST:
            if not touched:
                self._approach()
                return self._go()
            if p.slow_fitted:
                return self._slow(gap, p.slow16)
            if self.known:
                return self._full(self._flow_for(force, self.rs16) - (p.jitter16 >> 1), gap)
            return self._full(self._safe16(force), gap)
        # learned
        rate = self.rs16
        if p.slow_fitted:
            left16 = (
                self.learned[L_US]
                - self.u16
                - 3 * spread16(self.learned, self._moves_var())
                - (p.close16 >> 1)
            )
            if left16 > 160 and gap > self.setpoint >> 3 and not self.by_force:
                ms = self._pulse_ms(left16)
                if ms > 0:
                    self.feed = FEED_FULL
                    self.width_ms = ms
                    return NEXT_PULSE
            return self._slow(gap, self.rss16, touched)
        jit = p.jitter16
        known16 = self._flow_for(force, rate)
        if not self.verified and self.pulses < 4:
            slack = (p.close16 >> 1) - time_for(self.allow_n, rate)
            if slack > 0:
                known16 -= slack
        reach16 = self.learned[L_US] - self.u16 - 2 * spread16(self.learned, self._moves_var())
        if force > p.changeover_n:
            reach16 = (reach16 << 8) // p.high_share
        # On a plateau the knee is somewhere ahead, seldom right here: a little more is risked than on the rise.
        if known16 > 6 * jit:
            # A long pulse errs by the rate more than by the valve.
            known16 -= known16 >> 3
        w16 = known16 - jit if self.steep else known16 + (jit >> 2)
        if not touched:
            # Not on the part yet: the longer of what position allows and what any contact in it could stand.
            w16 = self._flow_for(0, rate) - ((jit * 3) >> 1)
            if reach16 > w16:
                w16 = reach16
        elif reach16 > w16 and not self.steep and force < setpoint - (setpoint >> 3):
            w16 = reach16
        if w16 < jit:
            w16 = jit
        # Pulses that move nothing are too short for this valve today: lengthen them.
        w16 += min(self.flat, 12) * (jit >> 3)
        return self._full(w16, gap)

    def _again(self, force):
        """Open centre, first part: every push starts from nothing; lengthen it until it reaches the setpoint."""
        p = self._p
        if self.mode != MODE_FIRST or self.pulses >= FIRST_PULSES:
            return NEXT_DONE
        if force <= self.touch_n:
            self._approach()
            return self._go()
        if self.setpoint - force_over(p.low16, p.close16 + p.see16) > 2 * self.touch_n:
            return NEXT_DONE
        self.feed = FEED_FULL
        if self.again16 == 0:
            self.again16 = self._safe16(0)
        else:
            most = self.again16 + (self.again16 >> 2) + 8
            self.again16 = min(most, (self.again16 * min((self.setpoint << 6) // force, 128)) >> 6)
        self.width_ms = max(1, self._pulse_ms(self.again16))
        return NEXT_PULSE

    def _moves_var(self):
        """Variance of the position after this stroke's moves and the next one, u16 squared: jitter of two edges each."""
        return self._p.jitter16 * self._p.jitter16 * 2 * (self.pulses + 2)

    def _go(self):
        if self.width_ms:
            return NEXT_PULSE
        return NEXT_FEED

    def _full(self, w16, gap):
        """A full-feed pulse of flow w16, or done if the shortest pulse would overshoot."""
        p = self._p
        self.feed = FEED_FULL
        ms = (w16 + self.bias16 + p.open16 - p.close16 + 8) >> 4 if self.mode != MODE_FIRST else self._pulse_ms(w16)
        if ms < 1:
            least = 16 + p.close16 - p.open16
            if least > 0:
                excess = force_over(self.rs16, least) - gap
                if excess > (gap >> 1 if self.mode != MODE_FIRST else 2 * self.sig_n):
                    return NEXT_DONE
                if self.mode == MODE_FIRST and gap < 4 * self.sig_n and w16 < 0:
                    return NEXT_DONE
            ms = 1
        self.width_ms = ms
        return NEXT_PULSE

    def _slow(self, gap, rate, touched=True):
        """Slow feed while the lag leaves room, else slow pulses."""
        p = self._p
        self.feed = FEED_SLOW
        lag = p.slow_close16 + p.see16
        if force_over(rate, lag) + 2 * self.touch_n < gap:
            self.width_ms = 0
            return NEXT_FEED
        w16 = time_for(gap, rate) - (p.jitter16 if self.mode != MODE_FIRST else 2 * p.jitter16)
        if not touched:
            # Still in the air: as far as position allows.
            reach16 = self.learned[L_US] - self.u16 - 2 * spread16(self.learned, self._moves_var())
            reach16 = (clamp(reach16, 0, 8000) << 8) // p.slow_share
            if reach16 > w16:
                w16 = reach16
        ms = (w16 + p.slow_open16 - p.slow_close16) >> 4
        if ms < 1:
            least = 16 + p.slow_close16 - p.slow_open16
            if least > 0 and force_over(rate, least) - gap > max(gap >> 1, self.sig_n):
                return NEXT_DONE
            ms = 1
        self.width_ms = ms
        return NEXT_PULSE

    def _watch(self, force):
        """Compare what the last move did with what it should have done; keep the rise rate seen near the setpoint."""
        p = self._p
        slow = self.feed == FEED_SLOW
        if not slow and self.end_n < p.changeover_n < force:
            # The pump changed over after the last look: that much less oil has come in.
            late = min(time_for(force - p.turn_n, self.rs16), self.u16 - self.base16)
            if self.width_ms == 0:
                late = min(late, p.close16 + p.see16)
            self.u16 -= (late * (256 - p.high_share)) >> 8
        moved16 = self.u16 - self.base16
        gained = force - self.f0
        steep = gained > force_over(p.slow16 if slow else p.dead16(force), max(moved16, 1)) // 3
        self._watch_valve(force, gained, moved16, steep)
        if self.contact16 < 0 and force > self.touch_n:
            self.contact16 = self.base16
            self.air = self.pulses
        level = self.level
        # Levels passed inside a pulse: interpolate between the two settled readings.
        while level <= LEVELS and force << 4 >= self.setpoint * level:
            span = gained if gained > 0 else 1
            part = ((self.setpoint * level) >> 4) - self.f0
            share = clamp((part << 7) // span, 0, 128) if part < 4000000 else 0
            self._profile(level, self.base16 + ((moved16 * share) >> 7))
            level += 1
        self.level = level
        if moved16 > 0:
            # Only a move that follows a steep one counts as rise at the setpoint: the first steep move may
            # straddle the knee, and a plateau's slope taken for it would overshoot the next part.
            if (
                steep
                and self.steep
                and self.f0 > self.setpoint >> 1
                and moved16 < 4000
                and self.weight16 < 4000
            ):
                self.weight16 += moved16
                self.best16 += gained
            if steep and not self.steep and self.knee_n == 0 and self.f0 > self.touch_n and self.pulses > 1:
                self.knee_n = self.f0
            self.steep = steep
        if gained < self.touch_n and force > self.touch_n:
            self.flat += 1
        else:
            self.flat = 0
        self.f0 = force

    def _learn_bias(self, a):
        """Contact seems to lie deeper after more pulses in the air: so much is each of them overrated."""
        self.shift16 = 0
        fewer = a[L_AIR] - self.air
        if a[L_UC] < 1 or self.contact16 < 1 or a[L_CYCLES] == 0 or a[L_BIAS_KNOWN] > 3:
            return
        if fewer < 8 and fewer > -8:
            return
        each = clamp((a[L_UC] - self.contact16) // fewer, -24, 24)
        if a[L_BIAS_KNOWN]:
            each >>= 1
        a[L_BIAS] = clamp(a[L_BIAS] + each, -48, 48)
        a[L_BIAS_KNOWN] += 1
        # What was learned with the old opinion is put right.
        a[L_US] -= each * a[L_AIR]
        a[L_UC] -= each * a[L_AIR]
        self.shift16 = each * self.air
        self.contact16 -= self.shift16

    def _watch_valve(self, force, gained, moved16, steep):
        """Did the force still rise when the flow should have ended? Then the valve is later than it was."""
        p = self._p
        if not p.characterised or self.look_n == 0 or not p.holds_load:
            return
        after = force - self.look_n
        if self.width_ms == 0:
            # The slope at the command tells what the flow was worth, if no knee came after it.
            rise16 = self.rise_end16
            if self.feed == FEED_SLOW:
                rise16 = max(rise16, self.rss16)
            elif not (self.by_force or self.mode == MODE_LEAD) and force > self.setpoint - (
                self.setpoint >> 3
            ):
                return
            if rise16 < 4 * p.noise_n:
                return
            extra = time_for(after, rise16) if after > 2 * p.noise_n else 0
            if self.end_n < p.turn_n < force:
                extra = (extra << 8) // p.high_share if extra < 60000 else 0
            telling = True
        else:
            if p.late16 > 0 and self.f0 > self.touch_n and gained < 2 * p.noise_n and moved16 > p.jitter16:
                # It should have moved and did not: the valve is not that late.
                p.set_late(p.late16 - max(8, p.late16 >> 2))
                return
            if gained < 6 * p.noise_n or moved16 < 8 or steep != self.steep:
                # Nothing to tell by, or a knee was crossed.
                return
            share = (after << 8) // gained if 0 < after < 4000000 else 0
            extra = 0
            if after > 2 * p.noise_n and share > 24:
                share = min(share, 230)
                extra = (min(moved16, 8000) * share) // (256 - share)
            telling = gained > 12 * p.noise_n
        if extra > p.jitter16:
            extra = min(extra + 2 * p.jitter16, p.late_max16)
            # One odd closing is jitter: half of what it shows beyond is believed at once, the rest if it stays.
            late = clamp(p.late16 + extra - p.jitter16, -p.late_max16, p.late_max16)
            p.set_late(late)
            self.late_seen = True
            self.verified = True
        elif telling:
            self.verified = True

    # ------------------------------------------------------------------ after the part
    def learn(self, force):
        """Take this stroke into the job's learned state. force: settled force. Returns True if anything changed."""
        a = self.learned
        p = self._p
        mode = self.mode
        if mode == MODE_THRESHOLD or mode == MODE_DEAD_LEAD or mode == MODE_PROBE or a is None:
            return False
        if not self.from_top:
            return False
        setpoint = self.setpoint
        error = force - setpoint
        if a[L_SETPOINT] != setpoint:
            a[L_SETPOINT] = setpoint
            a[L_CYCLES] = 0
            a[L_US] = 0
            a[L_LEAD] = 0
            a[L_LEAD_SLOW] = 0
        n = a[L_CYCLES]
        dead = p.dead16(setpoint)
        if a[L_RS] == 0:
            a[L_RS] = dead - (dead >> 3)
            a[L_RSS] = p.slow16 - (p.slow16 >> 3)
        if self.weight16 > 0 and self.best16 > 0:
            # Rate over the oil let in above half the setpoint, weighted by how long that was against the jitter.
            rate = clamp(time_for(self.best16, self.weight16), dead // 3, dead + (dead >> 4))
            gain = (self.weight16 << 6) // (self.weight16 + 12 * p.jitter16)
            a[L_RS] += ((rate - a[L_RS]) * gain) >> 7
        rs = a[L_RS]
        seen = self.u16 - time_for(error, rs)
        jit = p.jitter16
        self._learn_bias(a)
        seen -= self.shift16
        # Each pulse may be a little off in the same direction; until that is known it counts in full.
        off = min(self.pulses * (4 if a[L_BIAS_KNOWN] else 12), 900)
        noise = jit * jit * 2 * (1 + self.pulses) + off * off
        if n == 0:
            a[L_FIRST_N] = force
        # The lead is judged by where the feed alone landed the part, before any pulse.
        target = setpoint - self.guard_n
        step = clamp(self.landed_n - target, -6 * self.sig_n - 1, 6 * self.sig_n + 1)
        if p.holds_load and self.trip16 > 0 and (setpoint < p.changeover_n or self.trip_n > p.changeover_n):
            # A change of the rate is a change of the lead that was learned with it.
            old = a[L_RISE]
            new = self.trip16 if old == 0 else old + ((self.trip16 - old) >> 2)
            if new < 8:
                new = 8
            a[L_LEAD] -= force_over(new, p.close16 + p.see16) - force_over(
                old if old else rs, p.close16 + p.see16
            )
            a[L_RISE] = new
        if self.late_seen:
            a[L_LATE] = p.late16
        elif a[L_LATE] > 0 and self.verified:
            # A valve that has recovered is noticed slowly: too long a lead only lands short.
            a[L_LATE] -= (a[L_LATE] >> 5) + 1
        if (mode == MODE_LEAD or self.by_force) and not self.late_seen:
            tried = a[L_LEAD_N]
            most = force_over(dead, p.close16 + p.see16) >> 1
            a[L_LEAD] = clamp(a[L_LEAD] + (step >> (1 if tried < 2 else 2)), -most, most)
            a[L_LEAD_N] = tried + 1 if tried < 1000 else tried
        # A landing on the plateau tells nothing of the lead on the rise.
        if mode == MODE_PLAN and self.landed_by_slow and 2 * self.slow_rise16 > self.rss16:
            step = clamp(self.slow_landed_n - setpoint, -4 * self.sig_n - 1, 4 * self.sig_n + 1)
            a[L_LEAD_SLOW] += step >> (1 if n < 3 or abs_of(step) > 3 * self.sig_n else 2)
        if self.contact16 > 0:
            a[L_UC] = self.contact16 if n == 0 else a[L_UC] + ((self.contact16 - a[L_UC]) >> 1)
            a[L_AIR] = self.air if n == 0 else (a[L_AIR] + self.air) >> 1
        follow_position(a, seen, clamp(noise, 4, 1000000))
        a[L_LAST_ERR] = error
        a[L_SLACK] += ((error if error > 0 else -error) - a[L_SLACK]) >> 2
        if n < 1000000:
            a[L_CYCLES] = n + 1
        return True
