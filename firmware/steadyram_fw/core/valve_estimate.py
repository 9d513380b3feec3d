"""What each valve does with a command: lags, what a pulse of a width lets in, how far both scatter.

Measured at commissioning, then followed by what every closing and every pulse did. One object a valve; both valves
share the lateness, because cold oil makes both late. Times in sixteenths of a millisecond (t16); oil in t16 of that
valve's own full flow.

A pulse lets in what its width leaves beyond a dead time: the valve opens later than it closes, the coil needs its
pull-in time, the spool its overlap. Short of full opening it lets in less, so what pulses let in is kept at six widths
(KNOTS16) and taken as straight between them.
"""

from array import array

from .fixed import abs_of, clamp

# Energised time beyond the dead time at which the oil of a pulse is kept, t16: 0, 2, 4, 8, 16 and 32 ms.
KNOTS16 = (0, 32, 64, 128, 256, 512)
# A spool takes about 10 ms to open (common practice, no source), t16.
SOFT16 = 160
# A measured dead time moves by this much with the oil and wear, t16: 3 ms (common practice, no source).
WANDER16 = 48
# Room that the reading needs to settle to 2 % of what remains: four time constants, then sixteen samples.
SAMPLES_MS = 18
# No pulse is longer than this, t16: a feed that is watched does the rest.
LONGEST16 = 8000


