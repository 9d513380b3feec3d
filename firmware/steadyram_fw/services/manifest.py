"""Which generation of each set is the one in force, kept apart from the sets themselves.

A set's own file cannot say that it is gone, or that a newer one was there. Written after the set it names: a power cut
in between leaves a set that is newer than the manifest, and that one is in force.
"""

import struct

from .store import Cell

_ROW = "<II"  # generation, CRC-32 of the canonical text
_ROW_LEN = struct.calcsize(_ROW)

GOOD = 0
NEWER = 1  # the set is newer than the manifest: power was cut between the two
OLDER = 2  # an older copy, or another one under the same number
MISSING = 3


class Manifest:
    """Generation and CRC-32 of each kind of set. `known` is False where no copy of the file passes its checks."""

    def __init__(self, root, owner, kinds):
        self._kinds = kinds
        self._rows = {kind: (0, 0) for kind in kinds}
        self.cell = Cell(root, "manifest", owner)
        self.known = False

    def load(self):
        """Read the file."""
        payload = self.cell.load()
        # A later firmware may know more kinds: its rows follow those that are known here.
        self.known = payload is not None and len(payload) % _ROW_LEN == 0
        if self.known:
            for i in range(min(len(self._kinds), len(payload) // _ROW_LEN)):
                self._rows[self._kinds[i]] = struct.unpack(_ROW, payload[i * _ROW_LEN : (i + 1) * _ROW_LEN])
        self.cell.release()

    def gen(self, kind):
        """Generation that was last in force, 0 when there was none."""
        return self._rows[kind][0]

    def judge(self, kind, gen, crc):
        """GOOD, NEWER, OLDER or MISSING: the set that was found (gen 0 = none) against the one that was in force."""
        told, told_crc = self._rows[kind]
        if not gen:
            return MISSING if told else GOOD
        if gen < told or (gen == told and crc != told_crc):
            return OLDER
        return NEWER if gen > told else GOOD

    def put(self, kind, gen, crc):
        """Name another set without storing it."""
        self._rows[kind] = (gen, crc)

    def save(self):
        """Store it. Raises StoreError."""
        self.cell.save(b"".join([struct.pack(_ROW, *self._rows[kind]) for kind in self._kinds]))
        self.cell.release()
        self.known = True
