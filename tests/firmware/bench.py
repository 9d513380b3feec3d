"""A board without hardware and a host's end of the link, for tests on CPython and on MicroPython."""

from fake_core import FakeCore

from steadyram_fw import tables as T
from steadyram_fw.app import App
from steadyram_fw.services.crc import crc16

REST = T.IN_ESTOP_OK | T.IN_TOP


class Board:
    """A board whose link is two lists of lines."""

    name = "bench"
    uid = "b0a4d1"
    log_shape = (8, 4, 3)

    def __init__(self, root):
        self.root = root
        self.rx = b""
        self.out = []
        self.turns = 0
        self.shown = None

    def link_read(self):
        data = self.rx
        self.rx = b""
        return data or None

    def link_write(self, data):
        assert data[-1:] == b"\n", data
        assert len(data) <= T.REPLY_MAX + 1, data
        self.out.append(str(data[:-1], "ascii"))

    def knob(self):
        steps = self.turns
        self.turns = 0
        return steps

    def show(self, lines):
        self.shown = lines

    def idle(self):
        pass

    def maintenance(self):
        self.left = True

    left = False


class Bench:
    """A device with a fake core on `root`, and the means to drive it.

    filter_ms: how long a contact must stay as it is to count; the fake core takes it at once.
    """

    filter_ms = 1

    def __init__(self, root, log_shape=None, uid=Board.uid):
        self.board = Board(root)
        self.board.uid = uid
        if log_shape:
            self.board.log_shape = log_shape
        self.inputs = REST
        self.core = FakeCore()
        self.app = App(self.board, self.core)
        self._tag = 0

    def run(self, ms):
        for _ in range(ms):
            self.app.tick(self.core.counts, self.inputs)
            self.app.poll()

    def settle(self):
        """Poll until there is nothing left to do."""
        for _ in range(20000):
            self.app.tick(self.core.counts, self.inputs)
            if not self.app.poll():
                return
        raise AssertionError("never at rest")

    def enable(self):
        self.run(1)
        self.inputs |= T.IN_ENABLE
        self.run(1509 + self.filter_ms)
        self.inputs &= ~T.IN_ENABLE
        self.run(self.filter_ms)

    def unseal(self):
        """Open changes and the calibration's seal."""
        self.run(1)
        self.inputs |= T.IN_ENABLE
        self.run(5010)
        self.inputs &= ~T.IN_ENABLE
        self.run(self.filter_ms)

    def raw(self, data):
        """Bytes in, lines out."""
        self.board.out = []
        self.board.rx = data
        self.settle()
        return self.board.out

    def ask(self, text, tag=None):
        """A request without tag and checksum; returns the answer's lines without tag and checksum."""
        if tag is None:
            self._tag += 1
            tag = "t%d" % self._tag
        out = []
        for line in self.raw(sealed(tag + " " + text)):
            body = unsealed(line)
            if not body.startswith("- "):
                assert body.startswith(tag + " "), body
                out.append(body[len(tag) + 1 :])
        return out

    def one(self, text, tag=None):
        """As ask(), for an answer of one line."""
        out = self.ask(text, tag)
        assert len(out) == 1, out
        return out[0]

    def ok(self, text):
        """As one(), for an answer that must be ok; returns its fields as text."""
        line = self.one(text)
        assert line.startswith("ok"), line
        return dict([pair.split("=", 1) for pair in line.split(" ")[1:]])

    def refused(self, text):
        """As one(), for an answer that must be no; returns its number."""
        line = self.one(text)
        assert line.startswith("no "), line
        return int(line.split(" ")[1])

    def push(self, kind, puts):
        """Stage, put, check, commit; returns the commit's fields. Opens the calibration's seal if need be."""
        if kind == "calibration" and not self.app.access.unsealed:
            self.unseal()
        self.ok("stage kind=" + kind)
        for text in puts:
            self.ok("put " + text)
        digest = self.ok("check")["digest"]
        return self.ok("commit digest=" + digest)

    def stroke(self, stop=T.STOP_SETPOINT, flags=T.FLAG_CUTOFF):
        """One whole stroke, record stored."""
        self.core.live = True
        self.run(3)
        self.core.finish(stop, flags)
        self.run(2)
        self.core.live = False
        self.settle()


def sealed(text):
    return bytes("%s #%s\n" % (text, digits(text)), "ascii")


def digits(text):
    """The checksum of a text as it stands on a line."""
    crc = crc16(text.encode())
    return "".join([chr(0x40 | crc >> shift & 15) for shift in (12, 8, 4, 0)])


def unsealed(line):
    body, mark, crc = line.rpartition(" #")
    assert mark == " #", line
    assert crc == digits(body), line
    return body


def settings_puts(**changed):
    """Lines that put a whole settings set of defaults."""
    return _puts(0, T.S_MEASURED, changed)


def measured_puts(**changed):
    """Lines that put a whole set of measured values, defaults where nothing else is said."""
    return _puts(T.S_MEASURED, T.S_LEN, changed)


def _puts(first, end, changed):
    rows = [T.SETTINGS[i] for i in range(first, end)]
    for name in changed:
        assert name in [row[0] for row in rows], name
    words = ["%s=%d" % (row[0], changed.get(row[0], row[3])) for row in rows]
    return [" ".join(words[i : i + 5]) for i in range(0, len(words), 5)]


def job_puts(slot, name, **changed):
    # As a host does: an optional field is sent only where it differs from its default.
    words = []
    for i in range(T.J_LEN):
        key, _, _, default = T.JOB[i]
        if i not in T.JOB_OPTIONAL or key in changed:
            words.append("%s=%d" % (key, changed.get(key, default)))
    return ['slot=%d name="%s" %s' % (slot, name, " ".join(words))]


# a 100 mm bore at 34474 kPa over 52428 counts: 270759 N, so 338450 N per 65536 counts
CALIBRATION = "zero_counts=6560 c0_n=-500 c1_n=338450 c2_n=0 c3_n=0 max_counts=58000 friction_n=500"


def calibration_puts(serial=7):
    return [CALIBRATION, "serial=%d made_unix=1800000000 due_unix=0" % serial]
