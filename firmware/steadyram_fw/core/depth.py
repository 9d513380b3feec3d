"""Stop on depth: when to close the valve so that the ram comes to rest at a travel, and what to do next.

The same rule as for force: under is recoverable, over is scrap. The ram runs no faster than the pump's flow over the
piston's area, whatever it meets, and it only slows down when it meets something; so travel ahead of the ram is
foreseen by that speed, and what a part slows it down is learned. A first part stops three deviations short and closes
in from below; a learned one uses what its landings were off by. A slow feed, where fitted, takes over before the end.

Travel in micrometres, speeds in micrometres in 16 ms (suffix v16), times in sixteenths of a millisecond (t16): a speed
over a time is v16 * t16 / 256. Integers only, nothing allocates.
"""

from .. import tables as t
from .fixed import abs_of, clamp, isqrt
from .fixed import force_over as over  # the same product, whatever the rate is of
from .job_model import L_DEPTH_LEAD_UM, L_DEPTH_N, L_DEPTH_SPREAD_UM, L_DEPTH_UM
from .modes import FEED_FULL, FEED_SLOW, NEXT_DONE, NEXT_FEED, NEXT_PULSE, NEXT_SHORT

PULSES = 200
# Further than any stroke, and still 31 bits when shifted by eight.
FAR_UM = 2000000
# The slow feed's speed shows once the full feed has closed and sixteen samples have passed; then a moment more, t16.
SPEED_SHOWS16 = 288
SLOW_RUN16 = 160


