"""The panel's pictures: 128 x 64, one colour, on anything with framebuf's methods.

`draw(frame, view, blink)` is called by the board's display and by the tests that make the pictures in the
documents. A view is what panel/panel.py says there is to see. Force is told in seven-segment figures 30
rows tall: 13 mm on a 2.4 inch display, readable at two metres.
"""

from .. import tables as T
from . import unit

WIDTH = 128
HEIGHT = 64
TURN_MS = 3000  # what takes turns on the display is shown for so long

# segments: top, upper left, upper right, middle, lower left, lower right, bottom
_SEGMENTS = {
    "0": 0b1110111,
    "1": 0b0010010,
    "2": 0b1011101,
    "3": 0b1011011,
    "4": 0b0111010,
    "5": 0b1101011,
    "6": 0b1101111,
    "7": 0b1010010,
    "8": 0b1111111,
    "9": 0b1111011,
    "-": 0b0001000,
    " ": 0,
}


class View:
    """What there is to see. `rows` with `mark` is a list; `big_n` a force in large figures.

    force_n: None while it cannot be known; it is drawn as dashes.
    target_um: where the job stops by depth, 0 where it does not; travel_um: where the ram is, None while unknown.
    """

    HOME, CUTOFF_OFF, FAULT, LIST, ASK, SEAL, HANDLING, TEST = range(8)

    def __init__(self):
        self.kind = View.HOME
        self.unit = unit.KN
        self.force_n = 0
        self.set_n = 0
        self.dialled = False
        self.target_um = 0
        self.travel_um = None
        self.live = False
        self.job = ""
        self.state = ""
        self.count = ""
        self.note = ""
        self.title = ""
        self.rows = ()
        self.mark = -1

    def key(self):
        """Equal for equal pictures."""
        return (
            self.kind,
            self.unit,
            self.force_n // 10 if self.force_n is not None else None,
            self.set_n,
            self.dialled,
            self.target_um,
            self.travel_um // 10 if self.travel_um is not None else None,
            self.live,
            self.job,
            self.state,
            self.count,
            self.note,
            self.title,
            self.rows,
            self.mark,
        )


def draw(frame, view, blink):
    """Draw `view`; `blink` is False or True by turns, twice a second."""
    frame.fill(0)
    kind = view.kind
    if kind == View.FAULT:
        _fault(frame, view, blink)
    elif kind == View.LIST:
        _list(frame, view)
    elif kind == View.ASK:
        _ask(frame, view)
    elif kind == View.SEAL:
        frame.fill(1)
        wide(frame, "LET GO:", 8, 6, 2, 2, 0)
        wide(frame, "OPENS", 24, 26, 2, 2, 0)
        frame.text("CALIBRATION", 20, 48, 0)
    elif kind == View.CUTOFF_OFF:
        _cutoff_off(frame, view, blink)
    elif kind == View.HANDLING:
        _handling(frame, view, blink)
    elif kind == View.TEST:
        _test(frame, view, blink)
    else:
        _home(frame, view, blink)


def _home(frame, view, blink):
    force(frame, view.force_n, view.unit, 0, 1)
    if view.set_n:
        text = unit.figure(view.set_n, view.unit)[0]
        if view.dialled:
            frame.fill_rect(0, 31, WIDTH, 17, 1)
            wide(frame, "=" + text, 0, 32, 2, 2, 0)
        elif view.target_um:
            _depth(frame, view)
        else:
            wide(frame, ">" + text, 0, 32, 2, 2, 1)
    else:
        frame.text(view.note or "no job", 0, 37, 1)
    frame.text(view.job[:16], 0, 48, 1)
    _bottom(frame, view, blink, 1)


def _depth(frame, view):
    """Where the ram is, and behind it where it shall stop."""
    known = view.travel_um is not None
    wide(frame, mm(view.travel_um) if known else " ---", 0, 32, 2, 2, 1)
    frame.text(">" + mm(view.target_um), 80, 31, 1)
    frame.text("mm", 88, 40, 1)


def _handling(frame, view, blink):
    """Not a part: what to look after, one thing after another, and the ceiling; the force while the ram moves."""
    frame.fill_rect(0, 0, WIDTH, 18, 1)
    wide(frame, "HANDLING", 0, 1, 2, 2, 0)
    if view.live:
        force(frame, view.force_n, view.unit, 21, 1)
    else:
        for i, row in enumerate(view.rows[:2]):
            wide(frame, row[:16], 0, 20 + 17 * i, 1, 2, 1)
    frame.fill_rect(0, 55, WIDTH, 9, 1 if blink else 0)
    frame.text((view.note if view.note and blink else view.title)[:16], 0, 56, 0 if blink else 1)


def _bottom(frame, view, blink, colour):
    if view.note and view.set_n:
        # a note is short-lived or important: it takes the line by turns
        if blink:
            frame.fill_rect(0, 56, WIDTH, 8, colour)
            frame.text(view.note[:16], 0, 57, 1 - colour)
            return
    frame.text(view.state[:8], 0, 57, colour)
    frame.text(view.count, WIDTH - 8 * len(view.count), 57, colour)


def _cutoff_off(frame, view, blink):
    """Parts are scrapped in this state: the whole picture is inverted, and words and force come by turns."""
    frame.fill(1)
    if blink:
        wide(frame, "CUTOFF", 16, 2, 2, 3, 0)
        wide(frame, "OFF", 16, 30, 4, 4, 0)
        return
    force(frame, view.force_n, view.unit, 0, 0)
    wide(frame, "NO STOP", 8, 33, 2, 2, 0)
    frame.text("at a set force", 8, 51, 0)