class Valve:
    """One valve as it is believed to be today."""

    def __init__(self):
        self._open16 = 16
        self._close16 = 16
        self._dead16 = 0
        self._least_ms = 1
        self.jitter16 = 16
        self.sensor16 = 0
        self.see16 = 32
        self.late16 = 0
        self.dead16 = 0
        self.least_ms = 1
        self.still = 0
        self.trust = 0
        self.let16 = array("i", KNOTS16)
        self._apply()

    def configure(self, open16, close16, dead16, least_ms, jitter16, sensor16):
        """What was measured. dead16: energised time of a pulse that is lost, t16; least_ms: shortest that moves."""
        self._open16 = open16
        self._close16 = close16
        self._dead16 = dead16
        self._least_ms = least_ms
        self.jitter16 = jitter16
        self.sensor16 = sensor16
        # The mean of four samples lags 1.5 ms, the step that acts on it another half on average.
        self.see16 = sensor16 + 32
        self.reset()

    def reset(self):
        """As measured: nothing was seen of it since."""
        self.late16 = 0
        self.dead16 = self._dead16
        self.least_ms = self._least_ms
        self.still = 0
        self.trust = 0
        for k in range(len(KNOTS16)):
            self.let16[k] = KNOTS16[k]
        self._apply()

    def set_late(self, late16):
        """It closes so much later (cold oil, wear) or sooner than measured; three quarters of its lag at most."""
        most = (self._close16 * 3) >> 2
        self.late16 = clamp(late16, -most, most)
        self._apply()

    def _apply(self):
        self.open16 = self._open16
        self.close16 = max(16, self._close16 + self.late16)
        rest16 = 3 * self.jitter16 + 4 * self.sensor16
        self.settle_ms = ((self.close16 + rest16) >> 4) + SAMPLES_MS
        # When the flow should have ended and the sensor have shown it, jitter allowed for.
        self.look_ms = ((self.close16 + self.see16 + 2 * self.jitter16) >> 4) + 2

    def half_late16(self):
        """What it lets in beyond, should it have become half as slow again."""
        return self._close16 >> 1

    def flow16(self, width_ms):
        """Oil that a pulse lets in, t16 of full flow."""
        x16 = (width_ms << 4) - self.dead16
        if x16 <= 0:
            return 0
        let = self.let16
        k = 1
        while k < 5 and x16 > KNOTS16[k]:
            k += 1
        begin = KNOTS16[k - 1]
        if x16 > KNOTS16[5]:
            return let[5] + x16 - KNOTS16[5]
        return let[k - 1] + ((let[k] - let[k - 1]) * (x16 - begin)) // (KNOTS16[k] - begin)

    def width_ms(self, oil16):
        """Width of the pulse that lets in `oil16`, to nearest; 0 where the shortest lets in more than that."""
        let = self.let16
        if oil16 > LONGEST16:
            oil16 = LONGEST16
        k = 1
        while k < 5 and oil16 > let[k]:
            k += 1
        if oil16 > let[5]:
            x16 = KNOTS16[5] + oil16 - let[5]
        else:
            span = let[k] - let[k - 1]
            x16 = KNOTS16[k - 1] + ((KNOTS16[k] - KNOTS16[k - 1]) * (oil16 - let[k - 1])) // max(span, 1)
        width = (x16 + self.dead16 + 8) >> 4
        return width if width >= self.least_ms else 0

    def least16(self):
        """Oil of the shortest pulse."""
        return self.flow16(self.least_ms)

    def saw_pulse(self, width_ms, oil16, noise16):
        """A pulse let in `oil16`, known to about `noise16`: the dead time and the knots beside its width follow."""
        meant16 = self.flow16(width_ms)
        off16 = clamp(oil16 - meant16, -640, 640)
        spread16 = self.jitter16 + (self.jitter16 >> 1) + noise16
        if oil16 < self.jitter16 and meant16 > 2 * spread16 and 3 * noise16 < meant16:
            # It moved nothing: the coil did not pull in, or the spool did not come past its overlap.
            self.still += 1
            if self.still > 1:
                self.moved_nothing(width_ms)
            self._dead_at(self.dead16 + min(64, meant16 >> 2))
            self.trust = 0
            return
        self.still = 0
        if width_ms <= self.least_ms > self._least_ms:
            self.least_ms -= 1
        # Far more oil than was meant is believed whatever it is known to: a valve thought too slow scraps parts.
        more = off16 > 3 * spread16
        told16 = 3 * self.jitter16 + 16
        if noise16 > told16 and not more:
            return
        shift = 3
        if self.trust < 6:
            self.trust += 1
            shift = 2
        if more or abs_of(off16) > 3 * spread16:
            shift = 1
        step16 = off16 >> shift
        if not more:
            # The less the pulse told, the smaller the step.
            step16 = (step16 * told16) // (told16 + 2 * noise16)
        x16 = (width_ms << 4) - self.dead16
        self._dead_at(self.dead16 - (step16 >> 1))
        k = 1
        while k < 5 and x16 > KNOTS16[k]:
            k += 1
        let = self.let16
        if x16 <= KNOTS16[5]:
            share = clamp(((x16 - KNOTS16[k - 1]) << 6) // (KNOTS16[k] - KNOTS16[k - 1]), 0, 64)
            let[k] += (step16 * share) >> 7
            let[k - 1] += (step16 * (64 - share)) >> 7
        let[0] = 0
        for k in range(1, 6):
            # A longer pulse lets in more; none lets in more than its whole width, nor less than a spool that opens
            # slowly would.
            x16 = KNOTS16[k]
            least16 = max((x16 * x16) // (x16 + SOFT16), let[k - 1] + 2)
            let[k] = clamp(let[k], least16, x16 + (x16 >> 1))

    def moved_nothing(self, width_ms):
        """Pulses of this width move nothing: the shortest is longer, until one that short does move something.

        By no more than a measured valve changes, where the shortest was measured (1 = it was not).
        """
        least_ms = width_ms + 1
        if self._least_ms > 1:
            measured_ms = max(self._least_ms, (self._dead16 + 16) >> 4)
            least_ms = min(least_ms, measured_ms + ((self._wander16() + 15) >> 4))
        self.least_ms = max(self.least_ms, least_ms)

    def _dead_at(self, dead16):
        """Move the dead time, by no more than a measured valve changes.

        The job's curve is known in the oil that pulses were counted to let in: where a part is met and pressed by
        pulses alone, both may shrink together, and every new part bears them out.
        """
        most = self._wander16()
        self.dead16 = clamp(dead16, self._dead16 - most, self._dead16 + most)

    def _wander16(self):
        return 2 * self.jitter16 + WANDER16 + (self._close16 >> 4)
