"""Run by MicroPython: the cases and the vectors on littlefs in RAM, and power cuts at every block write.

argv[1]: cases | vectors FILE.json | cuts | memory. MICROPYPATH holds the firmware's and the cases' folders.
"""

import gc
import os
import sys

from bench import Bench, calibration_puts, job_puts, settings_puts

from steadyram_fw import tables as T

BLOCK = 512
BLOCKS = 512
SHAPE = (4, 3, 2)  # records a segment, segments, traces


class PowerCut(Exception):
    pass


class Flash:
    """A block device in RAM. With `left` >= 0 the power goes in the middle of the write after so many."""

    def __init__(self, data=None):
        self.data = bytearray(b"\xff" * (BLOCK * BLOCKS)) if data is None else data
        self.left = -1
        self.writes = 0
        self.dead = False

    def readblocks(self, block, buffer, offset=0):
        at = block * BLOCK + offset
        buffer[:] = self.data[at : at + len(buffer)]

    def writeblocks(self, block, buffer, offset=None):
        if self.dead:
            return
        at = block * BLOCK + (offset or 0)
        size = len(buffer)
        self.writes += 1
        if self.left == 0:
            # half of it got there, and from now on the device only dreams: nothing of it reaches the flash
            self.dead = True
            size //= 2
        self.left -= 1
        self.data[at : at + size] = buffer[:size]

    def ioctl(self, op, argument):
        if op == 4:
            return BLOCKS
        if op == 5:
            return BLOCK
        return 0


def mounted(flash, fresh=True):
    if fresh:
        os.VfsLfs2.mkfs(flash)
    os.mount(os.VfsLfs2(flash), "/flash")


def unmount():
    os.umount("/flash")
    gc.collect()


def cases():
    import cases_device
    import cases_sets
    import cases_store

    for module in (cases_store, cases_device, cases_sets):
        for name in sorted(dir(module)):
            if name.startswith("case_"):
                mounted(Flash())
                getattr(module, name)("/flash")
                print("ok", name)
                unmount()


def vectors(path):
    import json

    from vector_player import Player

    with open(path) as file:
        sessions = json.load(file)["session"]
    for session in sessions:
        mounted(Flash())
        Player("/flash").play(session)
        print("ok", session["name"])
        unmount()


# ---------------------------------------------------------------- power cuts
def prepare():
    """A device with everything committed and two records, as an image."""
    flash = Flash()
    mounted(flash)
    bench = Bench("/flash", SHAPE)
    bench.enable()
    bench.push("settings", settings_puts())
    bench.push("calibration", calibration_puts())
    bench.push("jobs", job_puts(1, "nut", setpoint_n=9000))
    bench.ok("use job=1")
    bench.stroke()
    bench.stroke()
    unmount()
    return flash.data


def scenario(flash, notes):
    """What is going on when the power goes; notes what was answered or stored while there was power."""
    bench = Bench("/flash", SHAPE)
    bench.enable()
    for step in range(2):
        for _ in range(2):
            stroke(flash, bench, notes)
        push(flash, bench, notes, "settings", settings_puts(capacity_n=150000 + step))
        push(flash, bench, notes, "jobs", job_puts(1, "nut", setpoint_n=9001 + step))
    bench.ok("recount")
    powered(flash)
    notes["recounted"] = True
    stroke(flash, bench, notes)


def powered(flash):
    if flash.dead:
        raise PowerCut


def stroke(flash, bench, notes):
    bench.stroke()
    powered(flash)
    assert bench.core.fault == 0
    notes["records"] += 1


def push(flash, bench, notes, kind, puts):
    bench.ok("stage kind=" + kind)
    for text in puts:
        bench.ok("put " + text)
    digest = bench.ok("check")["digest"]
    powered(flash)
    notes["trying_" + kind] = digest
    answer = bench.one("commit digest=" + digest)
    powered(flash)
    assert answer.startswith("ok"), answer
    notes[kind] = digest


