# mypy: ignore-errors
"""Run by MicroPython: a day of the whole application in slices, so that whoever runs it can look at the heap between.

`day(firmware, tests, files)` is a generator: installs settings, a calibration and every job slot over the link, makes
strokes with the firmware's own core by the pedal, and meanwhile the host asks for everything, the log and traces
are pulled, the knob turns and the display is drawn. It yields after every few milliseconds; the last thing it
yields is a summary as text.

As a script (the 64-bit unix build): argv = firmware (compiled, names kept), tests/firmware, empty folder for files;
1 to look at the
heap; prints `name value` lines.
"""

import gc
import sys

try:
    import framebuf
except ImportError:
    framebuf = None  # an interpreter without one: there the display's buffer alone counts

ASKS = (
    "now",
    "show kind=settings",
    "show kind=calibration",
    "show kind=jobs",
    "log from=0",
    "trace seq=2",
    "changes from=0",
    "last what=fine",
    "last what=trace",
)


class Screen:
    """A display as on a board, without the wire."""

    def __init__(self):
        self.buffer = bytearray(1024)
        self.frame = framebuf.FrameBuffer(self.buffer, 128, 64, framebuf.MONO_VLSB)
        self.pictures = 0

    def begin(self):
        self.pictures += 1


def day(firmware, tests, files, cycles=6):
    sys.path[:] = [firmware, tests, ".frozen"]
    gc.threshold(4096)  # until the application stands, as firmware/main.py does
    # First of all, as on a board, where the heap is still empty then.
    from steadyram_fw.core.controller import Controller

    core = Controller()
    # Like a board's display, which is made before the application.
    screen = Screen() if framebuf else bytearray(1024)
    from bench import REST, Bench, calibration_puts, job_puts, sealed, settings_puts

    from steadyram_fw import tables as T

    bench = Bench(files, (160, 14, 24))
    gc.threshold(-1)
    bench.inputs |= T.IN_CUTOFF
    yield
    bench.enable()
    slots = range(1, T.JOB_SLOTS + 1)
    jobs = (job_puts(n, "a job of a long name %d" % n, setpoint_n=10000 + n)[0] for n in slots)
    for kind, puts in (("settings", settings_puts()), ("calibration", calibration_puts()), ("jobs", jobs)):
        bench.app.access._unsealed = True
        bench.ok("stage kind=" + kind)
        for text in puts:
            bench.ok("put " + text)
            yield
        text = bench.ok("check")["digest"]
        yield
        bench.ok("commit digest=" + text)
        yield
    bench.ok("use job=3")
    yield
    for _ in range(3):
        bench.stroke()
        yield
    app = bench.app
    app.core = bench.core = core
    app.keeper.jobs[3][1][T.J_CUTOFF_REQUIRED] = 0
    app.keeper.attach(app.core)
    if framebuf:
        bench.board.screen = screen
    app.panel._drawn = None
    steps = 0
    # 400 ms at rest, then strokes; each piece: (milliseconds, inputs, counts, ask)
    plan = [(400, REST | T.IN_CUTOFF, 6560, None)]
    for cycle in range(cycles):
        plan.append((50, REST & ~T.IN_TOP, 6560, None))
        for i in range(len(ASKS)):
            plan.append(
                (120, REST & ~T.IN_TOP | T.IN_EXTEND, 6560 + 20 * i, "m%d%d %s" % (cycle, i, ASKS[i]))
            )
        plan.append((700, REST & ~T.IN_TOP, 6560, None))
    for ms, inputs, counts, ask in plan:
        if ask:
            bench.board.rx = sealed(ask)
        for _ in range(ms):
            app.tick(counts + (steps & 7), inputs)
            app.poll()
            steps += 1
            if not steps & 3:
                bench.board.turns = 1 - (steps & 4) // 2
                if not steps & 15:
                    bench.board.out = []
                yield
    pictures = screen.pictures if framebuf else -1
    yield "records %d\nfault %d\npictures %d" % (app.keeper.log.next - 1, app.core.fault, pictures)


def main(firmware, tests, files, look):
    """look: 1 = how much is in use at most, collections only between slices, as on the WebAssembly build."""
    gc.collect()
    before = gc.mem_alloc()
    live = 0
    if look == "1":
        gc.disable()
    last = ""
    for said in day(firmware, tests, files):
        last = said
        if look == "1":
            gc.collect()
            live = max(live, gc.mem_alloc() - before)
    print(last)
    print("live", live)


if __name__ == "__main__":
    main(*sys.argv[1:5])
