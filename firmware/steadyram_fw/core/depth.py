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
# From so many landings on the lead follows the newest by a fourth.
LEARNING = 4
# A valve that slews is fully open so long after its lag (common practice, no source). A run's speed is known to half
# a hundredth by so many of the sensor's steps and of its noise (a mean of sixteen at either end); later it is old.
RUN_OPEN_MS = 40
RUN_STEPS = 100
RUN_NOISES = 64
RUN_MOST_MS = 4000
# No less of a later closing is believed to move the ram, in 256ths: behind what is stiff may be what yields.
LEAST_YIELD256 = 128


class Depth:
    """State of one stroke's stop on depth; `on` is False for a stroke that stops on force alone, and nothing else here
    is asked then."""

    def __init__(self, press, travel, full, slow):
        self.p = press
        self.z = travel
        self.full = full
        self.fine = slow
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
        self.by_feed = False
        self.pulses = 0
        self.flat = 0
        self.closed = False
        self.landed = False
        self.landed_um = 0
        self.before_um = 0
        self.flow16 = 0
        self.wait_ms = 0
        self.done = False
        self.width_ms = 0
        self.feed = FEED_FULL
        self.run_ms = 0
        self.run_from_ms = 0
        self.run_um = 0
        self.run_v256 = 0
        self.was_target_um = 0
        self.was_close_um = 0
        self.was_landed_um = 0
        self.yield256 = 256

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
        n = self._known(learned)
        self.first = n == 0
        self.lead_um = learned[L_DEPTH_LEAD_UM]
        higher_um = learned[L_DEPTH_UM] - self.target_um
        if n and self.lead_um < 0 and higher_um > 0:
            # A part that gave way further down may not do so here: closed upon no later than there.
            self.lead_um = min(0, self.lead_um + higher_um)
        self.coarse = False
        self.by_feed = self.least_um(fine) > 2 * self.sig_um
        if n == 0:
            if self.lead_um < 0:
                # A part that gave way at another depth says nothing of this one.
                self.lead_um = 0
            # A first part may be off by what the lags are not known to (half a millisecond at least), too.
            self.aim_um = 3 * self.sig_um + over(fine, max(8, p.lag_u16))
        else:
            # Where the parts themselves make the end of travel scatter, stop that much shorter and close in.
            more = learned[L_DEPTH_SPREAD_UM] - self.sig_um
            self.aim_um = ((3 * self.sig_um) >> 2) + (3 * more if more > 0 else 0)
            if n < LEARNING:
                # So few landings tell the lead no better than to about one landing's own scatter.
                self.aim_um += self.sig_um
            # (A potentiometer's noise and motion blur its steps.)
            self.coarse = z.step_um > 2 * self.sig_um and z.kind == t.POSITION_KIND_ENCODER
            if self.coarse and self.aim_um < z.step_um:
                # A step of the sensor is coarser than the landing: stop one short, and let pulses find it.
                self.aim_um = z.step_um
            if self.by_feed:
                # The shortest pulse is coarser than the feed's own landing: that must do.
                self.aim_um = self.sig_um >> (0 if n == 1 else 1 if n < LEARNING else 3)
        self.accept_um = (3 * self.sig_um) >> 1 if self.first else self.sig_um
        self.pulses = 0
        self.flat = 0
        self.closed = False
        self.landed = False
        self.landed_um = 0
        self.before_um = 0
        self.flow16 = 0
        self.wait_ms = 0

    def _known(self, learned):
        """How many landings tell of this depth: all at it, and one where they were no further off than the ram goes
        on after closing (a bend that was corrected)."""
        off_um = abs_of(learned[L_DEPTH_UM] - self.target_um)
        n = learned[L_DEPTH_N]
        if off_um and n:
            return 1 if off_um <= over(self.full_v16, self.full.close16 + self.z.see16) else 0
        return n

    def least_um(self, v16):
        """What the shortest pulse moves the ram that runs so fast, or what breaking away does, if that is more."""
        valve = self.fine if self.slow else self.full
        return max(over(v16, valve.least16()), self.z.stick_um)

    def ahead_um(self, slow):
        """How far the ram still goes if the valve is told to close now."""
        valve = self.fine if slow else self.full
        lag16 = valve.close16 + self.z.see16
        if self.run_v256:
            # This stroke's own speed: the pump's flow is not the same in every one.
            # (31 bits for any speed and lag that settings allow.)
            return ((self.run_v256 >> 2) * min(lag16, 4000)) >> 10
        # A part that has slowed the ram may let it go on at full speed within the lag: never foresee less than that.
        return over(self.slow_v16 if slow else self.full_v16, lag16)

    def near(self, slow, in_air):
        """True when a feed must be told to close now for the depth's sake. in_air: nothing was met yet."""
        if slow and self.wait_ms:
            # The full feed is still closing: its speed is not the slow feed's.
            self.wait_ms -= 1
            return self.z.um >= self.target_um - self.aim_um
        run_ms = self.run_ms + 1
        self.run_ms = run_ms
        if in_air and run_ms >= self.run_from_ms:
            self._see_speed(slow, run_ms - self.run_from_ms)
        left = self.target_um - self.z.um - self.ahead_um(slow)
        if self.slow and not slow:
            # What follows is the slow feed's: leave it room, and the full feed's own spread.
            p = self.p
            run16 = 3 * p.jitter16 + SPEED_SHOWS16 + self.fine.close16 + SLOW_RUN16
            room = 3 * over(self.full_v16, p.jitter16) + over(self.slow_v16, run16) + self.aim_um
            if self.slow_from_um and self.slow_from_um < self.target_um:
                room = max(room, self.target_um - self.slow_from_um)
            return left <= room
        if left > self.aim_um + self.lead_um:
            return False
        self.closed = True
        return True

    def _see_speed(self, slow, ms):
        """Take how fast the ram has run since the valve was open, once that is known to half a hundredth."""
        z = self.z
        if ms == 0:
            self.run_um = z.um
            return
        moved = z.um - self.run_um
        if ms & 15 or ms > RUN_MOST_MS or moved < RUN_STEPS * z.step_um + RUN_NOISES * z.noise_um:
            return
        v256 = clamp(moved, 0, FAR_UM) * 256 // ms
        told = (self.slow_v16 if slow else self.full_v16) << 4
        # (Beyond an eighth it is no scatter of a pump's flow: position-oil is the rule for that.)
        if told - (told >> 3) < v256 < told + (told >> 3):
            self.run_v256 = v256

    def hands_over(self):
        """True where the slow feed shall go on without a pause; then it is the slow feed's turn from now."""
        if not self.slow:
            return False
        self.wait_ms = (self.full.close16 + 3 * self.p.jitter16 + SPEED_SHOWS16) >> 4
        return True

    def starts(self, feed, width_ms):
        """A feed or a pulse was energised."""
        self.before_um = self.z.um
        valve = self.fine if feed == FEED_SLOW else self.full
        self.flow16 = max(16, valve.flow16(width_ms))
        self.run_ms = 0
        self.run_v256 = 0
        self.run_from_ms = RUN_OPEN_MS + ((valve.open16 + 3 * self.p.jitter16) >> 4)

    def decide(self):
        """What next for the depth's sake, from the settled travel: NEXT_DONE, NEXT_PULSE, NEXT_FEED or NEXT_SHORT."""
        p = self.p
        now = self.z.um
        gap = clamp(self.target_um - now, -FAR_UM, FAR_UM)
        if self.closed and not self.landed:
            # What the force's rules ended, or a pulse, is no landing of the lead.
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
        valve = self.fine if slow else self.full
        far = gap > over(v16, valve.close16 + self.z.see16 + 320) + 2 * self.aim_um
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
        # (No rounding up: half a millisecond less, so that what is left errs to the open side.)
        ms = valve.width_ms(((gap - short) << 8) // v16 - 8) if gap > short else 0
        least_um = self.least_um(v16)
        # A pulse has two edges, and a first part is not to go over: so much must be left beyond the shortest.
        beyond = short if self.first else -min(self.sig_um, gap >> 1)
        if least_um > 2 * self.sig_um and gap < least_um + beyond:
            # The shortest pulse would pass it, or by more than it is short of it.
            self.done = True
            return NEXT_DONE
        self.width_ms = max(ms, valve.least_ms) + ((min(self.flat, 12) * (p.jitter16 >> 3)) >> 4)
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
        if not self.landed:
            return False
        n = self._known(learned)
        learned[L_DEPTH_UM] = self.target_um
        off = self.landed_um - (self.target_um - self.aim_um)
        most = over(self.full_v16, self.full.close16 + self.z.see16)
        spread = learned[L_DEPTH_SPREAD_UM]
        if n > 1:
            # How far apart landings are, mean absolute, once the lead has come near; and no step is larger than that.
            seen = clamp(abs_of(off), 0, 9 * self.sig_um)
            learned[L_DEPTH_SPREAD_UM] = spread + ((seen - spread) >> 2)
        far = (3 if n >= LEARNING else 2) * self.sig_um
        self._see_yield(off)
        if off < 0 and not self.by_feed:
            # One that fell short is no reason to go on so much farther: pulses make that up, nothing an overshoot.
            step = off >> (3 if n < 3 else 2)
        elif off < -far or off > 3 * self.sig_um:
            # So far off is no scatter: the lead begins anew.
            n = 0
            step = clamp(off, -FAR_UM, FAR_UM) * 256 // (self.yield256 if off < 0 else 256)
        else:
            step = off // min(n + 1, LEARNING)
        # The mean of all landings, from the fourth on rather of the newest: oil warms up, valves wear.
        learned[L_DEPTH_LEAD_UM] = clamp(self.lead_um + step, -2 * most, most)
        learned[L_DEPTH_N] = n + 1 if n < 1000 else n
        return True

    def _see_yield(self, off):
        """Take how much of a later closing the ram went further by, from this part and the one before: on a part some
        of the flow only presses oil and frame, and a lead that is short by so much oil wants more than the way."""
        if off > 0 or self.was_target_um != self.target_um:
            self.yield256 = 256
        if self.was_target_um == self.target_um:
            later = self.was_close_um - self.aim_um - self.lead_um
            if later > 3 * self.sig_um:
                moved = max(0, self.landed_um - self.was_landed_um) + self.sig_um
                self.yield256 = clamp((min(moved, FAR_UM) << 8) // later, LEAST_YIELD256, 256)
        self.was_target_um = self.target_um
        self.was_close_um = self.aim_um + self.lead_um
        self.was_landed_um = self.landed_um
