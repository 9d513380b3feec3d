"""Wait for a board that has just been reset, and ask nothing that could end its start."""

from __future__ import annotations

from typing import Literal

from steadyram.link.transport import Transport

# A Pico-class board answers 2 to 4 s after a reset (tests/board), a full store takes longer to read.
START_S = 10.0
_ASK_S = 0.5
_PROMPT = b">>> "
_ANSWER = b" ok proto="


def wait_for_start(transport: Transport, start_s: float = START_S) -> Literal["firmware", "prompt", "silent"]:
    """Ask "hello" until something answers; sends whole lines and no control character.

    Returns "firmware" when it answers, "prompt" when MicroPython's prompt does, "silent" after `start_s` seconds
    without either. Raises PortLost.
    """
    end = transport.now_s() + start_s
    heard = b""
    asked = 0
    while transport.now_s() < end:
        asked += 1
        transport.write(b"\nw%d hello\n" % asked)
        until = transport.now_s() + _ASK_S
        while transport.now_s() < until:
            heard += transport.read(max(0.0, until - transport.now_s()))
            if _ANSWER in heard:
                _drain(transport)
                return "firmware"
            if _PROMPT in heard:
                return "prompt"
    return "silent"


def _drain(transport: Transport) -> None:
    """Take the answers to what was asked while the firmware started."""
    while transport.read(_ASK_S):
        pass
