"""Run by MicroPython: the whole application, busy in every way at once, on a heap of the size given outside.

argv: folder with the firmware (compiled or not), folder with bench.py and fake_core.py, folder with this file,
empty folder for files. Prints `name value` lines: bytes of heap after start and at the end, peak of the
allocated heap just before a collection is not told by the interpreter, so the least free after work is; longest
piece of foreground work and longest control step in microseconds; whether anything ran out of memory.
"""

import gc
import sys
import time

argv = getattr(sys, "argv", None) or ("", "/fw", "/tests", "", "/files")
sys.path[:] = [argv[1], argv[2], ".frozen"]

try:
    import framebuf
except ImportError:
    framebuf = None  # the WebAssembly build has none: everything but the drawing runs there
from bench import REST, Bench, calibration_puts, job_puts, settings_puts  # noqa: E402

from steadyram_fw import tables as T  # noqa: E402


class Screen:
    """A display as on a board, without the wire."""

    def __init__(self):
        self.buffer = bytearray(1024)
        self.frame = framebuf.FrameBuffer(self.buffer, 128, 64, framebuf.MONO_VLSB)
        self.pictures = 0

    def begin(self):
        self.pictures += 1


def real_core(bench):
    """The firmware's own core in the place of the tests' one."""
    from steadyram_fw.core.controller import Controller

    core = Controller()
    bench.app.core = core
    bench.core = core
    bench.app.keeper.attach(core)


gc.collect()
start = gc.mem_alloc()
bench = Bench(argv[4], (160, 14, 24))
bench.inputs |= T.IN_CUTOFF
gc.collect()
print("heap_after_start", gc.mem_alloc() - start)
bench.enable()
bench.push("settings", settings_puts())
bench.app.access._unsealed = True
bench.push("calibration", calibration_puts())
puts = []
for slot in range(1, T.JOB_SLOTS + 1):
    puts += job_puts(slot, "a job of a long name %d" % slot, setpoint_n=10000 + slot)
bench.push("jobs", puts)
bench.ok("use job=3")
for _ in range(6):
    bench.stroke()
bench.app.keeper.jobs[3][1][T.J_CUTOFF_REQUIRED] = 0
real_core(bench)
bench.board.screen = Screen() if framebuf else None
bench.app.panel._drawn = None
app = bench.app

poll_us = step_us = steps = 0
least_free = gc.mem_free()
counts = 6560
asks = (
    "now",
    "show kind=settings",
    "show kind=jobs",
    "log from=0",
    "trace seq=3",
    "changes from=0",
    "last what=fine",
)


def lap(ms):
    """So many milliseconds with the link, the display and the knob busy."""
    global poll_us, step_us, steps, least_free
    for _ in range(ms):
        t = time.ticks_us()
        app.tick(counts + (steps & 7), inputs)
        t = time.ticks_diff(time.ticks_us(), t)
        if t > step_us and steps > 200:
            step_us = t
        t = time.ticks_us()
        app.poll()
        t = time.ticks_diff(time.ticks_us(), t)
        if t > poll_us and app.core.live:
            poll_us = t
        steps += 1
        if not steps & 15:
            bench.board.out = []
            bench.board.turns = 1 - (steps & 16) // 8
            free = gc.mem_free()
            least_free = free if free < least_free else least_free


inputs = REST | T.IN_CUTOFF
lap(400)
if app.core.state != T.STATE_READY:
    print("state", app.core.state, app.core.fault)
from bench import sealed  # noqa: E402

for cycle in range(8):
    # a stroke without cutoff, by the pedal, while the host asks for everything
    inputs = REST & ~T.IN_TOP
    lap(50)
    inputs |= T.IN_EXTEND
    for i, ask in enumerate(asks):
        bench.board.rx = sealed("m%d%d %s" % (cycle, i, ask))
        counts = 6560 + 20 * i
        lap(120)
    inputs &= ~T.IN_EXTEND
    counts = 6560
    lap(700)
gc.collect()
print("heap_at_end", gc.mem_alloc() - start)
print("heap_whole", gc.mem_alloc() + gc.mem_free())
print("least_free", least_free)
t = time.ticks_us()
gc.collect()
print("collection_us", time.ticks_diff(time.ticks_us(), t))
print("longest_live_poll_us", poll_us)
print("longest_step_us", step_us)
print("records", app.keeper.log.next - 1)
print("pictures", bench.board.screen.pictures if framebuf else 0)
print("fault", app.core.fault)
