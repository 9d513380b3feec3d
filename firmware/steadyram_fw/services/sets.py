"""The sets that are staged, checked as a whole and committed: settings, measured values, jobs, calibration.

In force they are kept as: settings and measured values an array('i') each, in definition order (the control core takes
both in one array, settings first); calibration a list of integers or None (its wide fields do not fit the array); jobs
a list by job number, each None or (name, array('i')).

The canonical text of a set is what its file holds, what its digest is taken over, and what the host builds to
compare: the kind, then one `key=value` a line in definition order; jobs by rising number with the keys
`<number>.name` and `<number>.<field>`. ASCII, every line ends with one line feed. A field that is optional
is left out where it has its default, so that a set made before the field came keeps its digest.
"""

from array import array

from .. import tables as T
from . import lines
from .crc import crc16, digest
from .refuse import Refuse

_SPECS = (T.SETTINGS, T.SETTINGS, T.JOB, T.CALIBRATION)
_OPTIONAL = (T.SETTINGS_OPTIONAL, T.SETTINGS_OPTIONAL, T.JOB_OPTIONAL, T.CALIBRATION_OPTIONAL)
# Where a kind's fields begin in its table, and how many there are.
_FIRST = (0, T.S_MEASURED, 0, 0)
_COUNT = (T.S_MEASURED, T.S_LEN - T.S_MEASURED, T.J_LEN, len(T.CALIBRATION))


def factory_defaults(kind):
    """Settings or measured values of a board that was never given any: those of no press."""
    first = _FIRST[T.KINDS.index(kind)]
    return array("i", [T.SETTINGS[first + i][3] for i in range(_COUNT[T.KINDS.index(kind)])])


def no_jobs():
    """A jobs set without a job."""
    return [None] * (T.JOB_SLOTS + 1)


def text_lines(kind, value):
    """Canonical text of a set in force, line by line, as bytes."""
    yield bytes(kind + "\n", "ascii")
    if kind == "jobs":
        for number in range(1, T.JOB_SLOTS + 1):
            if value[number] is not None:
                for line in job_lines(value[number]):
                    yield bytes("%d." % number, "ascii") + line
    elif value is not None:
        for key, number in pairs(kind, value, 0, 99):
            yield bytes("%s=%d\n" % (key, number), "ascii")


def pairs(kind, values, at, end):
    """(key, value) of the fields `at` to `end` that a text of the set names: all but optional ones that
    have their defaults."""
    which = T.KINDS.index(kind)
    spec = _SPECS[which]
    optional = _OPTIONAL[which]
    first = _FIRST[which]
    for i in range(at, min(end, _COUNT[which])):
        name, _, _, default = spec[first + i]
        if first + i not in optional or values[i] != default:
            yield name, values[i]


def name(kind, i):
    """Name of a set's field."""
    which = T.KINDS.index(kind)
    return _SPECS[which][_FIRST[which] + i][0]


def count(kind):
    """How many fields a set has (jobs: each of them)."""
    return _COUNT[T.KINDS.index(kind)]


def job_lines(job):
    """Canonical text of one job without its number, line by line, as bytes."""
    name, fields = job
    yield bytes("name=" + name + "\n", "ascii")
    for key, number in pairs("jobs", fields, 0, 99):
        yield bytes("%s=%d\n" % (key, number), "ascii")


def digest_of(kind, value):
    """Digest of a set: CRC-32 of its canonical text, eight upper-case hex digits."""
    return digest(text_lines(kind, value))


def job_crc(job):
    """CRC-16 of a job's canonical text."""
    crc = 0xFFFF
    for line in job_lines(job):
        crc = crc16(line, crc)
    return crc


class Staged:
    """A set being made. Nothing of it is in force until it is committed."""

    def __init__(self, kind):
        self.kind = kind
        which = T.KINDS.index(kind)
        self._spec = _SPECS[which]
        self._optional = _OPTIONAL[which]
        self._first = _FIRST[which]
        self._count = _COUNT[which]
        self._values = {}  # number (0 for single sets) -> list, None where nothing was put; jobs: name last

    def put(self, fields):
        """Put the fields of one line; all or none. Returns how many. Raises Refuse."""
        number = 0
        rest = fields
        if self.kind == "jobs":
            if not fields or fields[0][0] != "slot":
                raise Refuse(T.E_MISSING_KEY, "slot")
            number = lines.integer("slot", fields[0][1], 1, T.JOB_SLOTS)
            rest = fields[1:]
        if not rest:
            raise Refuse(T.E_MISSING_KEY)
        found = []
        for key, text in rest:
            if number and key == "name":
                if not 1 <= len(text) <= T.NAME_MAX:
                    raise Refuse(T.E_OUT_OF_RANGE, "name")
                found.append((self._count, text))
                continue
            i = self._index(key)
            _, low, high, _ = self._spec[self._first + i]
            found.append((i, lines.integer(key, text, low, high)))
        values = self._values.get(number)
        if values is None:
            values = self._values[number] = [None] * (self._count + (1 if number else 0))
        for i, value in found:
            values[i] = value
        return len(found)

    def fill(self):
        """Give keys that were not put their defaults: for a file that an older firmware wrote."""
        for values in self._values.values():
            for i in range(self._count):
                if values[i] is None:
                    values[i] = self._spec[self._first + i][3]

    def result(self):
        """The whole set in the form that it has in force. Raises Refuse when something is missing."""
        if self.kind == "jobs":
            jobs = no_jobs()
            for number in sorted(self._values):
                values = self._values[number]
                self._whole(values, "%d." % number)
                jobs[number] = (values[-1], array("i", values[:-1]))
            return jobs
        values = self._values.get(0)
        if values is None:
            values = [None] * self._count
        self._whole(values, "")
        return list(values) if self.kind == "calibration" else array("i", values)

    def _whole(self, values, prefix):
        for i in range(self._count):
            if values[i] is None:
                name, _, _, default = self._spec[self._first + i]
                if self._first + i not in self._optional:
                    raise Refuse(T.E_MISSING_KEY, prefix + name)
                values[i] = default
        if values[-1] is None:
            raise Refuse(T.E_MISSING_KEY, prefix + "name")

    def _index(self, key):
        i = self._spec.place(key) - self._first
        if not 0 <= i < self._count:
            raise Refuse(T.E_UNKNOWN_KEY, key)
        return i


def from_payload(kind, payload):
    """A set from the canonical text in its file, or None when it does not read.

    Keys that this firmware does not know are left out, keys that the file lacks get their defaults: the file
    is whole (its checksum says so), so only another firmware version can be the cause.
    """
    staged = Staged(kind)
    at = payload.find(b"\n")
    if at < 0 or payload[:at] != bytes(kind, "ascii"):
        return None
    at += 1
    while at < len(payload):
        end = payload.find(b"\n", at)
        if end < 0:
            return None
        try:
            key, eq, value = str(payload[at:end], "ascii").partition("=")
        except ValueError:
            return None  # not text
        at = end + 1
        fields = [(key, value)]
        if kind == "jobs":
            number, dot, key = key.partition(".")
            fields = [("slot", number), (key, value)]
        try:
            staged.put(fields)
        except Refuse as refuse:
            if refuse.number != T.E_UNKNOWN_KEY:
                return None
    try:
        if kind != "calibration" or staged._values:
            staged.fill()
        return staged.result()
    except Refuse:
        return None
