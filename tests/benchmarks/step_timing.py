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


class Bare(tape_replay.Player):
    """Nothing but steps, so that what is counted from outside is theirs."""

    def steps_of(self, data, count):
        step = self.core.step
        for at in range(0, 4 * count, 4):
            step(data[at] | data[at + 1] << 8, data[at + 2])
        self.steps += count

    def item(self, kind, count, file, data):
        if kind == tape_replay.STEPS:
            file.readinto(memoryview(data)[: 4 * count])
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
            at = i << 2
            counts = data[at] | data[at + 1] << 8
            inputs = data[at + 2]
            n = self.steps - self.first
            self.steps += 1
            if n < 0 or n >= len(self.best):
                out = step(counts, inputs)
            else:
                self.states[n] = self.core.state
                began = clock()
                out = step(counts, inputs)
                took = (clock() - began) // 8
                if took < self.best[n]:
                    self.best[n] = took if took > 0 else 0
            self.digest = tape_replay.fold(self.digest, self.core)
            if out != data[at + 3]:
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
