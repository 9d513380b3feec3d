"""The emulated board's USB serial line as pyserial's `emulated://`, so that the installer's mpremote opens it.

A read waits in the chip's time: while nothing has come, the chip runs on. `attach` says which board is behind the name.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import serial
from tests.board.emulated import Board

URL = "emulated://board"
_WAIT_MS = 10
_at: list[Board] = []
_watch: list[Callable[[bytes], None]] = []


def attach(board: Board, written: Callable[[bytes], None] = lambda data: None) -> str:
    """Put a board behind the URL and return it; `written` is told what the host writes, after the board has it."""
    _at[:] = [board]
    _watch[:] = [written]
    if __package__ not in serial.protocol_handler_packages:
        serial.protocol_handler_packages.append(__package__)
    return URL


class Serial:
    """As much of pyserial's class as mpremote uses."""

    def __init__(self, port: str | None = None, **_: Any) -> None:
        self.port = port
        self.rts = self.dtr = True
        self._heard = bytearray()
        self._open = False

    def isOpen(self) -> bool:
        return self._open

    def open(self) -> None:
        """Open the line."""
        self._open = True

    def close(self) -> None:
        """Close the line; the board runs on when it is told to."""
        self._open = False

    def inWaiting(self) -> int:
        """Return how many bytes wait; let some of the chip's time pass where there are none."""
        if not self._heard:
            self._heard += _at[0].free(_WAIT_MS)
        return len(self._heard)

    def read(self, size: int = 1) -> bytes:
        """Return `size` bytes, or what came in ten of the chip's seconds."""
        end_us = _at[0].us + 10_000_000
        while len(self._heard) < size and _at[0].us < end_us:
            self._heard += _at[0].free(_WAIT_MS)
        some = bytes(self._heard[:size])
        del self._heard[:size]
        return some

    def write(self, data: bytes) -> int:
        """Give the board bytes."""
        self._heard += _at[0].free(1, bytes(data))
        _watch[0](bytes(data))
        return len(data)
