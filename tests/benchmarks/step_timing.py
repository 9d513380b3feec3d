# mypy: ignore-errors
"""Run by MicroPython: the time of every step of a tape, by state.

argv: tape, rounds, first step that is timed; prints one line a state: number, steps, mean ns, worst ns. Each step
counts with the least of its times over all rounds, because the PC has other things to do in between. rounds = 0:
only play the tape (for counting instructions from outside).
"""

import gc
import sys
import time
from array import array

import tape_replay
from tape_replay import STEP, heap_lock, heap_unlock


class Bare(tape_replay.Player):
    """Nothing but steps, so that what is counted from outside is theirs."""

    def steps_of(self, data, count):
        step = self.core.step
        # as in a hard interrupt: with an open heap, a call of a large function looks for room on it first
        heap_lock()
        for at in range(0, STEP * count, STEP):
            step(
                data[at] | data[at + 1] << 8,
                data[at + 4] | data[at + 5] << 8,
                data[at + 2] | data[at + 3] << 8,
            )
        heap_unlock()
        self.steps += count

    def item(self, kind, count, file, data):
        if kind == tape_replay.STEPS:
            file.readinto(memoryview(data)[: STEP * count])
            self.steps_of(data, count)
            file.read(4)
        else:
            super().item(kind, count, file, data)


class Timed(tape_replay.Player):
    """Times each step; `best` keeps the least of all rounds."""

    def __init__(self, best, states, first):
        super().__init__()
        self.best = best
        self.states = states
        self.first = first

    def steps_of(self, data, count):
        step = self.core.step
        clock = time.time_ns
        for i in range(count):
            at = STEP * i
            counts = data[at] | data[at + 1] << 8
            place = data[at + 2] | data[at + 3] << 8
            inputs = data[at + 4] | data[at + 5] << 8
            n = self.steps - self.first
            self.steps += 1
            if n < 0 or n >= len(self.best):
                out = step(counts, inputs, place)
            else:
                self.states[n] = self.core.state
                heap_lock()
                began = clock()
                out = step(counts, inputs, place)
                took = (clock() - began) // 8
                heap_unlock()
                if took < self.best[n]:
                    self.best[n] = took if took > 0 else 0
            self.digest = tape_replay.fold(self.digest, self.core)
            if out != data[at + 6]:
                raise tape_replay.Differs("step %d" % self.steps)


def main(path, rounds, first):
    if rounds == 0:
        print(tape_replay.play(path, Bare()).steps)
        return
    best = array("H", [65535] * 60000)
    states = bytearray(len(best))
    for _ in range(rounds):
        gc.collect()
        player = Timed(best, states, first)
        tape_replay.play(path, player)
    clock = time.time_ns
    empty = 65535
    for _ in range(1000):
        began = clock()
        empty = min(empty, (clock() - began) // 8)
    used = min(player.steps - first, len(best))
    for state in range(11):
        steps = 0
        total = 0
        worst = 0
        for n in range(used):
            if states[n] == state:
                steps += 1
                total += best[n] - empty
                worst = max(worst, best[n] - empty)
        if steps:
            print(state, steps, 8 * total // steps, 8 * worst)


main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]))
