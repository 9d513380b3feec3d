"""Run by MicroPython: a long scenario on real littlefs, and boots from what a power cut leaves of it.

    tape OUT.tape OUT.json        play the scenario once; every program and erase of the flash goes on the tape
    cuts TAPE JSON FROM TO SEED   for each entry of the tape: the power goes before it, and in the middle of it

The flash behaves like NOR: erasing sets bits, programming only clears them. An entry that is cut in the middle
leaves a prefix of itself, a prefix and garbage, or bits that are half-way between old and new. What is left is
mounted by the same VfsLfs2 and booted by the same App; the checks are in `judge`.
"""

import gc
import json
import os
import struct
import sys

from bench import Bench, calibration_puts, job_puts, settings_puts

from steadyram_fw import tables as T
from steadyram_fw.services.crc import crc32

BLOCK = 4096
BLOCKS = 96
SHAPE = (8, 4, 5)  # records a segment, segments, traces
KINDS = ("settings", "jobs", "calibration")
PROGRAM = 1
ERASE = 2


class Flash:
    def __init__(self, data=None, tape=None):
        self.data = bytearray(b"\xff" * (BLOCK * BLOCKS)) if data is None else data
        self.tape = tape
        self.entries = 0

    def readblocks(self, block, buffer, offset=0):
        at = block * BLOCK + offset
        buffer[:] = memoryview(self.data)[at : at + len(buffer)]

    def writeblocks(self, block, buffer, offset=0):
        self.entries += 1
        if self.tape is not None:
            self.tape.write(struct.pack("<BHHH", PROGRAM, block, offset, len(buffer)))
            self.tape.write(buffer)
        program(self.data, block * BLOCK + offset, buffer)

    def ioctl(self, op, argument):
        if op == 4:
            return BLOCKS
        if op == 5:
            return BLOCK
        if op == 6:
            self.entries += 1
            if self.tape is not None:
                self.tape.write(struct.pack("<BHHH", ERASE, argument, 0, 0))
            erase(self.data, argument)
        return 0


def program(data, at, new):
    old = int.from_bytes(memoryview(data)[at : at + len(new)], "little")
    data[at : at + len(new)] = (old & int.from_bytes(new, "little")).to_bytes(len(new), "little")


def erase(data, block):
    data[block * BLOCK : (block + 1) * BLOCK] = b"\xff" * BLOCK


def mount(flash):
    """Mount, formatting what is no file system, as the boards do; True when it had to be formatted."""
    made = False
    try:
        files = os.VfsLfs2(flash)
    except OSError:
        os.VfsLfs2.mkfs(flash)
        files = os.VfsLfs2(flash)
        made = True
    os.mount(files, "/flash")
    return made


def unmount():
    os.umount("/flash")
    gc.collect()


# ---------------------------------------------------------------- the scenario
class Player:
    """Plays the scenario and notes, with the place on the tape, what a host or a person was told."""

    def __init__(self, flash):
        self.flash = flash
        self.notes = []
        self.tried = {}
        self.crcs = []
        mount(flash)
        self.note("formatted", None)
        self.power_up()

    def power_up(self):
        self.bench = Bench("/flash", SHAPE)
        self.note("boot", None)
        self.bench.settle()
        self.note("booted", self.bench)

    def power_off(self):
        unmount()
        mount(self.flash)

    def note(self, what, bench):
        entry = {"at": self.flash.entries, "what": what}
        if bench is not None:
            keeper = bench.app.keeper
            entry["digests"] = dict(keeper.digests)
            entry["gens"] = {kind: keeper.gen(kind) for kind in KINDS}
            entry["last"] = keeper.log.last
            entry["first"] = keeper.log.first
            entry["active"] = keeper.active
            entry["counts"] = list(keeper.counts)
            entry["learned"] = {str(n): (keeper.learned_of(n) or [0])[0] for n in range(1, T.JOB_SLOTS + 1)}
            entry["changes"] = keeper.changes.last
            entry["boot"] = keeper.boot
        self.notes.append(entry)

    def stroke(self, stop=T.STOP_SETPOINT, flags=T.FLAG_CUTOFF):
        bench = self.bench
        seq = bench.app.keeper.log.next
        bench.core.trace[0] = seq & 0xFFFF
        bench.core.trace_len = 60 + seq % 41
        bench.stroke(stop, flags)
        assert bench.core.fault == 0
        self.crcs.append(record_crc(bench.app.keeper.log.read(seq)))
        self.note("stroke", bench)

    def push(self, kind, puts):
        bench = self.bench
        if kind == "calibration":
            bench.unseal()
            bench.settle()
            self.note("unsealed", bench)
        elif not bench.app.access.enabled:
            bench.enable()
        bench.push(kind, puts)
        bench.settle()
        self.note("push " + kind, bench)

    def ok(self, text):
        if not self.bench.app.access.enabled:
            self.bench.enable()
        self.bench.ok(text)
        self.bench.settle()
        self.note(text, self.bench)

    def play(self, rounds):
        self.push("settings", settings_puts())
        self.push("calibration", calibration_puts())
        self.push("jobs", jobs(9000, 40000))
        self.ok("use job=1")
        for n in range(rounds):
            for _ in range(5):
                self.stroke()
            self.stroke(T.STOP_PEDAL)
            self.push("jobs", jobs(9001 + n, 40000 + 100 * n))
            if n % 2:
                self.ok("use job=%d" % (4 if self.bench.app.keeper.active == 1 else 1))
            if n % 3 == 0:
                self.bench.board.turns = 2
                self.bench.run(1600)
                self.bench.settle()
                self.note("knob", self.bench)
            if n % 4 == 1:
                self.ok("recount")
                self.ok("forget job=4")
            if n % 4 == 2:
                self.push("settings", settings_puts(capacity_n=150000 + n))
                self.push("calibration", calibration_puts(serial=8 + n))
            if n % 3 == 2:
                self.power_off()
                self.power_up()
        self.stroke()