class Depth:
    """State of one stroke's stop on depth; `on` is False for a stroke that stops on force alone, and nothing else here
    is asked then."""

    def __init__(self, press, travel):
        self.p = press
        self.z = travel
        self.on = False
        self.stop_on = t.STOP_ON_FORCE
        self.target_um = 0
        self.slow_from_um = 0
        self.full_v16 = 0
        self.slow_v16 = 0
        self.slow = False
        self.sig_um = 1
        self.aim_um = 0
        self.accept_um = 1
        self.lead_um = 0
        self.first = True
        self.coarse = False
        self.pulses = 0
        self.flat = 0
        self.landed = False
        self.landed_um = 0
        self.before_um = 0
        self.flow16 = 0
        self.wait_ms = 0
        self.done = False
        self.width_ms = 0
        self.feed = FEED_FULL

    def configure(self, settings):
        """Speeds that commissioning found, as v16 (not in a step)."""
        self.full_v16 = settings[t.S_SPEED_UM_S] * 16 // 1000
        self.slow_v16 = settings[t.S_SPEED_SLOW_UM_S] * 16 // 1000
        # Whether a slow feed takes over at the end.
        self.slow = self.p.slow_fitted and self.slow_v16 > 0

    def begin(self, job, learned):
        """A stroke begins whose job stops on depth."""
        p = self.p
        z = self.z
        self.stop_on = job[t.J_STOP_ON]
        self.on = True
        self.done = False
        self.target_um = job[t.J_DEPTH_UM]
        self.slow_from_um = job[t.J_SLOW_FROM_UM]
        fine = self.slow_v16 if self.slow else self.full_v16
        # One standard deviation of what valve, step and reading leave: the limit of position, as the device knows it.
        valve = over(fine, isqrt(p.jitter16 * p.jitter16 + 21))
        noise = max(z.noise_um >> 1, z.step_um // 3)
        self.sig_um = max(1, max(valve, noise) + (min(valve, noise) >> 2))
        self.first = learned[L_DEPTH_N] == 0 or learned[L_DEPTH_UM] != self.target_um
        self.lead_um = learned[L_DEPTH_LEAD_UM]
        # A first part may be off by what the lags are not known to (half a millisecond), too.
        self.aim_um = 3 * self.sig_um + over(fine, 8)
        self.coarse = False
        if not self.first:
            # Where the parts themselves make the end of travel scatter, stop that much shorter and close in.
            more = learned[L_DEPTH_SPREAD_UM] - self.sig_um
            self.aim_um = ((3 * self.sig_um) >> 2) + (3 * more if more > 0 else 0)
            # (A potentiometer's noise and motion blur its steps.)
            self.coarse = z.step_um > 2 * self.sig_um and z.kind == t.POSITION_KIND_ENCODER
            if self.coarse and self.aim_um < z.step_um:
                # A step of the sensor is coarser than the landing: stop one short, and let pulses find it.
                self.aim_um = z.step_um
            least = p.least16(p.slow_fitted)
            if least > 0 and over(fine, least) > 2 * self.sig_um:
                # The shortest pulse is coarser than the feed's own landing: that must do.
                self.aim_um = self.sig_um >> 3
        self.accept_um = (3 * self.sig_um) >> 1 if self.first else self.sig_um
        self.pulses = 0
        self.flat = 0
        self.landed = False
        self.landed_um = 0
        self.before_um = 0
        self.flow16 = 0
        self.wait_ms = 0

    def ahead_um(self, slow):
        """How far the ram still goes if the valve is told to close now."""
        z = self.z
        p = self.p
        # A part that has slowed the ram may let it go on at full speed within the lag: never foresee less than that.
        v16 = self.slow_v16 if slow else self.full_v16
        seen = z.moved16_um()
        if seen > v16 + z.grain_um:
            v16 = seen
        return over(v16, (p.slow_close16 if slow else p.close16) + z.see16)

    def near(self, slow):
        """True when a feed must be told to close now for the depth's sake."""
        if slow and self.wait_ms:
            # The full feed is still closing: its speed is not the slow feed's.
            self.wait_ms -= 1
            return self.z.um >= self.target_um - self.aim_um
        left = self.target_um - self.z.um - self.ahead_um(slow)
        if self.slow and not slow:
            # What follows is the slow feed's: leave it room, and the full feed's own spread.
            p = self.p
            run16 = 3 * p.jitter16 + SPEED_SHOWS16 + p.slow_close16 + SLOW_RUN16
            room = 3 * over(self.full_v16, p.jitter16) + over(self.slow_v16, run16) + self.aim_um
            if self.slow_from_um and self.slow_from_um < self.target_um:
                room = max(room, self.target_um - self.slow_from_um)
            return left <= room
        return left <= self.aim_um + self.lead_um

    def hands_over(self):
        """True where the slow feed shall go on without a pause; then it is the slow feed's turn from now."""
        if not self.slow:
            return False
        p = self.p
        self.wait_ms = (p.close16 + 3 * p.jitter16 + SPEED_SHOWS16) >> 4
        return True

    def starts(self, feed, width_ms):
        """A feed or a pulse was energised."""
        self.before_um = self.z.um
        p = self.p
        if feed == FEED_SLOW:
            self.flow16 = max(16, (width_ms << 4) + p.slow_close16 - p.slow_open16)
        else:
            self.flow16 = max(16, (width_ms << 4) + p.close16 - p.open16)

    def decide(self):
        """What next for the depth's sake, from the settled travel: NEXT_DONE, NEXT_PULSE, NEXT_FEED or NEXT_SHORT."""
        p = self.p
        now = self.z.um
        gap = clamp(self.target_um - now, -FAR_UM, FAR_UM)
        if not self.landed:
            self.landed = True
            self.landed_um = now
        if gap <= self.accept_um:
            self.done = True
            return NEXT_DONE
        if self.pulses >= PULSES:
            return NEXT_SHORT
        slow = self.slow
        self.feed = FEED_SLOW if slow else FEED_FULL
        v16 = max(1, self.slow_v16 if slow else self.full_v16)
        close16 = p.slow_close16 if slow else p.close16
        open16 = p.slow_open16 if slow else p.open16
        far = gap > over(v16, close16 + self.z.see16 + 320) + 2 * self.aim_um
        if self.pulses and not far:
            # On the part some of the flow only compresses oil and frame. What the last pulse moved is believed down
            # to two thirds of the free speed, no further: a part that yields lets the ram go on at all of it.
            moved = clamp(now - self.before_um, -FAR_UM, FAR_UM)
            seen = (moved << 8) // self.flow16
            seen += seen >> 2
            if moved < self.sig_um >> 2:
                self.flat += 1
            else:
                self.flat = 0
            v16 = clamp(seen, max(1, (v16 * 171) >> 8), v16)
        short = self.sig_um if self.first else self.sig_um >> 1
        if self.coarse:
            # A count is met somewhere within its step: half a step less.
            short = max(short, self.z.step_um >> 1)
        w16 = ((gap - short) << 8) // v16
        ms = (w16 + open16 - close16 + min(self.flat, 12) * (p.jitter16 >> 3)) >> 4
        if ms < 1:
            least = p.least16(slow)
            if least > 0 and over(v16, least) > gap + max(self.sig_um, gap >> 1):
                # The shortest pulse would pass it by more than it is short of it.
                self.done = True
                return NEXT_DONE
            ms = 1
        self.width_ms = ms
        if far:
            # Stopped by the force's rules, or by the end of a feed that fell short; a pulse of width_ms would do, too.
            return NEXT_FEED
        self.pulses += 1
        return NEXT_PULSE

    def with_force(self, cut, what):
        """Force and depth each say what comes next: the one that ends ends it, else the smaller move is made."""
        also = self.decide()
        if also == NEXT_DONE or what == NEXT_DONE:
            return NEXT_DONE
        if also == NEXT_SHORT or what == NEXT_SHORT:
            return NEXT_SHORT
        if also == NEXT_FEED:
            if self.feed == FEED_SLOW and self.landed and what == NEXT_FEED:
                # The full feed has been; what is left is the slow feed's.
                cut.feed = FEED_SLOW
            if what == NEXT_PULSE and self.width_ms < cut.width_ms:
                # A pulse is not watched as a feed is.
                cut.width_ms = self.width_ms
            return what
        if what == NEXT_FEED or self.width_ms < cut.width_ms or self.feed == FEED_SLOW:
            # A slow pulse of the shorter width lets less through than either.
            cut.width_ms = self.width_ms if what == NEXT_FEED else min(self.width_ms, cut.width_ms)
            cut.feed = self.feed if what == NEXT_FEED or self.feed == FEED_SLOW else cut.feed
        return NEXT_PULSE

    def learn(self, learned):
        """Take a landed stroke into the job's learned state; True if anything changed."""
        if not self.done:
            return False
        if learned[L_DEPTH_UM] != self.target_um:
            learned[L_DEPTH_UM] = self.target_um
            learned[L_DEPTH_N] = 0
        n = learned[L_DEPTH_N]
        off = clamp(self.landed_um - (self.target_um - self.aim_um), -9 * self.sig_um, 9 * self.sig_um)
        most = over(self.full_v16, self.p.close16 + self.z.see16)
        if n > 1:
            # How far apart landings are, mean absolute, once the lead has come near.
            spread = learned[L_DEPTH_SPREAD_UM]
            learned[L_DEPTH_SPREAD_UM] = spread + ((abs_of(off) - spread) >> 2)
        # One landing that fell short is no reason to go on so much farther: pulses make that up, nothing an overshoot.
        part = 3 if off < 0 and n < 3 else 1 if n < 4 else 2
        learned[L_DEPTH_LEAD_UM] = clamp(learned[L_DEPTH_LEAD_UM] + (off >> part), -most, most)
        learned[L_DEPTH_N] = n + 1 if n < 1000 else n
        return True
