"""A transport that plays a written dialogue and fails on anything unsent, extra or unread."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from steadyram.errors import PortLost
from steadyram.link.frames import decode_request, seal
from steadyram.link.transport import Transport


@dataclass(frozen=True)
class Step:
    """What the client must send (tag aside), and what it then gets: bodies, raw bytes or an error.

    Bodies are written without tag and checksum; "{tag}" in raw bytes is not replaced, use `body`.
    """

    send: str
    reply: Sequence[str | bytes] | Exception = ()


class ScriptedTransport(Transport):
    """Virtual time: a read without data advances the clock by its whole timeout."""

    def __init__(self, steps: Sequence[Step]) -> None:
        super().__init__()
        self._steps = list(steps)
        self._pending: list[bytes | Exception] = []
        self.tags: list[str] = []
        self.clock_s = 0.0

    def _write(self, data: bytes) -> None:
        if not self._steps:
            raise AssertionError(f"extra request {data!r}")
        step = self._steps.pop(0)
        request = decode_request(data)
        sent = data.rstrip(b"\n").rpartition(b" #")[0].decode().partition(" ")[2]
        assert sent == step.send, f"sent {sent!r}, the script has {step.send!r}"
        self.tags.append(request.tag)
        if isinstance(step.reply, Exception):
            self._pending.append(step.reply)
            return
        for line in step.reply:
            self._pending.append(line if isinstance(line, bytes) else answer(request.tag, line))

    def _read(self, timeout_s: float) -> bytes:
        if not self._pending:
            self.clock_s += timeout_s
            return b""
        first = self._pending.pop(0)
        if isinstance(first, Exception):
            raise first
        return first

    def _now_s(self) -> float:
        return self.clock_s

    def finish(self) -> None:
        """Fail when a step was never sent or a reply never read."""
        assert not self._steps, f"never sent: {[step.send for step in self._steps]}"
        assert not self._pending, f"never read: {self._pending}"


def answer(tag: str, body: str) -> bytes:
    """A device line with tag and checksum; a body that begins with "- " is an event and gets no tag."""
    text = body if body.startswith("- ") else f"{tag} {body}"
    return seal(text.encode("ascii")) + b"\n"


def lost() -> PortLost:
    """The error of a port that went away."""
    return PortLost("The port went away.")


Opener = Callable[[str], Transport]
