"""What a stroke looked like: an overview whose spacing doubles when it is full, and the last half second at 1 kHz.

Doubling without a long pause: while one buffer fills at spacing d, every other point also goes to the second
one; when the first is full, the second takes over at 2 d and what it still lacks is copied a few points a step.
"""

from array import array

TRACE_POINTS = 512
FINE_POINTS = 512


class Trace:
    def __init__(self):
        self._a = array("H", [0] * TRACE_POINTS)
        self._b = array("H", [0] * TRACE_POINTS)
        self.fine = array("H", [0] * FINE_POINTS)
        self.fine_head = 0
        self.fine_on = True
        self.points = self._a
        self._next = self._b
        self.n = 0
        self.spacing_ms = 1
        self._wait = 0
        self._copied = 0
        self._to_copy = 0
        self.on = False

    def start(self):
        self.points = self._a
        self._next = self._b
        self.n = 0
        self.spacing_ms = 1
        self._wait = 0
        self._copied = 0
        self._to_copy = 0
        self.on = True
        self.fine_on = True

    def sample(self, value, counts):
        """value: 0..65535 in trace units; counts: raw."""
        if self.fine_on:
            self.fine[self.fine_head] = counts
            self.fine_head = (self.fine_head + 1) & (FINE_POINTS - 1)
        if not self.on:
            return
        if self._to_copy > self._copied:
            i = self._copied
            for _ in range(4):
                if i < self._to_copy:
                    self._next[i] = self.points[i << 1]
                    i += 1
            self._copied = i
        if self._wait:
            self._wait -= 1
            return
        self._wait = self.spacing_ms - 1
        n = self.n
        self.points[n] = value
        if not n & 1:
            self._next[n >> 1] = value
        n += 1
        if n == TRACE_POINTS:
            full = self.points
            self.points = self._next
            self._next = full
            n >>= 1
            self.spacing_ms <<= 1
            self._wait = self.spacing_ms - 1
            self._copied = 0
            self._to_copy = n >> 1
        self.n = n
