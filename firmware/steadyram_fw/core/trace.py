"""What a stroke looked like: an overview whose spacing doubles when it is full, and the last half second at 1 kHz.

Doubling without a long pause: while one buffer fills at spacing d, every other point also goes to the second
one; when the first is full, the second takes over at 2 d and what it still lacks is copied a few points a step.
"""

from array import array

from .cells import (
    COPIED,
    COUNTS,
    FINE_HEAD,
    FINE_ON,
    FORCE_N,
    POINTS,
    SPACING,
    TO_COPY,
    TRACE_ON,
    TRACE_SHIFT,
    WAIT,
)

TRACE_POINTS = 512
FINE_POINTS = 512


def note(c, points, spare, fine):
    """The newest sample of cells `c` into the buffers; 1 when `points` is full and the two change places.

    Compiled to machine code for a board: whole numbers, cells and buffers only, no calls.
    """
    if c[FINE_ON]:
        head = c[FINE_HEAD]
        fine[head] = c[COUNTS]
        c[FINE_HEAD] = (head + 1) & (FINE_POINTS - 1)
    if c[TRACE_ON] == 0:
        return 0
    at = c[COPIED]
    end = c[TO_COPY]
    if at < end:
        if end > at + 4:
            end = at + 4
        while at < end:
            spare[at] = points[at << 1]
            at += 1
        c[COPIED] = at
    wait = c[WAIT]
    if wait > 0:
        c[WAIT] = wait - 1
        return 0
    spacing = c[SPACING]
    c[WAIT] = spacing - 1
    value = c[COUNTS]
    shift = c[TRACE_SHIFT]
    if shift >= 0:
        value = c[FORCE_N]
        if value < 0:
            value = 0
        value >>= shift
        if value > 65535:
            value = 65535
    n = c[POINTS]
    points[n] = value
    if n & 1 == 0:
        spare[n >> 1] = value
    n += 1
    if n < TRACE_POINTS:
        c[POINTS] = n
        return 0
    c[POINTS] = TRACE_POINTS >> 1
    c[SPACING] = spacing << 1
    c[WAIT] = (spacing << 1) - 1
    c[COPIED] = 0
    c[TO_COPY] = TRACE_POINTS >> 2
    return 1


class Trace:
    """The buffers. The control step calls note() with them, and swap() when that says so.

    cells: those of the readings, or None: cells of its own, whose FORCE_N the caller sets before each note(), and
    no fine samples.
    """

    def __init__(self, cells=None):
        self._with_fine = cells is not None
        if cells is None:
            cells = array("i", [0] * (TRACE_SHIFT + 1))
        self.cells = cells
        self.points = array("H", [0] * TRACE_POINTS)
        self.spare = array("H", [0] * TRACE_POINTS)
        self.fine = array("H", [0] * FINE_POINTS) if self._with_fine else self.points
        cells[FINE_ON] = 1 if self._with_fine else 0
        cells[SPACING] = 1

    def start(self, unit_n):
        """A stroke begins. unit_n: newtons a unit of the overview, a power of two, or 0: it is in counts."""
        c = self.cells
        shift = -1
        while unit_n:
            unit_n >>= 1
            shift += 1
        c[TRACE_SHIFT] = shift
        c[POINTS] = 0
        c[SPACING] = 1
        c[WAIT] = 0
        c[COPIED] = 0
        c[TO_COPY] = 0
        c[TRACE_ON] = 1
        c[FINE_ON] = 1 if self._with_fine else 0

    def stop(self):
        """The stroke is over; both stay as they are until the next one."""
        self.cells[TRACE_ON] = 0
        self.cells[FINE_ON] = 0

    def swap(self):
        """note() said that the overview is full."""
        full = self.points
        self.points = self.spare
        self.spare = full

    def length(self):
        """Points of the overview."""
        return self.cells[POINTS]

    def spacing_ms(self):
        """Milliseconds from one point to the next."""
        return self.cells[SPACING]

    def fine_head(self):
        """Place of the oldest of the fine samples."""
        return self.cells[FINE_HEAD]
