"""A 128 x 64 monochrome display with a page-addressed controller on I2C, sent in small pieces.

The commands are those that the public descriptions of this widespread kind of controller share. A whole
picture takes 25 ms at 400 kHz, too long for one piece of foreground work where timer callbacks wait for it,
so `send()` sends a sixteenth of a picture a call.
"""

import framebuf

WIDTH = 128
HEIGHT = 64
_PIECE = 64

# off, multiplex 64, offset 0, line 0, columns and rows reversed, charge pump on, horizontal addressing,
# contrast, show memory, not inverted, on
_START = bytes(
    (0xAE, 0xA8, 0x3F, 0xD3, 0x00, 0x40, 0xA1, 0xC8, 0xDA, 0x12, 0x8D, 0x14, 0x20, 0x00, 0x81, 0xCF)
    + (0xD9, 0xF1, 0xDB, 0x40, 0xA4, 0xA6, 0xAF)
)
_WHOLE = bytes((0x21, 0, 127, 0x22, 0, 7))


class Screen:
    """`frame` is drawn on, `begin()` and `send()` bring it to the glass. A missing display is no fault."""

    def __init__(self, i2c, address=0x3C):
        self._i2c = i2c
        self._address = address
        self.buffer = bytearray(WIDTH * HEIGHT // 8)
        self.frame = framebuf.FrameBuffer(self.buffer, WIDTH, HEIGHT, framebuf.MONO_VLSB)
        self._view = memoryview(self.buffer)
        self._piece = [b"\x40", None]
        self._at = len(self.buffer)
        self.fitted = self._try(b"\x00" + _START)

    def _try(self, data):
        try:
            self._i2c.writeto(self._address, data)
            return True
        except OSError:
            return False

    def begin(self):
        """The frame has been drawn anew: send it from the start."""
        if not self.fitted:
            # plugged in later, or it lost its supply
            self.fitted = self._try(b"\x00" + _START)
        if self.fitted:
            self.fitted = self._try(b"\x00" + _WHOLE)
            self._at = 0 if self.fitted else len(self.buffer)

    def send(self):
        """Send the next piece; True when there was one."""
        at = self._at
        if at >= len(self.buffer):
            return False
        self._piece[1] = self._view[at : at + _PIECE]
        try:
            self._i2c.writevto(self._address, self._piece)
            self._at = at + _PIECE
        except OSError:
            self.fitted = False
            self._at = len(self.buffer)
        return True
