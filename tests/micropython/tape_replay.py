# mypy: ignore-errors
"""Run by any Python, MicroPython above all: play a tape into the control core, with the heap locked in each step.

A tape is what a recorded press run fed to the core: steps (reading, levels, the outputs that were given) and
what services told it in between. Every step must give the recorded outputs, and the digest of all that the core
shows must be the recorded one. `make_tape.py` writes tapes; both sides use the functions here.

Layout: b"SRT2"; then items. Item: kind u8, count u16; STEPS: count times (counts u16, place u16, inputs u16,
outputs u8), then the running digest u32; others: count values i32; RESULT: one value, the digest of arrays.
"""

import binascii
import struct
from array import array

from steadyram_fw.core.controller import Controller
from steadyram_fw.core.job_model import LEARNED_LEN

try:
    from micropython import heap_lock, heap_unlock

    LOCKS = True
except ImportError:
    LOCKS = False

    def heap_lock():
        return 0

    def heap_unlock():
        return 0


STEPS, BOOT, CONFIGURE, CALIBRATE, CHOOSE, STORED, PROBE, ZERO, FAULT, CLEAR, FORGET, DISARM, RESULT = range(
    13
)
CHUNK = 512  # steps at most in one item
STEP = 7  # bytes of one
HEAD = "<BH"


def fold(digest, core):
    """Running digest over the scalars that a step leaves; stays within 31 bits and allocates nothing."""
    digest = (digest * 5 ^ core.force_n) & 0x3FFFFFF
    digest = (digest * 3 ^ core.peak_n << 1) & 0x3FFFFFF
    return (digest * 3 ^ core.state << 4 ^ core.stop ^ core.fault << 8 ^ core.refusal << 12) & 0x3FFFFFF


def digest_of_arrays(core):
    """CRC-32 over everything that is an array: the record, what was learned, pulses and traces."""
    digest = 0
    for data in (core.record, core.learned, core.pulse_log, core.trace, core.fine):
        digest = binascii.crc32(bytes(data), digest)
    return digest & 0x3FFFFFFF


class Differs(Exception):
    pass


class Player:
    """Holds the core and the digest while a tape goes by."""

    def __init__(self):
        self.core = None
        self.digest = 0
        self.steps = 0
        self.at = -1
        self.learned = None
        self.busy = array("i", [0] * 16)

    def watch(self, on):
        """Steps begin or end; for whoever watches them more closely than the heap does."""

    def steps_of(self, data, count):
        """Play `count` steps of `data` with the heap locked. Raises Differs or MemoryError."""
        core = self.core
        step = core.step
        busy = self.busy
        digest = self.digest
        wrong = -1
        out = 0
        at = 0
        failed = True
        self.watch(True)
        heap_lock()
        try:
            for i in range(count):
                at = STEP * i
                busy[core.state] += 1
                out = step(
                    data[at] | data[at + 1] << 8,
                    data[at + 4] | data[at + 5] << 8,
                    data[at + 2] | data[at + 3] << 8,
                )
                digest = fold(digest, core)
                if out != data[at + 6]:
                    wrong = i
                    break
            failed = False
        finally:
            heap_unlock()
            self.watch(False)
            if failed:
                self.at = self.steps + at // STEP
        self.digest = digest
        if wrong >= 0:
            raise Differs(
                "step %d gave outputs %d, on the tape they are %d" % (self.steps + wrong, out, data[at + 6])
            )
        self.steps += count

    def item(self, kind, count, file, data):
        if kind == STEPS:
            view = memoryview(data)[: STEP * count]
            file.readinto(view)
            self.steps_of(data, count)
            expected = struct.unpack("<I", file.read(4))[0]
            if self.digest != expected:
                raise Differs(
                    "the digest after step %d is %d, on the tape it is %d"
                    % (self.steps, self.digest, expected)
                )
            return
        values = array("i", struct.unpack("<%di" % count, file.read(4 * count)))
        core = self.core
        if kind == RESULT:
            found = digest_of_arrays(core)
            if found != values[0]:
                raise Differs(
                    "record, learned state or traces differ before step %d: %d, on the tape %d"
                    % (self.steps, found, values[0])
                )
        else:
            tell(self, kind, values)


def tell(player, kind, values):
    """What services did between steps."""
    core = player.core
    if kind == BOOT:
        player.core = Controller()
    elif kind == CONFIGURE:
        core.configure(values)
    elif kind == CALIBRATE:
        core.calibrate(values if len(values) else None)
    elif kind == CHOOSE:
        player.learned = array("i", values[1 : 1 + LEARNED_LEN])
        core.choose(values[0], values[1 + LEARNED_LEN :], player.learned)
    elif kind == STORED:
        core.record_stored()
    elif kind == PROBE:
        core.arm_probe(*values)
    elif kind == ZERO:
        core.take_zero()
    elif kind == FAULT:
        core.raise_fault(values[0])
    elif kind == CLEAR:
        core.clear_fault()
    elif kind == DISARM:
        core.disarm()
    elif kind == FORGET:
        core.reset_learning()
    else:
        raise ValueError("kind %d" % kind)


def play(path, player=None):
    """Play one tape; returns the player. Raises Differs, or MemoryError with `player.at` the step."""
    if player is None:
        player = Player()
    data = bytearray(STEP * CHUNK)
    with open(path, "rb") as file:
        if file.read(4) != b"SRT2":
            raise ValueError(path + " is not a tape")
        while True:
            head = file.read(3)
            if len(head) < 3:
                return player
            kind, count = struct.unpack(HEAD, head)
            player.item(kind, count, file, data)


def report(path):
    """Play one tape and print one line: what came of it."""
    player = Player()
    try:
        play(path, player)
    except MemoryError:
        print("allocated step=%d state=%d" % (player.at, player.core.state))
    except Differs as difference:
        print("differs " + str(difference))
    else:
        lock = "locked" if LOCKS else "unlocked"
        print("ok steps=%d digest=%d heap=%s" % (player.steps, player.digest, lock))


def main(paths):
    for path in paths:
        report(path)


if __name__ == "__main__":
    import sys

    main(sys.argv[1:])
