"""From counts to force: running means, the device polynomial, slope and spread. Integers, no allocation."""

from array import array

from .cells import (
    AT,
    BOOT_MS,
    C0,
    C1,
    C2,
    C3,
    CELLS,
    COUNTS,
    FORCE_N,
    FORCES,
    LAST,
    NOISY16,
    OFF_MS,
    RING,
    RISE16,
    ROUGH16,
    SAME,
    SLOPE,
    SPREAD16,
    SUM4,
    SUM16,
    SUM64,
    ZERO16,
)
from .fixed import mulq

FULL_MS = 80  # from then on the history is full of real samples


def take(c, counts):
    """One sample into the history of cells `c`; returns newtons by the mean of the last four.

    Compiled to machine code for a board: whole numbers and cells only, no calls.
    """
    at = c[AT]
    sum4 = c[SUM4] + counts - c[RING + ((at - 4) & 63)]
    sum64 = c[SUM64] + counts - c[RING + at]
    c[SUM16] += counts - c[RING + ((at - 16) & 63)]
    c[SUM4] = sum4
    c[SUM64] = sum64
    c[RING + at] = counts
    at = (at + 1) & 63
    c[AT] = at
    if counts != c[COUNTS]:
        c[COUNTS] = counts
        c[SAME] = 0
    elif c[SAME] < 1048576:
        c[SAME] += 1
    off = (counts << 4) - (sum64 >> 2)
    if off < 0:
        off = -off
    spread = c[SPREAD16]
    c[SPREAD16] = spread + ((off - spread) >> 5)
    # The polynomial: a * x / 65536, to nearest, so that nothing leaves 31 bits (fixed.mulq says the same).
    x = ((sum4 << 2) - c[ZERO16] + 8) >> 4
    high = x >> 8
    low = x & 255
    a = c[C1]
    if c[C2] | c[C3]:
        a = c[C3]
        a = c[C2] + ((a * high + ((a * low + 32768) >> 8)) >> 8)
        a = c[C1] + ((a * high + ((a * low + 32768) >> 8)) >> 8)
    force = c[C0] + ((a * high + ((a * low + 32768) >> 8)) >> 8)
    c[FORCE_N] = force
    c[RISE16] = force - c[FORCES + ((at - 16) & 31)]
    c[FORCES + (at & 31)] = force
    # How rough the signal is: corners between neighbouring samples.
    if c[BOOT_MS] < FULL_MS:
        c[BOOT_MS] += 1
        c[LAST] = counts
        c[SLOPE] = 0
        c[ROUGH16] = 0
        c[OFF_MS] = 0
    slope = counts - c[LAST]
    bend = slope - c[SLOPE]
    c[LAST] = counts
    c[SLOPE] = slope
    if bend < 0:
        bend = -bend
    # One odd corner is not noise: it counts four times the limit at most.
    most = c[NOISY16] >> 2
    if bend > most:
        bend = most
    rough = c[ROUGH16]
    c[ROUGH16] = rough + (((bend << 4) - rough) >> 5)
    return force


class Sense:
    """Sixty-four samples of history at 1 kHz; force in newtons from the mean of the last four."""

    def __init__(self):
        self.cells = array("i", [0] * CELLS)
        self.zero16 = 0
        self.c0 = 0
        self.c1 = 0
        self.c2 = 0
        self.c3 = 0
        self.rise16 = 0  # newtons in 16 ms, brought here by the step

    def set_polynomial(self, c0, c1, c2, c3):
        c = self.cells
        self.c0 = c[C0] = c0
        self.c1 = c[C1] = c1
        self.c2 = c[C2] = c2
        self.c3 = c[C3] = c3

    def set_zero(self, mean16):
        """Reading without pressure, counts times sixteen."""
        self.zero16 = self.cells[ZERO16] = mean16

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
        return self.cells[SUM16]

    def mean64(self):
        """Mean of the last 64 samples, times sixteen."""
        return self.cells[SUM64] >> 2

    def spread16(self):
        """Mean distance of samples from the mean of 64, times sixteen."""
        return self.cells[SPREAD16]
