"""Run by MicroPython: the firmware for days of virtual time over littlefs, with memory watched.

argv: flash image, blocks, seed, hours, minutes of work a day, minutes between samples, seconds skipped for each
second at rest, restart each day (0 or 1).

How time is counted: while someone works, every millisecond is one real tick() of the application (and a poll()).
Outside working hours one second runs as real ticks and for so many after it the firmware's clocks are set forward.
Lines printed: `sample key=value ...` every so many virtual minutes, taken after a collection; `end ...`.

The plant is a few integers: it exists to give the firmware strokes, not to be true.
"""

import gc
import os
import sys
import time

from steadyram_fw import tables as T
from steadyram_fw.app import App
from steadyram_fw.services.lines import seal

BLOCK = 4096
GAP_UM = 5000
ZERO = 6560
REST = T.IN_ESTOP_OK
ACK_MS = 400
COUNTS_A_UM = 5


class Flash:
    """Blocks in a file, so that the heap holds the firmware and little else."""

    def __init__(self, path, blocks):
        self.blocks = blocks
        self.file = open(path, "r+b")  # noqa: SIM115
        self.writes = 0

    def readblocks(self, block, buffer, offset=0):
        self.file.seek(block * BLOCK + offset)
        self.file.readinto(buffer)

    def writeblocks(self, block, buffer, offset=None):
        self.file.seek(block * BLOCK + (offset or 0))
        self.file.write(buffer)
        self.writes += 1

    def ioctl(self, op, argument):
        if op == 3:
            self.file.flush()
        elif op == 4:
            return self.blocks
        elif op == 5:
            return BLOCK
        return 0


class Board:
    name = "soak"
    uid = "50a4"
    root = "/flash"

    def __init__(self):
        self.rx = b""
        self.line = b""
        self.rows = 0
        self.turns = 0
        self.check_row = None

    def link_read(self):
        data = self.rx
        self.rx = b""
        return data or None

    def link_write(self, data):
        if self.check_row is not None and b" row v=" in data:
            self.check_row(data)
        self.rows += 1
        self.line = data

    def knob(self):
        steps = self.turns
        self.turns = 0
        return steps

    def show(self, lines):
        pass

    def idle(self):
        pass