def cut_at(image, left, before):
    """Cut the power at one write, boot from what is left; returns (old or new, whether recovery was told)."""
    flash = Flash(bytearray(image))
    flash.left = left
    notes = fresh_notes()
    mounted(flash, False)
    try:
        scenario(flash, notes)
    except PowerCut:
        pass
    except Exception:
        # what the dreaming device met in a flash that no longer changes is of no interest
        if not flash.dead:
            raise
    assert flash.dead
    unmount()
    mounted(Flash(flash.data), False)
    bench = Bench("/flash", SHAPE)
    keeper = bench.app.keeper
    assert bench.core.fault == 0
    outcome = "old"
    for kind in ("settings", "jobs"):
        now = keeper.digests[kind]
        if now != (notes[kind] or before[kind]):
            # committed, and the answer not sent yet
            assert now == notes["trying_" + kind], kind
            outcome = "new"
    assert keeper.digests["calibration"] == before["calibration"]
    # every record that was stored is there once, in order; at most the one being written besides
    stored = 2 + notes["records"]
    log = keeper.log
    last = log.last
    assert last in (stored, stored + 1), (last, stored)
    if last > stored:
        outcome = "new"
    assert log.first == (1 if last <= 12 else 5)
    for seq in range(log.first, last + 1):
        assert log.read(seq)[T.R_SEQ] == seq
    counted = last - 6 if notes["recounted"] else last
    assert keeper.counts[1] == counted or (keeper.counts[1] == 0 and last == 6), (keeper.counts[1], counted)
    told = len(keeper.recovered)
    # and it goes on working, on this power-up and on the next
    bench.stroke()
    assert log.last == last + 1
    bench = Bench("/flash", SHAPE)
    assert bench.app.keeper.recovered == []
    assert bench.app.keeper.log.read(last + 1)[T.R_SEQ] == last + 1
    unmount()
    return outcome, told


def cuts():
    image = prepare()
    flash = Flash(bytearray(image))
    mounted(flash, False)
    before = dict(Bench("/flash", SHAPE).app.keeper.digests)
    unmount()
    flash = Flash(bytearray(image))
    mounted(flash, False)
    scenario(flash, fresh_notes())
    unmount()
    total = flash.writes
    tally = {"old": 0, "new": 0}
    recovered = 0
    for left in range(total):
        try:
            outcome, told = cut_at(image, left, before)
        except Exception:
            print("at write", left)
            raise
        tally[outcome] += 1
        recovered += 1 if told else 0
    print("writes=%d old=%d new=%d told=%d" % (total, tally["old"], tally["new"], recovered))


def fresh_notes():
    return {
        "records": 0,
        "settings": None,
        "jobs": None,
        "trying_settings": None,
        "trying_jobs": None,
        "recounted": False,
    }


# ---------------------------------------------------------------- memory
def memory():
    """tick() with the heap locked while all that it looks at changes; then long pulls without growth."""
    from micropython import heap_lock, heap_unlock

    mounted(Flash())
    bench = Bench("/flash", (64, 8, 2))
    app = bench.app
    bench.core.live = True
    heap_lock()
    for ms in range(100000):
        inputs = T.IN_ENABLE if ms % 5000 > 2000 else ms & 63
        bench.core.record_ready = ms & 512 != 0
        app.tick(ms & 0xFFFF, inputs)
    heap_unlock()
    bench.core.live = False
    bench.core.record_ready = False
    for _ in range(500):
        bench.stroke()
    held = []
    peak = 0
    for _ in range(4):
        bench.board.out = []
        bench.board.rx = b"p1 log from=0\n"
        rows = 0
        while app.poll() or rows == 0:
            peak = max(peak, sum([len(line) for line in bench.board.out]))
            rows += len(bench.board.out)
            bench.board.out = []
        gc.collect()
        held.append(gc.mem_alloc())
    print("rows=%d longest=%d growth=%d" % (rows, peak, held[-1] - held[0]))


if sys.argv[1] == "cases":
    cases()
elif sys.argv[1] == "vectors":
    vectors(sys.argv[2])
elif sys.argv[1] == "memory":
    memory()
else:
    cuts()
