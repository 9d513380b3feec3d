"""The host's line over the board's own USB serial port: standard input and output, without blocking.

Control-C is taken from the interpreter (`kbd_intr(-1)`): noise on the line must not end the firmware.
"""

import select
import sys

_MOST = 128


class SerialLink:
    """`read()` gives what has come, at most 128 bytes, or None; `write()` gives up when nobody reads."""

    def __init__(self, stdin=None, stdout=None):
        self._in = stdin or sys.stdin
        self._out = stdout or sys.stdout
        self._poll = select.poll()
        self._poll.register(self._in, select.POLLIN)
        self._room = select.poll()
        self._room.register(self._out, select.POLLOUT)
        self.lost = 0

    def read(self):
        data = b""
        stream = self._in.buffer
        while len(data) < _MOST and self._poll.poll(0):
            byte = stream.read(1)
            if not byte:
                break
            data += byte
        return data or None

    def write(self, data):
        """Whole lines; a host that has stopped reading costs them, never the press its time."""
        if not self._room.poll(0):
            self.lost += 1
            return
        self._out.buffer.write(data)
