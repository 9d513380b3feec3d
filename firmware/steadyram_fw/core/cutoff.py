"""When to close the valve, and what to do next: the part of steadyram that lands the force.

Under is recoverable, over is scrap. A stroke is a continuous feed that ends early enough for whatever may come,
then short pulses (or the slow feed) that close in from below, each sized from what is known:

* nothing known (first part): a pulse, or a feed, sized not to pass the setpoint even if the ram met a dead
  stop in it;
* learned and the rise is slow against the valve (`LEAD`): full feed to the end, closed by force + rate * lag;
* learned and the knee outruns the valve (`PLAN`): full feed up to a position from which parts' scatter and the
  valve's jitter cannot reach the setpoint, then pulses or slow feed.

Integers only; nothing here allocates.
"""

from .closing import decide
from .feed import load, new_cells, unload
from .modes import FEED_FULL, FEED_SLOW, MODE_THRESHOLD
from .plan import begin
from .teach import learn


class Cutoff:
    """State of one stroke, and what is decided in each millisecond of it; see plan, closing, watching and teach."""

    def __init__(self, press, sense):
        self.p = press
        self.s = sense
        self.cells = new_cells()
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
        self.slope16 = 0
        self.before16 = 0
        self.last16 = 0
        self.last_n = 0
        self.suspect = 0
        self.air16 = 0
        self.flush_n = 0
        self.half16 = 0
        self.knee_n = 0
        self.again16 = 0
        self.end_n = 0
        self.guard_n = 0
        self.by_force = False
        self.used_slow = False
        self.flat = 0
        self.trip_n = 0
        self.trip16 = 0
        self.from_top = True
        self.gentle = False
        self.late0 = 0
        self.aim_n = 0
        self.smeared_from = 0
        self.smeared_to = 0

    def feed_starts(self):
        """The controller has energised a feed (or a pulse)."""
        p = self.p
        self.base16 = self.u16
        open16 = p.slow_open16 if self.feed == FEED_SLOW else p.open16
        share = p.slow_share if self.feed == FEED_SLOW else p.share(self.f0)
        self.u16 -= (open16 * share) >> 8
        if self.feed == FEED_SLOW:
            self.used_slow = True
        load(self)

    def feed_ends(self, force, rise16):
        p = self.p
        unload(self)
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

    def begin(self, setpoint, learned, from_top):
        begin(self, setpoint, learned, from_top)

    def decide(self, force):
        return decide(self, force)

    def learn(self, force):
        return learn(self, force)