def _test(frame, view, blink):
    """The next pedal runs a valve test, not a part: a thick frame, and two pictures by turns, twice a second."""
    for i in range(3):
        frame.rect(i, i, WIDTH - 2 * i, HEIGHT - 2 * i, 1)
    if blink:
        wide(frame, "VALVE", 24, 4, 2, 2, 1)
        wide(frame, "TEST", 32, 20, 2, 2, 1)
        wide(frame, "ARMED", 24, 36, 2, 2, 1)
        frame.text(view.title, 64 - 4 * len(view.title), 52, 1)
        return
    wide(frame, "NO PART", 8, 5, 2, 2, 1)
    for i, row in enumerate(view.rows):
        frame.text(row[:15], 6, 23 + 9 * i, 1)


def _fault(frame, view, blink):
    frame.fill_rect(0, 0, WIDTH, 18, 1)
    wide(frame, view.title[:8], 0, 1, 2, 2, 0)
    for i, row in enumerate(view.rows[:4]):
        frame.text(row, 0, 20 + 9 * i, 1)
    if blink:
        frame.fill_rect(0, 55, WIDTH, 9, 1)
    frame.text(view.note[:16], 0, 56, 0 if blink else 1)


def _list(frame, view):
    frame.fill_rect(0, 0, WIDTH, 11, 1)
    frame.text(view.title[:16], 0, 2, 0)
    first = max(0, min(view.mark - 2, len(view.rows) - 5))
    for i, row in enumerate(view.rows[first : first + 5]):
        y = 13 + 10 * i
        marked = first + i == view.mark
        if marked:
            frame.fill_rect(0, y - 1, WIDTH, 10, 1)
        frame.text(row[:16], 0, y, 0 if marked else 1)


def _ask(frame, view):
    frame.fill_rect(0, 0, WIDTH, 11, 1)
    frame.text(view.title[:16], 0, 2, 0)
    y = 14
    if view.set_n:
        force(frame, view.set_n, view.unit, 14, 1)
        y = 47
    for i, row in enumerate(view.rows[:5]):
        frame.text(row[:16], 0, y + 9 * i, 1)


def ceiling_words(settings):
    """The ceiling on force of handling jobs, in 16 columns."""
    ceiling = settings[T.S_HANDLING_N]
    return "below %s" % unit.told(ceiling, unit.of(settings)) if ceiling else "no ceiling set"


def mm(um):
    """Micrometres as millimetres in five figures at most: two decimals, fewer where there is no room."""
    sign = "-" if um < 0 else ""
    um = abs(um)
    if um >= (99950 if sign else 999950):
        return "%s%d" % (sign, (um + 500) // 1000)
    if um >= (9995 if sign else 99995):
        tenths = (um + 50) // 100
        return "%s%d.%d" % (sign, tenths // 10, tenths % 10)
    hundredths = (um + 5) // 10
    return "%s%d.%02d" % (sign, hundredths // 100, hundredths % 100)


def force(frame, force_n, shown_in, y, colour):
    """A force in large figures, 30 rows tall, and its unit flush right; dashes for one that is not known."""
    text, name = unit.figure(force_n or 0, shown_in)
    if force_n is None:
        text = "---"
    frame.text(name, WIDTH - 8 * len(name), y, colour)
    width = 0
    for char in text:
        width += 8 if char == "." else 20
    # three columns free between the last figure, which ends three before its place does, and the unit
    x = min(WIDTH - 8 * len(name), 108) - width
    for char in text:
        if char == ".":
            frame.fill_rect(x + 1, y + 25, 5, 5, colour)
            x += 8
        else:
            _digit(frame, _SEGMENTS[char], x, y, colour)
            x += 20


def _digit(frame, bits, x, y, colour):
    # 17 wide, 30 tall, strokes of 4
    if bits & 0b1000000:
        frame.fill_rect(x, y, 17, 4, colour)
    if bits & 0b0100000:
        frame.fill_rect(x, y, 4, 17, colour)
    if bits & 0b0010000:
        frame.fill_rect(x + 13, y, 4, 17, colour)
    if bits & 0b0001000:
        frame.fill_rect(x, y + 13, 17, 4, colour)
    if bits & 0b0000100:
        frame.fill_rect(x, y + 13, 4, 17, colour)
    if bits & 0b0000010:
        frame.fill_rect(x + 13, y + 13, 4, 17, colour)
    if bits & 0b0000001:
        frame.fill_rect(x, y + 26, 17, 4, colour)


_small = None


def wide(frame, text, x, y, across, down, colour):
    """Text enlarged by whole factors."""
    global _small
    if _small is None:
        import framebuf

        buffer = bytearray(8)
        _small = (buffer, framebuf.FrameBuffer(buffer, 8, 8, framebuf.MONO_VLSB))
    buffer, small = _small
    for char in text:
        small.fill(0)
        small.text(char, 0, 0, 1)
        for column in range(8):
            bits = buffer[column]
            row = 0
            while bits:
                if bits & 1:
                    frame.fill_rect(x + column * across, y + row * down, across, down, colour)
                bits >>= 1
                row += 1
        x += 8 * across


def wrap(text, width, rows):
    """Words in lines of `width`, at most `rows` a page: a list of pages."""
    lines = []
    line = ""
    for word in text.split(" "):
        if line and len(line) + 1 + len(word) > width:
            lines.append(line)
            line = word
        else:
            line = line + " " + word if line else word
    lines.append(line)
    return [tuple(lines[i : i + rows]) for i in range(0, len(lines), rows)]
