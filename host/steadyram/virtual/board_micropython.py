# mypy: ignore-errors
"""Run by MicroPython, not imported by the host: the firmware's App behind two pipes.

argv: folder with the firmware, flash image, its blocks, uid, request fd, reply fd, lock heap, display, whether a
version that has not proved itself fails to start (each 0 or 1).

A flash with a pointer (`steadyram.now`) is started by its own loader, as a board is. The process ends with 7 where a
board resets, with 8 where it stays at its interpreter's prompt.

Request: <HhH = ticks, knob steps, link bytes; then ticks triples of u16 (counts, inputs, place); then the link bytes.
Reply:   <HHHH = ticks run, outputs, link bytes, panel bytes; then link bytes, then panel text, or the display's memory
         as hexadecimal digits after "picture ".
A reply whose first word is 0xFFFF carries a traceback as its link bytes and is the last one.
Requests without ticks: 0xFFFF = cut the power in the flash program after so many (no reply); 0xFFFE = reply with
state, fault, refusal and stop of the core instead; 0xFFFD = from now on every flash program fails (1) or works (0).
"""

import os
import struct
import sys
from array import array

BLOCK = 4096
RESET = 7
PROMPT = 8
HEALTHY_STEPS = 5000  # as boards/wired.py


class Flash:
    """Blocks in a file of the PC, written through at once, so that a kill loses nothing written before it.

    `left` counts programmed blocks down to a power cut in the middle of a write; negative = never.
    """

    def __init__(self, path, blocks):
        self.blocks = blocks
        self.file = open(path, "r+b")  # noqa: SIM115
        self.left = -1
        self.failing = False

    def readblocks(self, block, buffer, offset=0):
        self.file.seek(block * BLOCK + offset)
        self.file.readinto(buffer)

    def writeblocks(self, block, buffer, offset=None):
        if self.failing:
            return -5  # EIO
        self.file.seek(block * BLOCK + (offset or 0))
        if self.left >= 0:
            self.left -= 1
            if self.left < 0:
                self.file.write(memoryview(buffer)[: len(buffer) // 2])
                self.file.flush()
                sys.exit(9)
        self.file.write(buffer)

    def ioctl(self, op, argument):
        if op == 3:
            self.file.flush()
        elif op == 4:
            return self.blocks
        elif op == 5:
            return BLOCK
        return 0


class Display:
    """A fitted display: the firmware draws on `frame`; each finished picture goes to the host."""

    fitted = True

    def __init__(self, standin):
        import framebuf

        self.standin = standin
        self.buffer = bytearray(128 * 64 // 8)
        self.frame = framebuf.FrameBuffer(self.buffer, 128, 64, framebuf.MONO_VLSB)

    def begin(self):
        from binascii import hexlify

        self.standin.show("picture " + hexlify(self.buffer).decode())

    def send(self):
        return False


def mount(flash):
    try:
        files = os.VfsLfs2(flash)
    except OSError:
        os.VfsLfs2.mkfs(flash)
        files = os.VfsLfs2(flash)
    os.mount(files, "/flash")


def locked(tick):
    """`tick` with the heap locked: any allocation in it raises MemoryError."""
    from micropython import heap_lock, heap_unlock

    def guarded(counts, inputs, place):
        heap_lock()
        try:
            return tick(counts, inputs, place)
        finally:
            heap_unlock()

    return guarded


class Machine:
    """Stands for MicroPython's `machine` to the loader."""

    def reset(self):
        sys.exit(RESET)


class Watchdog:
    """The simulated board has none: a hung process is ended by whoever runs the press."""

    def feed(self):
        pass


def boot(take_over, board, spoilt):
    """Start what the flash holds by the loader that it holds; comes back when the board stays at its prompt."""

    def this_board():
        if spoilt and trust != "good":
            raise RuntimeError("this version was asked not to start")
        return board

    board.run = take_over
    sys.modules["machine"] = Machine()
    sys.modules["steadyram_fw.boards"] = board
    board.this_board = this_board
    sys.path[:] = ["/flash", ".frozen"]
    import main as loader

    loader.keyboard = lambda on: None
    loader.watchdog = lambda ms: Watchdog()
    now = loader.choose("/flash/")
    if now is None:
        sys.exit(PROMPT)
    trust = now[1]
    loader.start("/flash/", now)
    sys.exit(RESET)


def serve(standin, core, flash, requests, replies, healthy=None):
    left = HEALTHY_STEPS
    head = bytearray(6)
    samples = array("H", bytes(2 * 3 * 256))
    view = memoryview(samples)
    while True:
        got = requests.readinto(head)
        if not got or got < 6:
            return
        ticks, knob, size = struct.unpack("<HhH", head)
        if ticks == 0xFFFF:
            flash.left = knob
            continue
        if ticks == 0xFFFD:
            flash.failing = knob != 0
            continue
        if ticks == 0xFFFE:
            replies.write(struct.pack("<HHHH", core.state, core.fault, core.refusal, core.stop))
            continue
        requests.readinto(view[: 3 * ticks])
        if size:
            standin.link_in += requests.read(size)
        standin.turns += knob
        ran = standin.batch(samples, ticks)
        if healthy is not None:
            left -= ran
            if left <= 0 and standin.app.at_rest():
                healthy()
                healthy = None
        link = standin.link_out
        if link:
            standin.link_out = b""
        text = standin.fresh_text()
        replies.write(struct.pack("<HHHH", ran, standin.outputs, len(link), len(text)) + link + text)


def main():
    import io

    home, image, blocks, uid, request_fd, reply_fd, lock, display, spoilt = sys.argv[1:10]
    # Only the firmware: nothing of CPython's library may be picked up by accident.
    sys.path[:] = [home, ".frozen"]
    requests = open("/dev/fd/" + request_fd, "rb")  # noqa: SIM115
    replies = open("/dev/fd/" + reply_fd, "wb")  # noqa: SIM115
    try:
        flash = Flash(image, int(blocks))
        mount(flash)
        from standin import StandIn

        class Board(StandIn):
            def maintenance(self):
                sys.exit(PROMPT)

        standin = Board(uid, "/flash")
        if display == "1":
            standin.screen = Display(standin)

        def take_over(app, healthy=None):
            standin.app = app
            standin.tick = locked(app.tick) if lock == "1" else app.tick
            standin.poll = app.poll
            version = "%d.%d.%d" % sys.implementation[1][:3]
            replies.write(struct.pack("<H", len(version)) + version.encode())
            serve(standin, app.core, flash, requests, replies, healthy)

        try:
            os.stat("/flash/steadyram.now")
        except OSError:
            from steadyram_fw.app import App

            take_over(App(standin))
        else:
            boot(take_over, standin, spoilt == "1")
    except SystemExit:
        raise
    except BaseException as error:
        text = io.StringIO()
        sys.print_exception(error, text)
        note = text.getvalue().encode()[-4000:]
        replies.write(struct.pack("<HHHH", 0xFFFF, 0, len(note), 0) + note)


main()
