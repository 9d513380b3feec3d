"""The record of cycles, with the traces of the newest ones, and the record of changes.

Both are bounded: the oldest segment goes when a new one begins, and only the newest traces are kept. Numbers
are never used twice. Nothing here may be called while the ram is live.
"""

import struct
from array import array

from .. import tables as T
from ..core.controller import TRAVEL_UNIT_SHIFT
from . import files
from .crc import crc32
from .segments import Segments

_BODY = "<" + "".join("I" if i in T.RECORD_WIDE else "i" for i in range(T.R_LEN))
_BODY_LEN = struct.calcsize(_BODY)
_TRACE_MAGIC = b"sdyt"
_TRACE_HEAD = "<4sHHiI"  # magic, points, ms a point, newtons a unit, record number
_TRACE_HEAD_LEN = struct.calcsize(_TRACE_HEAD)
_BOTH_MAGIC = b"sdyu"  # the same, and after the forces as many points of travel
TRAVEL_UNIT_UM = 1 << TRAVEL_UNIT_SHIFT


class CycleLog:
    """Cycle records and traces under `root`/cycles and `root`/traces."""

    def __init__(self, root, per, keep, traces):
        self._records = Segments(root + "/cycles", "c", _BODY_LEN, per, keep)
        self._traces = root + "/traces"
        self._keep = traces
        self._seqs = array("I", bytes(4 * traces))  # numbers of the traces kept, oldest first
        self._used = 0

    def open(self, least=1):
        """Scan what is there; record numbers start no lower than `least`. Returns words for what is wrong."""
        files.make_folder(self._traces)
        self._records.open(least)
        self._used = 0
        for name in files.names(self._traces):
            if len(name) == 11 and name[0] == "t" and name[1:].isdigit():
                if self._used == self._keep:
                    self._drop_trace()
                self._seqs[self._used] = int(name[1:])
                self._used += 1
            else:
                files.remove(self._traces + "/" + name)
        found = []
        if self._records.torn:
            found.append("torn")
        if self._records.damaged:
            found.append("damaged")
        return found

    @property
    def next(self):
        return self._records.next

    @property
    def first(self):
        return self._records.first()

    @property
    def last(self):
        return self._records.last()

    def store(self, values, trace, length, travel=None):
        """Store a record (R_LEN integers, the number must be `next`) and its trace. Raises OSError.

        travel: the ram's position at the trace's points, in TRAVEL_UNIT_UM, None without a sensor.

        The trace goes first: a record that is there always has the trace that belongs to it.
        Returns True when a new segment began.
        """
        seq = values[T.R_SEQ]
        if length:
            self._store_trace(seq, values[T.R_TRACE_MS], values[T.R_TRACE_UNIT_N], trace, length, travel)
        return self._records.append(struct.pack(_BODY, *values))

    def read(self, seq):
        """Fields of a record as a tuple, or None."""
        body = self._records.read(seq)
        if body is None:
            return None
        had = len(body) // 4
        if 4 * had != len(body) or had <= T.R_SEQ:
            return None
        # an older firmware wrote fewer fields: what it did not know is 0, or -1 where 0 would be a value
        zeros = max(0, T.R_UNKNOWN - had)
        return struct.unpack(_BODY[: 1 + had], body) + (0,) * zeros + (-1,) * (T.R_LEN - had - zeros)

    def trace(self, seq):
        """(ms a point, newtons a unit, array of points) of a record's trace, or None."""
        return self._points(seq, False)

    def travel(self, seq):
        """(ms a point, micrometres a unit, array of points) of the ram's position in a trace, or None."""
        found = self._points(seq, True)
        return None if found is None else (found[0], TRAVEL_UNIT_UM, found[2])

    def _points(self, seq, of_travel):
        if not self._records.first() <= seq < self._records.next:
            return None
        data = files.read(self._trace_path(seq), 65536)
        if data is None or len(data) < _TRACE_HEAD_LEN + 4:
            return None
        magic, points, ms, unit, number = struct.unpack(_TRACE_HEAD, data[:_TRACE_HEAD_LEN])
        both = magic == _BOTH_MAGIC
        forces = _TRACE_HEAD_LEN + 2 * points
        end = forces + 2 * points if both else forces
        if not (both or magic == _TRACE_MAGIC) or number != seq or len(data) != end + 4:
            return None
        if struct.unpack("<I", data[end:])[0] != crc32(data[:end]):
            return None
        if of_travel:
            return (ms, unit, array("H", data[forces:end])) if both else None
        return ms, unit, array("H", data[_TRACE_HEAD_LEN:forces])

    def make_room(self):
        """Flash is full: give up half of the traces and the oldest records."""
        for _ in range((self._used + 1) // 2):
            self._drop_trace()
        self._records.make_room()

    def close(self):
        """Let go of open files."""
        self._records.close()

    def _trace_path(self, seq):
        return "%s/t%010d" % (self._traces, seq)

    def _store_trace(self, seq, ms, unit, trace, length, travel):
        while self._used >= self._keep:
            self._drop_trace()
        magic = _TRACE_MAGIC if travel is None else _BOTH_MAGIC
        head = struct.pack(_TRACE_HEAD, magic, length, ms, unit, seq)
        body = memoryview(trace)[:length]
        more = b"" if travel is None else memoryview(travel)[:length]
        with open(self._trace_path(seq), "wb") as file:
            file.write(head)
            file.write(body)
            file.write(more)
            file.write(struct.pack("<I", crc32(more, crc32(body, crc32(head)))))
        if not self._used or self._seqs[self._used - 1] != seq:
            self._seqs[self._used] = seq
            self._used += 1

    def _drop_trace(self):
        files.remove(self._trace_path(self._seqs[0]))
        self._used -= 1
        for i in range(self._used):
            self._seqs[i] = self._seqs[i + 1]


# ---------------------------------------------------------------- changes
_CHANGE = "<IIIII28s24s24s"  # number, boot, ms since power-up, wall clock, who, what, from, to


class ChangeLog:
    """What was changed, from, to, when and by whom, under `root`/changes."""

    def __init__(self, root, clock, per=40, keep=24):
        self._clock = clock
        self._records = Segments(root + "/changes", "x", struct.calcsize(_CHANGE), per, keep)
        self.waiting = []

    def open(self):
        """Scan what is there."""
        self._records.open()

    @property
    def next(self):
        """Number that the next stored change gets."""
        return self._records.next

    @property
    def first(self):
        return self._records.first()

    @property
    def last(self):
        return self._records.last()

    def note(self, by, what, old, new):
        """Keep a change until flush() may write it; old and new are shown as text."""
        clock = self._clock
        texts = (_clip(what, 28), _clip(str(old), 24), _clip(str(new), 24))
        self.waiting.append((clock.uptime_ms(), clock.unix(), by) + texts)

    def flush(self, boot):
        """Write what waits, only while the ram is not live. Raises OSError; then everything still waits."""
        if not self.waiting:
            return
        bodies = []
        seq = self._records.next
        for entry in self.waiting:
            bodies.append(struct.pack(_CHANGE, seq, boot, *entry))
            seq += 1
        self._records.append_all(bodies)
        self.waiting = []

    def read(self, seq):
        """(number, boot, ms, unix, who, what, from, to) with the last three as text, or None."""
        body = self._records.read(seq)
        if body is None:
            return None
        row = struct.unpack(_CHANGE, body)
        return row[:5] + tuple(_text(field) for field in row[5:])

    def close(self):
        """Let go of open files."""
        self._records.close()


def _clip(text, size):
    return bytes(text, "ascii")[:size]


def _text(field):
    return str(field.rstrip(b"\x00"), "ascii")
