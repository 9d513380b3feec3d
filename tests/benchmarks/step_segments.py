# mypy: ignore-errors
"""Run by MicroPython under callgrind: a tape in segments, each ended by a call that callgrind dumps at.

argv: tape, first step that is looked at. A step in which the state changes, or a record is made, is a segment of
its own; the steps between two such are one. Prints one line a segment: state at its start, steps, 1 if single.
The first line stands for the loop without the call of step(): state -1.
"""

import gc
import sys
from array import array

import tape_replay
from tape_replay import STEP, heap_lock, heap_unlock

from micropython import stack_use

MOST = 4000


class Marks(tape_replay.Player):
    """First pass: which steps are singled out."""

    def __init__(self, first):
        super().__init__()
        self.first = first
        self.single = bytearray(1 << 16)

    def steps_of(self, data, count):
        core = self.core
        for i in range(count):
            at = STEP * i
            before = core.state
            ready = core.record_ready
            core.step(
                data[at] | data[at + 1] << 8,
                data[at + 4] | data[at + 5] << 8,
                data[at + 2] | data[at + 3] << 8,
            )
            n = self.steps - self.first
            if n >= 0 and (core.state != before or core.record_ready != ready):
                self.single[n >> 3] |= 1 << (n & 7)
            self.steps += 1

    def item(self, kind, count, file, data):
        if kind == tape_replay.STEPS:
            file.readinto(memoryview(data)[: STEP * count])
            self.steps_of(data, count)
            file.read(4)
        elif kind == tape_replay.RESULT:
            # Arrays are not compared: that was proved elsewhere.
            file.read(4 * count)
        else:
            super().item(kind, count, file, data)


class Counted(Marks):
    """Second pass: with the heap locked, as in a hard interrupt."""

    def __init__(self, first, single, empty):
        super().__init__(first)
        self.single = single
        self.empty = empty
        self.segments = array("h", [0] * (3 * MOST))
        self.n = 0
        self.length = 0

    def end(self, state, single):
        """Close the segment that runs."""
        if self.length:
            stack_use()
            at = 3 * self.n
            self.segments[at] = state
            self.segments[at + 1] = self.length
            self.segments[at + 2] = single
            self.n += 1
            self.length = 0

    def steps_of(self, data, count):
        core = self.core
        step = core.step
        single = self.single
        empty = self.empty
        n = self.steps - self.first
        state = core.state
        heap_lock()
        for i in range(count):
            at = STEP * i
            counts = data[at] | data[at + 1] << 8
            place = data[at + 2] | data[at + 3] << 8
            inputs = data[at + 4] | data[at + 5] << 8
            alone = n >= 0 and single[n >> 3] & 1 << (n & 7)
            if alone:
                self.end(state, 0)
            if not empty:
                step(counts, inputs, place)
            n += 1
            self.length += 1
            if n == 0:
                self.end(state, 0)
            elif alone:
                self.end(state, 1)
                state = core.state
        self.end(state, 0)
        heap_unlock()
        self.steps += count


def main(path, first):
    marks = Marks(first)
    tape_replay.play(path, marks)
    data = bytes(STEP * 200)
    idle = Counted(1 << 20, marks.single, True)
    idle.core = marks.core
    counted = Counted(first, marks.single, False)
    gc.collect()
    stack_use()
    idle.steps_of(data, 200)
    tape_replay.play(path, counted)
    print(-1, 200, 0)
    for i in range(counted.n):
        print(*counted.segments[3 * i : 3 * i + 3])


main(sys.argv[1], int(sys.argv[2]))
