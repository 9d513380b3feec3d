"""An append-only sequence of fixed-size records in flash, bounded by dropping the oldest segment.

A segment is a file `<prefix><first number>`: an eight-byte head (magic, record size, CRC-16), then records. A
record is the body given, which begins with its number as 32 bits, and a CRC-32 over the body. Numbers only go
up; a segment's name carries its first number, so that none is used twice even when every record is gone.
A segment that an older firmware wrote with smaller records is read by the size in its head; one that newer
firmware wrote with larger records is counted and not read. New records go into a new segment.

Power cuts: littlefs shows an append whole or not at all; on other file systems the tail may be torn. A torn
tail is left where it is and a new segment begins, so what was whole stays readable.
"""

import struct
from array import array

from . import files
from .crc import crc16, crc32

_MAGIC = b"sdyl"
_HEAD_LEN = 8


def _head(size):
    head = struct.pack("<4sH", _MAGIC, size)
    return head + struct.pack("<H", crc16(head))


def _size_in(head, most):
    """Record size that a segment's head tells, 0 when it is none or larger than `most`."""
    if head is None or len(head) != _HEAD_LEN:
        return 0
    size = struct.unpack("<H", head[4:6])[0]
    return size if 8 < size <= most and head == _head(size) else 0


_ANY = 65535  # for counting: newer firmware's larger records are counted, and not read


class Segments:
    """`body` bytes a record, `per` records a segment, at most `keep` segments.

    After open(): `next` is the number of the next record, `torn` and `damaged` tell what the end was like.
    """

    def __init__(self, folder, prefix, body, per, keep):
        self.folder = folder
        self.prefix = prefix
        self.size = body + 4
        self.per = per
        self.keep = keep
        self.next = 1
        self.torn = False
        self.damaged = False
        # First number and count of each segment, oldest first; room for all of them from the start, so that
        # memory in use does not grow as the flash fills.
        self._firsts = array("I", bytes(4 * keep))
        self._counts = array("I", bytes(4 * keep))
        self._used = 0
        self._seal = True  # the next append begins a new segment
        self._file = None
        self._file_first = -1
        self._file_size = self.size
        self._buf = bytearray(self.size)

    def open(self, least=1):
        """Scan the folder; numbers start no lower than `least`."""
        files.make_folder(self.folder)
        self._used = 0
        self.torn = self.damaged = False
        self._seal = True
        self.next = least
        for name in files.names(self.folder):
            digits = name[len(self.prefix) :]
            if not name.startswith(self.prefix) or len(digits) != 10 or not digits.isdigit():
                continue
            path = self.folder + "/" + name
            size = _size_in(files.read(path, _HEAD_LEN), _ANY) or self.size
            whole, rest = divmod(files.size(path) - _HEAD_LEN, size)
            first = int(digits)
            if whole < 0:
                whole, rest = 0, 1
            newest = self._used - 1
            if newest >= 0 and self._firsts[newest] + self._counts[newest] > first:
                self._counts[newest] = max(0, first - self._firsts[newest])
            self._add(first, whole)
            self.torn = rest != 0
        if self._used:
            first = self._firsts[self._used - 1]
            whole = self._counts[self._used - 1]
            self.next = max(least, first + whole)
            size = _size_in(files.read(self._path(first), _HEAD_LEN), _ANY)
            # a segment of smaller or larger records is closed, not damaged
            other = size not in (0, self.size)
            unread = whole > 0 and first + whole == self.next and self.read(self.next - 1) is None
            self.damaged = size == 0 or bool(unread and not other)
            self._seal = self.torn or self.damaged or other or first + whole != self.next or whole >= self.per

    def first(self):
        """Number of the oldest record kept, 0 when there is none."""
        for i in range(self._used):
            if self._counts[i]:
                return self._firsts[i]
        return 0

    def last(self):
        """Number of the newest record, 0 when there is none."""
        for i in range(self._used - 1, -1, -1):
            if self._counts[i]:
                return self._firsts[i] + self._counts[i] - 1
        return 0

    def append(self, body):
        """Store one record; returns True when it began a new segment. Raises OSError."""
        return self.append_all((body,))

    def append_all(self, bodies):
        """Store records in one go as far as they share a segment; the first one's number must be `next`."""
        self.close()
        at = 0
        began = False
        while at < len(bodies):
            newest = self._used - 1
            if not self._seal and newest >= 0 and self._counts[newest] < self.per:
                room = self.per - self._counts[newest]
                head = b""
            else:
                self._drop_oldest()
                room = self.per
                head = _head(self.size)
                # a torn segment that never got a whole record has this very name
                if self._used and self._firsts[self._used - 1] == self.next:
                    self._used -= 1
                began = True
            some = bodies[at : at + room]
            self._seal = True  # until the write is known to be whole
            path = self._path(self.next if head else self._firsts[newest])
            with open(path, "wb" if head else "ab") as file:
                if head:
                    file.write(head)
                for body in some:
                    file.write(body)
                    file.write(struct.pack("<I", crc32(body)))
            if head:
                self._add(self.next, 0)
            self._counts[self._used - 1] += len(some)
            self.next += len(some)
            self._seal = False
            at += len(some)
        return began

    def read(self, number):
        """Body of a record as a memoryview that the next read overwrites, or None (gone or damaged)."""
        for i in range(self._used - 1, -1, -1):
            first = self._firsts[i]
            if first <= number:
                if number >= first + self._counts[i]:
                    return None
                break
        else:
            return None
        try:
            if self._file_first != first:
                self.close()
                file = open(self._path(first), "rb")
                self._file = file
                self._file_first = first
                self._file_size = _size_in(file.read(_HEAD_LEN), self.size)
                if not self._file_size:
                    self.close()
                    return None
            size = self._file_size
            self._file.seek(_HEAD_LEN + (number - first) * size)
            view = memoryview(self._buf)[:size]
            if self._file.readinto(view) != size:
                return None
        except OSError:
            self.close()
            return None
        end = size - 4
        if struct.unpack_from("<I", self._buf, end)[0] != crc32(view[:end]):
            return None
        if struct.unpack_from("<I", self._buf, 0)[0] != number:
            return None
        return view[:end]

    def close(self):
        """Let go of the file kept open for reading."""
        if self._file is not None:
            self._file.close()
        self._file = None
        self._file_first = -1

    def make_room(self):
        """Remove the oldest segment unless it is the only one."""
        self.close()
        if self._used > 1:
            files.remove(self._path(self._firsts[0]))
            self._forget_oldest()

    def _path(self, first):
        return "%s/%s%010d" % (self.folder, self.prefix, first)

    def _add(self, first, count):
        if self._used == len(self._firsts):
            # only where the flash holds more segments than are kept now
            self._firsts.append(first)
            self._counts.append(count)
        else:
            self._firsts[self._used] = first
            self._counts[self._used] = count
        self._used += 1

    def _forget_oldest(self):
        self._used -= 1
        for i in range(self._used):
            self._firsts[i] = self._firsts[i + 1]
            self._counts[i] = self._counts[i + 1]

    def _drop_oldest(self):
        while self._used >= self.keep:
            files.remove(self._path(self._firsts[0]))
            self._forget_oldest()
