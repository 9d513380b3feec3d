"""Run by MicroPython, which has the display's framebuf: every screen of the panel, as lines `name hex`.

argv: folder with the firmware, empty folder for files. The firmware is the real one; only the core's readings
are set by hand.
"""

import binascii
import sys
from array import array

sys.path[:] = [sys.argv[1], ".frozen"]

import framebuf  # noqa: E402

from steadyram_fw import tables as T  # noqa: E402
from steadyram_fw.app import App  # noqa: E402
from steadyram_fw.panel.draw import draw  # noqa: E402


class Board:
    name = "pico"
    uid = "e660c0d1c7432b2f"
    screen = None
    late_us = 41
    step_us = 623

    def __init__(self, root):
        self.root = root
        self.turns = 0

    def link_read(self):
        return None

    def link_write(self, data):
        pass

    def knob(self):
        turns = self.turns
        self.turns = 0
        return turns

    def show(self, lines):
        pass

    def idle(self):
        pass


board = Board(sys.argv[2])
board.log_shape = (8, 4, 3)
app = App(board)
panel, core, keeper = app.panel, app.core, app.keeper
buffer = bytearray(1024)
frame = framebuf.FrameBuffer(buffer, 128, 64, framebuf.MONO_VLSB)
REST = T.IN_ESTOP_OK | T.IN_TOP | T.IN_CUTOFF


def picture(name, blink=False, now=0):
    draw(frame, panel.look(now), blink)
    print(name, str(binascii.hexlify(buffer), "ascii"))


def job(name, setpoint, **changed):
    fields = array("i", [row[3] for row in T.JOB])
    fields[T.J_SETPOINT_N] = setpoint
    for key, value in changed.items():
        fields[[row[0] for row in T.JOB].index(key)] = value
    return name, fields


def step(inputs, ms):
    for _ in range(ms):
        app.tick(6554, inputs)
        app.poll()


def push():
    step(REST | T.IN_PUSH, 100)
    step(REST, 5)


def turn(steps):
    board.turns = steps
    step(REST, 2)


jobs = list(keeper.jobs)
jobs[1] = job("bracket M6 clinch", 12400, batch=50)
jobs[2] = job("bracket M8 clinch", 18900, batch=50)
jobs[3] = job("hinge dimple", 46000)
jobs[5] = job("bearing 6204", 9800, unproven=1)
jobs[6] = job("hub bearing", 124000)
jobs[7] = job("bend 90 deg", 60000, stop_on=1, depth_um=5300)
jobs[8] = job("raise the bed", 2000, handling=1)
keeper.commit("jobs", jobs)
step(REST, 300)
app.inputs = REST
picture("home-not-calibrated")
picture("home-not-calibrated-why", now=3000)
core.calibrate(array("i", (6554, 0, 350000, 0, 0, 58982, 0, 1, 0, 0)))
keeper.settings[T.S_STRATEGY] = 1
picture("home-no-job")
keeper.use(1)
keeper.counts[1] = 12
step(REST, 300)
core.force_n = 40
picture("home-ready")
core.state = T.STATE_ADVANCE
core.force_n = 8360
picture("home-pressing")
core.state = T.STATE_DONE
core.force_n = 12380
picture("home-done")
core.state = T.STATE_READY
keeper.use(6)
core.force_n = 123400
core.state = T.STATE_ADVANCE
picture("home-large-force")
keeper.use(2)
core.force_n = 17820
keeper.settings[T.S_PANEL_UNIT] = 1
picture("home-tonf")
keeper.settings[T.S_PANEL_UNIT] = 2
picture("home-lbf")
keeper.settings[T.S_PANEL_UNIT] = 0
core.state = T.STATE_READY
keeper.use(1)
core.force_n = 40
core.latch_on = True
picture("home-latched", True)
picture("home-latched-goes-on", True, now=3000)
core.latch_on = False
keeper.settings[T.S_STRATEGY] = 0
picture("home-threshold", True)
keeper.settings[T.S_STRATEGY] = 1
core.armed_ms, core.armed_n = 42000, 178000
picture("test-armed", True)
picture("test-armed-words")
core.armed_ms = 0


class Travel:
    """The readings of a sensor, by hand."""

    fitted = True
    known = True
    um = 3210


without = core.travel
keeper.use(7)
core.travel = Travel()
core.force_n = 31640
core.state = T.STATE_ADVANCE
picture("depth-pressing")
picture("depth-limit", now=3000)
core.force_n = 40
core.state = T.STATE_READY
core.travel.known = False
picture("depth-no-reference")
core.travel = without
keeper.use(8)
keeper.settings[T.S_HANDLING_N] = 4000
picture("handling-pins", True)
picture("handling-nobody", now=3000)
picture("handling-bed", True, now=6000)
core.live = True
core.state = T.STATE_ADVANCE
core.force_n = 1180
picture("handling-moving")
core.live = False
app.inputs = REST | T.IN_LATCH
picture("handling-latch", True)
app.inputs = REST
core.state = T.STATE_READY
keeper.settings[T.S_HANDLING_N] = 0
keeper.use(1)
core.force_n = 40
core.state = T.STATE_READY
board.turns = 3
panel.work()
picture("home-dialling")
push()
app.inputs = REST & ~T.IN_CUTOFF
core.force_n = 3120
picture("cutoff-off-words", True)
picture("cutoff-off-force", False)
app.inputs = REST
core.force_n = 40
core.refusal = T.REFUSAL_CUTOFF_REQUIRED
core.state = T.STATE_REFUSED
picture("refused", True)
core.refusal = 0
core.state = T.STATE_READY
app.access._left_s = 593
picture("changes-open", True)
app.access._left_s = 41
picture("changes-closing", True)
app.access._left_s = 0
core.fault, core.state = T.FAULT_SENSOR_LOW, T.STATE_FAULT
picture("fault-words", False)
picture("fault-blink", True, now=3000)
picture("fault-not-known", now=6000)
core.fault = T.FAULT_RISE_AFTER_CLOSE
picture("fault-rise-after-close")
core.clear_fault()
step(REST, 300)
push()
picture("menu")
push()
turn(1)
picture("menu-job")
turn(-1)
push()
step(REST, 50)
push()
turn(1)
push()
picture("first-part-ask")
push()
picture("first-part-wait")
panel.menu._got_n = 12310
panel.menu._value_n = 12430
panel.menu.page = "take"
picture("first-part-take")
panel.menu.close()
push()
turn(2)
push()
picture("zero-ask")
push()
picture("zero-done")
push()
push()
turn(3)
push()
picture("count-ask")
panel.menu.close()
push()
turn(4)
push()
picture("device")
panel.menu.close()
if hasattr(app.access, "seal_ready"):
    step(REST | T.IN_ENABLE, 5100)
    picture("calibration-seal")