def jobs(one, four):
    return job_puts(1, "nut", setpoint_n=one, batch=50) + job_puts(4, "die", setpoint_n=four)


def record_crc(values):
    return crc32(bytes(str(tuple(values)), "ascii"))


def make_tape(tape_path, notes_path, rounds):
    with open(tape_path, "wb") as tape:
        flash = Flash(None, tape)
        player = Player(flash)
        player.play(rounds)
        unmount()
    with open(notes_path, "w") as file:
        json.dump({"entries": flash.entries, "notes": player.notes, "crcs": player.crcs}, file)
    print("entries=%d records=%d" % (flash.entries, len(player.crcs)))


# ---------------------------------------------------------------- cuts
class Random:
    def __init__(self, seed):
        self.state = (seed * 2654435761 + 12345) & 0x3FFFFFFF

    def below(self, n):
        self.state = (self.state * 1103515245 + 12345) & 0x3FFFFFFF
        return (self.state >> 7) % n

    def bytes(self, n):
        return bytes([self.below(256) for _ in range(n)])


HOW = ("prefix", "prefix-garbage", "half-way")


def tear(data, entry, how, random):
    """What a cut in the middle of an entry leaves."""
    kind, block, offset, new = entry
    if kind == ERASE:
        at = block * BLOCK
        size = BLOCK
    else:
        at = block * BLOCK + offset
        size = len(new)
    part = 1 + random.below(size - 1) if size > 1 else 1
    if how == "prefix":
        if kind == ERASE:
            data[at : at + part] = b"\xff" * part
        else:
            program(data, at, new[:part])
    elif how == "prefix-garbage":
        tail = min(size - part, 1 + random.below(64))
        if kind == ERASE:
            data[at : at + part] = b"\xff" * part
            data[at + part : at + part + tail] = random.bytes(tail)
        else:
            program(data, at, new[:part])
            program(data, at + part, random.bytes(tail))
    else:
        # each bit got there or did not
        mask = int.from_bytes(random.bytes(min(size, 128)) * (size // min(size, 128) + 1), "little")
        mask &= (1 << 8 * size) - 1
        old = int.from_bytes(memoryview(data)[at : at + size], "little")
        value = old | mask if kind == ERASE else old & (int.from_bytes(new, "little") | mask)
        data[at : at + size] = value.to_bytes(size, "little")


def judge(data, before, after, crcs, tally):
    """Boot from an image; `before` is the last thing told before the cut, `after` the next."""
    flash = Flash(data)
    formatted = mount(flash)
    try:
        if formatted:
            assert before is None, "formatted anew"
        bench = Bench("/flash", SHAPE)
        keeper = bench.app.keeper
        assert bench.core.fault == 0, "fault %d" % bench.core.fault
        told = [what + ":" + words for what, words in keeper.recovered]
        outcome = "old"
        if before is not None:
            outcome = against(bench, before, after, crcs)
        # it goes on working: what was recovered gets into the record of changes, the next stroke a new number
        last = keeper.log.last
        bench.settle()
        first_change = keeper.changes.last
        for what, words in keeper.recovered:
            found = False
            for seq in range(max(1, first_change - 20), first_change + 1):
                row = keeper.changes.read(seq)
                found = found or (row is not None and row[5] == "recovered." + what and row[7] == words)
            assert found, "recovery not recorded: " + what
        following = keeper.log.next
        assert following > last, "number used twice"
        if before is not None:
            assert following > before["last"], "number used twice"
            assert keeper.boot > before["boot"] or before["boot"] == 0, "power-up counted twice"
        bench.stroke()
        assert keeper.log.last == following
        bench = Bench("/flash", SHAPE)
        assert bench.app.keeper.recovered == [], "recovered twice"
        assert bench.app.keeper.log.read(following)[T.R_SEQ] == following
        assert bench.app.keeper.log.trace(following) is not None
    finally:
        unmount()
    tally[outcome] = tally.get(outcome, 0) + 1
    for words in told:
        tally["told " + words] = tally.get("told " + words, 0) + 1
    if told:
        tally["told"] = tally.get("told", 0) + 1


def against(bench, before, after, crcs):
    """ "old", "new" or "between" (a part of `after` that stands by itself came through). Raises AssertionError."""
    keeper = bench.app.keeper
    after = after or before
    new = 0
    old = 0
    for kind in KINDS:
        now = keeper.digests[kind]
        assert now in (before["digests"][kind], after["digests"][kind]), kind + " is neither old nor new"
        if before["digests"][kind] != after["digests"][kind]:
            if now == after["digests"][kind]:
                new += 1
                bench.settle()
                assert_change_recorded(keeper, kind)
            else:
                old += 1
    last = keeper.log.last
    assert last in (before["last"], after["last"]), "record lost: %d, %d" % (last, before["last"])
    if before["last"] != after["last"]:
        if last == after["last"]:
            new += 1
        else:
            old += 1
    first = keeper.log.first
    assert first in (before["first"], after["first"]), "first record %d" % first
    for seq in range(max(1, first), last + 1):
        record = keeper.log.read(seq)
        assert record is not None, "record %d unreadable" % seq
        assert record[T.R_SEQ] == seq, "record %d misplaced" % seq
        assert record_crc(record) == crcs[seq - 1], "record %d differs" % seq
    if last:
        found = keeper.log.trace(last)
        assert found is not None, "no trace of %d" % last
        assert found[2][0] == last & 0xFFFF, "trace of %d" % last
        assert len(found[2]) == 60 + last % 41
    assert keeper.active in (before["active"], after["active"]), "active job"
    for n in range(1, T.JOB_SLOTS + 1):
        pair = (before["counts"][n], after["counts"][n])
        assert keeper.counts[n] in pair, "count of %d: %d not in %s" % (n, keeper.counts[n], pair)
        learned = (keeper.learned_of(n) or [0])[0]
        pair = (before["learned"][str(n)], after["learned"][str(n)])
        if learned not in pair:
            # what was learned belonged to a set that has gone: reset, and the next record says so
            assert learned == 0, "learned of %d: %d not in %s" % (n, learned, pair)
            assert keeper.learned_reset, "learned of %d reset and not told" % n
    assert keeper.changes.last >= before["changes"], "record of changes shorter"
    return "between" if new and old else "new" if new else "old"


def assert_change_recorded(keeper, kind):
    told = "gen %d" % keeper.gen(kind)
    last = keeper.changes.last
    for seq in range(max(keeper.changes.first, last - 60), last + 1):
        row = keeper.changes.read(seq)
        if row is not None and row[5] == kind and (row[7] == told or row[7].startswith(told + " ")):
            return
    raise AssertionError("change of %s not recorded" % kind)


def entries(path, upto):
    with open(path, "rb") as file:
        for _ in range(upto):
            kind, block, offset, size = struct.unpack("<BHHH", file.read(7))
            yield kind, block, offset, file.read(size) if size else b""


def cuts(tape_path, notes_path, start, end, seed, step):
    with open(notes_path) as file:
        told = json.load(file)
    notes = told["notes"]
    data = bytearray(b"\xff" * (BLOCK * BLOCKS))
    tally = {}
    cases = 0
    at = 0
    for entry in entries(tape_path, min(end, told["entries"])):
        if at >= start and at % step == 0:
            before = None
            after = None
            for note in notes:
                if "digests" not in note:
                    continue
                if note["at"] <= at:
                    before = note
                elif after is None:
                    after = note
            random = Random(seed * 100003 + at)
            ways = ("before",) + HOW  # noqa: RUF005
            for how in ways:
                image = bytearray(data)
                if how != "before":
                    tear(image, entry, how, random)
                try:
                    judge(image, before if formatted_by(notes, at) else None, after, told["crcs"], tally)
                except Exception as error:
                    print(
                        "failed entry=%d how=%s kind=%d after=%s"
                        % (at, how, entry[0], before and before["what"])
                    )
                    sys.print_exception(error)
                    tally["failed"] = tally.get("failed", 0) + 1
                    forget_mount()
                cases += 1
                tally["cut " + how] = tally.get("cut " + how, 0) + 1
                kind = "cases at erase" if entry[0] == ERASE else "cases at program"
                tally[kind] = tally.get(kind, 0) + 1
        kind, block, offset, new = entry
        if kind == ERASE:
            erase(data, block)
        else:
            program(data, block * BLOCK + offset, new)
        at += 1
    tally["cases"] = cases
    print("tally " + json.dumps(tally))


def forget_mount():
    """A failed case may have left the file system mounted."""
    try:  # noqa: SIM105
        os.umount("/flash")
    except OSError:
        pass


def formatted_by(notes, at):
    """True when the file system was whole and a first boot had been noted before the cut."""
    for note in notes:
        if "digests" in note:
            return note["at"] <= at
    return False


if sys.argv[1] == "tape":
    make_tape(sys.argv[2], sys.argv[3], int(sys.argv[4]))
else:
    first, beyond, seed, step = [int(word) for word in sys.argv[4:8]]
    cuts(sys.argv[2], sys.argv[3], first, beyond, seed, step)
