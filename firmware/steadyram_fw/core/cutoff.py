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

from .closing import decide
from .fixed import force_over, time_for
from .learn import L_LEAD, L_LEAD_SLOW, L_RISE, L_UC, LEVELS
from .modes import FEED_FULL, FEED_SLOW, MODE_DEAD_LEAD, MODE_FIRST, MODE_LEAD, MODE_THRESHOLD
from .plan import begin
from .teach import learn
from .watching import note_level


class Cutoff:
    """State of one stroke, and what is decided in each millisecond of it; see plan, closing, watching and teach."""

    def __init__(self, press, sense):
        self.p = press
        self.s = sense
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
        self.from_top = True
        self.gentle = False

    def feed_starts(self):
        """The controller has energised a feed (or a pulse)."""
        p = self.p
        self.base16 = self.u16
        open16 = p.slow_open16 if self.feed == FEED_SLOW else p.open16
        share = p.slow_share if self.feed == FEED_SLOW else p.share(self.f0)
        self.u16 -= (open16 * share) >> 8
        self.carry = 0
        if self.feed == FEED_SLOW:
            self.used_slow = True

    def feed_ends(self, force, rise16):
        p = self.p
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
        p = self.p
        self._count(p.slow_share if self.feed == FEED_SLOW else p.share(force))

    def _count(self, share):
        """A millisecond of flow at a share of the low stage's; the fraction is carried over."""
        carry = self.carry + (share << 4)
        self.u16 += carry >> 8
        self.carry = carry & 255

    def _ahead(self, force, rate16, lag16):
        """Force gained in lag16 from now at rate16, the pump's changeover on the way taken into account."""
        p = self.p
        if force < p.turn_n < self.setpoint and rate16 > 0:
            before = time_for(p.turn_n - force, rate16)
            if before < lag16:
                return p.turn_n - force + force_over(self.rs16, lag16 - before)
        return force_over(rate16, lag16)

    def advance(self, force, rise16):
        """One millisecond of feed; True when the valve must be told to close now."""
        p = self.p
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
            note_level(self, level, now16)
            self.level = level + 1

    def begin(self, setpoint, learned, from_top):
        begin(self, setpoint, learned, from_top)

    def decide(self, force):
        return decide(self, force)

    def learn(self, force):
        return learn(self, force)