class Soak:
    def __init__(self, seed):
        self.seed = seed or 1
        self.board = Board()
        self.app = App(self.board)
        self.u = 0
        self.lag_open = 0
        self.lag_back = 0
        self.out = 0
        self.noise = 1
        self.broken = False
        self.block = GAP_UM
        self.ticks = 0
        self.skipped_s = 0
        self.tag = 0
        self.strokes = 0
        self.faults = 0
        self.seen_fault = 0
        self.stops = {}
        self.pulled = 0
        self.lost = 0
        self.worst_answer = 0
        self.worst_line = 0
        self.wrong = 0

    def random(self, n):
        self.seed = (self.seed * 1103515245 + 12345) & 0x3FFFFFFF
        return (self.seed >> 8) % n

    # ------------------------------------------------------------ time
    def run(self, ms, inputs, until=-1):
        """`ms` real ticks, or fewer when the core comes to the state `until`."""
        tick = self.app.tick
        poll = self.app.poll
        core = self.app.core
        u = self.u
        opened = self.lag_open
        back = self.lag_back
        out = self.out
        noise = self.noise
        block = self.block
        done = 0
        while done < ms:
            done += 1
            # 30 ms to open, 25 ms to close, as full flow or none
            if out & 1:
                opened = opened + 1 if opened < 30 else 55
            elif opened:
                opened = opened - 1 if opened > 30 else 0
            if opened > 30:
                u += 25 if u < block else 1
            if out & 2:
                back = back + 1 if back < 30 else 55
            elif back:
                back = back - 1 if back > 30 else 0
            if back > 30:
                u = u - 50 if u < block else u - 8
                if u < 0:
                    u = 0
            noise = (noise * 1103515245 + 12345) & 0x3FFFFFFF
            counts = ZERO + (noise >> 16 & 7)
            if u > block:
                counts += (u - block) * COUNTS_A_UM
            if self.broken:
                counts = 100
            out = tick(counts, inputs | T.IN_TOP if u == 0 else inputs)
            poll()
            if until >= 0 and core.state == until:
                break
        self.u = u
        self.lag_open = opened
        self.lag_back = back
        self.out = out
        self.noise = noise
        self.ticks += done
        return core.state == until

    def skip(self, seconds):
        """Let the firmware's clocks go forward without ticks; nothing is energised."""
        assert self.out & 7 == 0
        self.app.clock.seconds += seconds
        self.app.core.ms = (self.app.core.ms + 1000 * seconds) & 0x1FFFFFFF
        self.skipped_s += seconds

    # ------------------------------------------------------------ host
    def ask(self, text, inputs=REST | T.IN_CUTOFF):
        self.tag = (self.tag + 1) % 100000
        tag = "h%d" % self.tag
        body = tag + " " + text
        self.board.line = b""
        self.board.rx = seal(body)
        start = bytes(tag + " ok", "ascii")
        no = bytes(tag + " no", "ascii")
        waited = 0
        while not (self.board.line.startswith(start) or self.board.line.startswith(no)):
            self.run(1, inputs)
            waited += 1
            if waited > 30000:
                raise RuntimeError("no answer to " + text)
            if self.board.line:
                self.worst_line = max(self.worst_line, len(self.board.line))
        self.worst_answer = max(self.worst_answer, waited // max(1, self.board.rows))
        self.board.rows = 0
        return str(self.board.line, "ascii")

    def ok(self, text):
        answer = self.ask(text)
        if " ok" not in answer:
            raise RuntimeError(text + ": " + answer)
        return answer

    def restart(self, flash):
        """Power off and on, at rest."""
        last = self.app.keeper.log.last
        self.out = 0
        self.app = None
        os.umount("/flash")
        os.mount(os.VfsLfs2(flash), "/flash")
        self.app = App(self.board)
        if self.app.keeper.log.last != last or self.app.keeper.recovered:
            self.lost += 1
        self.run(500, REST | T.IN_CUTOFF)

    def enable(self, ms):
        self.run(20, REST | T.IN_CUTOFF)
        self.run(ms, REST | T.IN_CUTOFF | T.IN_ENABLE)
        self.run(20, REST | T.IN_CUTOFF)

    def put(self, kind, texts):
        self.ok("stage kind=" + kind)
        for text in texts:
            self.ok("put " + text)
        digest = self.ok("check").split("digest=")[1].split(" ")[0]
        self.ok("commit digest=" + digest)

    def install(self):
        self.run(300, REST | T.IN_CUTOFF)
        self.enable(5500)
        rows = [T.SETTINGS[i] for i in range(T.S_MEASURED)]
        # Nothing has measured this plant: the plain threshold is all that the firmware lets it be run with.
        words = ["%s=%d" % (row[0], 0 if row[0] == "strategy" else row[3]) for row in rows]
        self.put("settings", [" ".join(words[i : i + 5]) for i in range(0, len(words), 5)])
        self.put(
            "calibration",
            [
                "zero_counts=%d c0_n=-500 c1_n=338450 c2_n=0 c3_n=0 max_counts=58000 friction_n=500" % ZERO,
                "serial=7 made_unix=1800000000 due_unix=0",
            ],
        )
        self.push_jobs(0)
        self.ok("use job=1")
        self.ok("clock unix=1800000000")

    def push_jobs(self, batch):
        out = []
        for slot in (1, 2, 3):
            values = {row[0]: row[3] for row in T.JOB}
            values["setpoint_n"] = 8000 + 4000 * slot
            values["batch"] = batch
            words = ["%s=%d" % (row[0], values[row[0]]) for row in T.JOB]
            words.insert(0, 'name="part %d"' % slot)
            # more than one line holds
            for i in range(0, len(words), 6):
                out.append("slot=%d %s" % (slot, " ".join(words[i : i + 6])))
        self.put("jobs", out)

    def pull(self):
        """Records since the last pull: every number, once, in order."""

        def row(data):
            seq = int(data.split(b"v=")[1].split(b",")[0])
            if self.pulled and seq != self.pulled + 1:
                self.lost += 1
            self.pulled = seq

        self.board.check_row = row
        self.ok("log from=%d max=200" % (self.pulled + 1))
        self.board.check_row = None
        if self.pulled and self.pulled != self.app.keeper.log.last:
            self.lost += 1

    # ------------------------------------------------------------ the person
    def cycle(self):
        base = REST | T.IN_CUTOFF
        self.block = GAP_UM - 200 + self.random(400)
        kind = self.random(60)
        core = self.app.core
        self.run(200 + self.random(1500), base)
        before = self.app.keeper.log.last
        if kind == 0:
            self.run(100 + self.random(200), base | T.IN_EXTEND)
            self.broken = True
            self.run(100, base | T.IN_EXTEND)
            self.broken = False
        elif kind == 1:
            self.run(100 + self.random(300), base | T.IN_EXTEND)
            self.run(100, T.IN_CUTOFF | T.IN_EXTEND)
        elif kind == 2:
            self.run(100 + self.random(300), base | T.IN_EXTEND)
            self.run(100, base | T.IN_EXTEND | T.IN_RETRACT)
        elif kind == 3:
            self.run(100 + self.random(300), base | T.IN_EXTEND)
        elif kind == 4:
            self.run(100 + self.random(300), REST | T.IN_EXTEND)
        else:
            self.run(4000, base | T.IN_EXTEND, T.STATE_DONE)
            self.run(50 + self.random(200), base | T.IN_EXTEND)
        if self.out & T.OUT_EXTEND and core.fault:
            self.wrong += 1
        self.run(150, base)
        if core.fault:
            self.faults += 1
            self.run(ACK_MS, base | T.IN_ACK)
            self.run(300, base)
        self.to_top(base)
        self.strokes += self.app.keeper.log.last - before
        stop = T.STOP_NAMES[core.record[T.R_STOP]]
        self.stops[stop] = self.stops.get(stop, 0) + 1

    def to_top(self, base):
        for _ in range(40):
            if self.u == 0:
                break
            self.run(200, base | T.IN_RETRACT)
            if self.app.core.fault:
                self.run(50, base)
                self.run(ACK_MS, base | T.IN_ACK)
                self.run(100, base)
        self.run(100, base)

    def errand(self, n):
        """What a host or a hand does now and then."""
        self.ask("now")
        if n % 10 == 0:
            self.pull()
        if n % 25 == 0:
            self.board.turns = 1 + self.random(3) - 2
            self.run(2000, REST | T.IN_CUTOFF)
        if n % 40 == 0:
            self.ok("changes from=1 max=60")
            self.ask("trace seq=%d" % self.app.keeper.log.last)
            self.ok("last kind=fine")
        if n % 97 == 0:
            if not self.app.access.enabled:
                self.enable(1600)
            self.push_jobs(n)
            self.ok("use job=%d" % (1 + self.random(3)))
            self.ok("recount")
            self.board.rx = b"garbage \xff\xfe in the line\n" * 4
            self.run(50, REST | T.IN_CUTOFF)


def sample(soak, flash, minute, us):
    # the same line last in every buffer, and nothing under way
    soak.ask("now")
    soak.board.line = b""
    gc.collect()
    gc.collect()
    keeper = soak.app.keeper
    files = os.statvfs("/flash")
    values = (
        minute,
        gc.mem_alloc(),
        gc.mem_free(),
        soak.ticks,
        soak.skipped_s,
        soak.strokes,
        soak.faults,
        keeper.log.first,
        keeper.log.last,
        keeper.changes.last,
        soak.lost,
        soak.wrong,
        soak.worst_answer,
        soak.worst_line,
        files[3],
        flash.writes,
        us,
    )
    print(
        "sample minute=%d mem_alloc=%d mem_free=%d ticks=%d skipped_s=%d records=%d faults=%d first=%d last=%d "
        "changes=%d lost=%d wrong=%d answer_ms=%d line=%d free_blocks=%d writes=%d ns_a_tick=%d" % values
    )


def main():
    image = sys.argv[1]
    blocks, seed, hours, work, every, skipped, restarts = [int(word) for word in sys.argv[2:9]]
    flash = Flash(image, blocks)
    os.VfsLfs2.mkfs(flash)
    os.mount(os.VfsLfs2(flash), "/flash")
    soak = Soak(seed)
    soak.install()
    n = 0
    next_ms = 0
    day = 0
    began_us = time.ticks_us()
    began_ticks = soak.ticks
    while True:
        now_s = soak.ticks // 1000 + soak.skipped_s
        minute = now_s // 60
        if minute >= next_ms:
            spent = time.ticks_diff(time.ticks_us(), began_us)
            sample(soak, flash, minute, 1000 * spent // max(1, soak.ticks - began_ticks))
            began_us = time.ticks_us()
            began_ticks = soak.ticks
            next_ms = (minute // every + 1) * every
        if now_s >= hours * 3600:
            break
        if restarts and now_s // 86400 != day:
            day = now_s // 86400
            soak.restart(flash)
        if now_s % 86400 < work * 60:
            n += 1
            soak.cycle()
            soak.errand(n)
        else:
            # not into the next day's work
            left = 86400 - now_s % 86400
            soak.run(1000, REST | T.IN_CUTOFF)
            soak.skip(max(0, min(skipped, left - 2)))
    soak.pull()
    stops = ",".join(["%s:%d" % pair for pair in sorted(soak.stops.items())])
    print("end cycles=%d stops=%s fault=%d" % (n, stops, soak.app.core.fault))


main()
