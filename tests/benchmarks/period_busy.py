# mypy: ignore-errors
"""Run by MicroPython (unix build): the control step by the clock, while the foreground is as busy as it can be.

argv: firmware (compiled, names kept), tests/firmware, empty folder, seconds, `thread` or `between`.
thread: the step has a thread of its own, which interrupts the foreground anywhere, as a hard timer interrupt does;
        the heap is locked for it alone. between: the step comes when it is due and the foreground has finished a
        piece of work: later than a soft callback, which comes between two bytecodes.
The foreground: the host never stops asking, records and traces are stored and pulled, the knob turns, the display
is drawn. Prints how late steps were against their millisecond, in microseconds: for steps at rest and live ones, their
number, then what 50, 90, 99, 99.9, 99.99 % and all of them did not exceed.
"""

import gc
import sys
import time

sys.path[:] = [sys.argv[1], sys.argv[2], ".frozen"]
import _thread  # noqa: E402
from array import array  # noqa: E402

import framebuf  # noqa: E402

from micropython import heap_lock, heap_unlock  # noqa: E402
from steadyram_fw.core.controller import Controller  # noqa: E402

core = Controller()
from bench import REST, Bench, calibration_puts, job_puts, sealed, settings_puts  # noqa: E402

from steadyram_fw import tables as T  # noqa: E402

ASKS = (
    "now",
    "show kind=settings",
    "show kind=jobs",
    "log from=0",
    "trace seq=2",
    "changes from=0",
    "last what=fine",
)
MOST_US = 20000
# how many steps were so late, tens of microseconds: at rest, and with something energised or a stroke under way
late_of = (array("I", [0] * (MOST_US // 10)), array("I", [0] * (MOST_US // 10)))
steps = 0
over = False
lost = 0
longest = 0


class Screen:
    def __init__(self):
        self.buffer = bytearray(1024)
        self.frame = framebuf.FrameBuffer(self.buffer, 128, 64, framebuf.MONO_VLSB)
        self.pictures = 0

    def begin(self):
        self.pictures += 1


def ready(files):
    """The application with everything set, on the firmware's own core."""
    bench = Bench(files, (160, 14, 24))
    bench.inputs |= T.IN_CUTOFF
    bench.enable()
    bench.push("settings", settings_puts())
    bench.app.access._unsealed = True
    bench.push("calibration", calibration_puts())
    bench.push("jobs", job_puts(3, "a job", setpoint_n=10003))
    bench.ok("use job=3")
    for _ in range(3):
        bench.stroke()
    bench.app.keeper.jobs[3][1][T.J_CUTOFF_REQUIRED] = 0
    bench.app.core = bench.core = core
    bench.app.keeper.attach(core)
    bench.board.screen = Screen()
    bench.app.panel._drawn = None
    return bench


def one(app, due):
    """A step that was due then; returns when the next one is."""
    global steps, lost, longest
    now = time.ticks_us()
    late = time.ticks_diff(now, due)
    at = late // 10
    if at >= MOST_US // 10:
        at = MOST_US // 10 - 1
    late_of[1 if core.live else 0][at] += 1
    # a stroke of 1.2 s by the pedal every 2 s
    phase = steps % 2000
    inputs = REST & ~T.IN_TOP if phase > 400 else REST | T.IN_CUTOFF
    if 450 < phase < 1650:
        inputs |= T.IN_EXTEND
    app.tick(6560 + (steps & 7), inputs)
    steps += 1
    took = time.ticks_diff(time.ticks_us(), now)
    if took > longest:
        longest = took
    due = time.ticks_add(due, 1000)
    while late >= 1000:
        late -= 1000
        lost += 1
        due = time.ticks_add(due, 1000)
    return due


def stepping(app):
    global over
    heap_lock()
    due = time.ticks_add(time.ticks_us(), 1000)
    while not over:
        left = time.ticks_diff(due, time.ticks_us())
        if left > 300:
            # a process in real time must leave some of it, or the system takes it
            time.sleep_us(left - 250)
        while time.ticks_diff(time.ticks_us(), due) < 0:
            pass
        due = one(app, due)
    heap_unlock()
    over = False


def tell(name, late):
    """One line: half of the steps were no later than ..., and so on, microseconds."""
    total = sum(late)
    done = 0
    shares = [5000, 9000, 9900, 9990, 9999]
    line = [name, total]
    for i in range(len(late)):
        done += late[i]
        while shares and done * 10000 >= total * shares[0]:
            shares.pop(0)
            line.append(10 * (i + 1))
        if done == total:
            line.append(10 * (i + 1))
            break
    print(*line)


def main(files, seconds, threaded):
    global over
    bench = ready(files)
    app = bench.app
    gc.collect()
    polls = asks = 0
    if threaded:
        _thread.start_new_thread(stepping, (app,))
    due = time.ticks_add(time.ticks_us(), 1000)
    end = time.ticks_ms()
    while time.ticks_diff(time.ticks_ms(), end) < 1000 * seconds:
        if not bench.board.rx and polls % 50 == 0:
            bench.board.rx = sealed("m%d %s" % (asks, ASKS[asks % len(ASKS)]))
            asks += 1
            bench.board.out = []
        if polls % 7 == 0:
            bench.board.turns = 1
        app.poll()
        polls += 1
        if polls % 25 == 0 and time.ticks_diff(due, time.ticks_us()) > 300:
            time.sleep_us(80)
            if threaded:
                due = time.ticks_add(time.ticks_us(), 1000)
        if not threaded and time.ticks_diff(time.ticks_us(), due) >= 0:
            heap_lock()
            due = one(app, due)
            heap_unlock()
    if threaded:
        over = True
        while over:
            pass
    print("steps", steps, "lost", lost, "polls", polls, "asks", asks)
    print("records", app.keeper.log.next - 1, "pictures", bench.board.screen.pictures, "fault", core.fault)
    for live in (0, 1):
        tell("live" if live else "rest", late_of[live])
    print("longest_step", longest)


main(sys.argv[3], int(sys.argv[4]), sys.argv[5] == "thread")
