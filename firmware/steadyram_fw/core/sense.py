"""From counts to force: running means, the device polynomial, slope and spread. Integers, no allocation."""

from array import array

from .fixed import mulq


class Sense:
    """Sixty-four samples of history at 1 kHz; force in newtons from the mean of the last four."""

    def __init__(self):
        self._ring = array("i", [0] * 64)
        self._at = 0
        self._sum4 = 0
        self._sum16 = 0
        self._sum64 = 0
        self._forces = array("i", [0] * 32)
        self.counts = 0
        self.same = 0
        self.zero16 = 0
        self.c0 = 0
        self.c1 = 0
        self.c2 = 0
        self.c3 = 0
        self.force_n = 0
        self.rise16 = 0
        self.spread16 = 0

    def set_polynomial(self, c0, c1, c2, c3):
        self.c0 = c0
        self.c1 = c1
        self.c2 = c2
        self.c3 = c3

    def force_of(self, x):
        """Newtons of x counts above zero."""
        if self.c2 or self.c3:
            return self.c0 + mulq(self.c1 + mulq(self.c2 + mulq(self.c3, x), x), x)
        return self.c0 + mulq(self.c1, x)

    def force_of_mean(self, mean16):
        """Newtons of a mean of counts times sixteen, the sixteenths interpolated."""
        x16 = mean16 - self.zero16
        return self.force_of(x16 >> 4) + ((self.c1 * (x16 & 15)) >> 20)

    def mean16(self):
        """Mean of the last 16 samples, times sixteen."""
        return self._sum16

    def mean64(self):
        """Mean of the last 64 samples, times sixteen."""
        return self._sum64 >> 2

    def sample(self, counts):
        """Take one sample; update force_n (mean of four), rise16 (newtons in 16 ms), spread16."""
        ring = self._ring
        at = self._at
        self._sum64 += counts - ring[at]
        self._sum16 += counts - ring[(at - 16) & 63]
        self._sum4 += counts - ring[(at - 4) & 63]
        ring[at] = counts
        at = (at + 1) & 63
        self._at = at
        if counts == self.counts:
            self.same += 1
        else:
            self.same = 0
            self.counts = counts
        off = (counts << 4) - (self._sum64 >> 2)
        if off < 0:
            off = -off
        self.spread16 += (off - self.spread16) >> 5
        x = ((self._sum4 << 2) - self.zero16 + 8) >> 4
        if self.c2 or self.c3:
            f = self.c0 + mulq(self.c1 + mulq(self.c2 + mulq(self.c3, x), x), x)
        else:
            f = self.c0 + mulq(self.c1, x)
        self.force_n = f
        forces = self._forces
        self.rise16 = f - forces[(at - 16) & 31]
        forces[at & 31] = f
        return f
