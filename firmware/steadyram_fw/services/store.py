"""One value in flash that a power cut leaves old or new, never mixed.

Each value lives in two files, `name.a` and `name.b`. A new generation is written to `name.new`, read back,
then renamed over the older of the two; the other stays as the fallback. What is loaded is the valid file with
the highest generation. Layout of a file, little endian:

    magic "sdyr" | format 1 | owner | generation | length | note | payload | CRC-32 of all before
"""

import os
import struct

from . import files
from .crc import crc32

_MAGIC = b"sdyr"
_FORMAT = 1
_HEAD = "<4sHHIII"
_HEAD_LEN = struct.calcsize(_HEAD)
_LIMIT = 16384


class StoreError(Exception):
    """The flash did not take it; the old value is still the one in force."""


class Cell:
    """A value with generations.

    `owner` is a 16-bit mark of the board: a file of another board is read but reported as foreign.
    After load(): `gen`, `note`, `payload` (None = nothing valid), `foreign` and `trouble`, which is
    "" or a word for the record of changes: "older" (newest file damaged, the one before it is in force),
    "lost" (files are there and none is valid), "cut" (a write was cut off before it counted).
    """

    def __init__(self, root, name, owner=0):
        self.name = name
        self.owner = owner
        self.gen = 0
        self.note = 0
        self.payload = None
        self.foreign = False
        self.trouble = ""
        self._path = root + "/" + name
        self._good = "b"

    def load(self):
        """Find the value in force; returns the payload or None."""
        best = None
        damaged = 0
        highest = 0
        for side in "ab":
            data = files.read(self._path + "." + side, _LIMIT)
            if data is None:
                continue
            found = _unpack(data)
            if found is None:
                damaged += 1
            elif best is None or found[1] > best[1]:
                best = found
                self._good = side
        self.trouble = ""
        if best is not None:
            owner, highest, self.note, self.payload = best
            self.foreign = owner != self.owner
            if damaged:
                self.trouble = "older"
        else:
            self.payload = None
            if damaged:
                self.trouble = "lost"
        # a damaged file may have held the next number: leave that one out so that none is used twice
        self.gen = highest
        self._skip = 1 if damaged else 0
        if files.remove(self._path + ".new") and not self.trouble:
            self.trouble = "cut"
        return self.payload

    _skip = 0

    def leave_out(self, gen):
        """Give the next value a generation above `gen`: that number was used before."""
        if gen - self.gen > self._skip:
            self._skip = gen - self.gen

    def save(self, payload, note=0):
        """Make `payload` the value in force; returns its generation. Raises StoreError."""
        gen = self.save_pieces(lambda: (payload,), note)
        self.payload = payload
        return gen

    def save_pieces(self, pieces, note=0):
        """The same for a payload in pieces: pieces() gives an iterator over them, twice. It is not kept.

        On a heap that has been in use for a while there may be no room in one piece for a large one.
        """
        gen = self.gen + 1 + self._skip
        length = 0
        for piece in pieces():
            length += len(piece)
        head = struct.pack(_HEAD, _MAGIC, _FORMAT, self.owner, gen, length, note)
        new = self._path + ".new"
        side = "a" if self._good == "b" else "b"
        try:
            with open(new, "wb") as file:
                file.write(head)
                crc = crc32(head)
                for piece in pieces():
                    file.write(piece)
                    crc = crc32(piece, crc)
                file.write(struct.pack("<I", crc))
            if not _is_as_written(new, head, length, crc):
                raise OSError("read back wrong")
            os.rename(new, self._path + "." + side)
        except OSError as error:
            files.remove(new)
            raise StoreError(self.name + ": " + str(error))
        self._good = side
        self._skip = 0
        self.gen = gen
        self.note = note
        self.payload = None
        self.foreign = False
        return gen

    def release(self):
        """Let go of the payload's memory; the files stay."""
        self.payload = None


def _is_as_written(path, head, length, crc):
    """True if the file reads back with this head, so long a payload and this checksum, a few bytes at a time."""
    if files.size(path) != _HEAD_LEN + length + 4 or _HEAD_LEN + length + 4 > _LIMIT:
        return False
    with open(path, "rb") as file:
        if file.read(_HEAD_LEN) != head:
            return False
        seen = crc32(head)
        while length:
            piece = file.read(min(length, 128))
            if not piece:
                return False
            seen = crc32(piece, seen)
            length -= len(piece)
        return seen == crc and file.read(4) == struct.pack("<I", crc)


def _unpack(data):
    """(owner, generation, note, payload) of a whole valid file, or None."""
    if len(data) < _HEAD_LEN + 4:
        return None
    magic, form, owner, gen, length, note = struct.unpack(_HEAD, data[:_HEAD_LEN])
    if magic != _MAGIC or form != _FORMAT or len(data) != _HEAD_LEN + length + 4:
        return None
    end = _HEAD_LEN + length
    if struct.unpack("<I", data[end:])[0] != crc32(data[:end]):
        return None
    return owner, gen, note, data[_HEAD_LEN:end]
