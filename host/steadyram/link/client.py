"""Requests and replies over a transport: tags, retries, refusals, events.

What is retried and what may be lost:
- A change is repeated with the same tag; the device never runs a tag twice, it repeats its answer.
- A read is repeated with a fresh tag, so that rows of a damaged answer can never mix with those of the next;
  a late answer to an earlier tag still counts when nothing of it was damaged.
- Events may be lost. They have the tag "-" and are kept apart.
"""

from __future__ import annotations

import random
import string
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from steadyram.errors import BadFrame, BadInput, DeviceRefusal, LinkTimeout
from steadyram.link.definition import Definition, definition
from steadyram.link.frames import Answer, FrameError, decode_answer, encode_request
from steadyram.link.transport import Transport

_TAG_ALPHABET: Final = string.digits + string.ascii_lowercase
_SERIAL_CHARS: Final = 4
# After a damaged line the rest of that answer is worth only a short wait before asking again.
_DAMAGE_WAIT_S: Final = 0.25
# Error numbers of a line damaged on its way to the device, or glued to the rest of one that a former host
# left unfinished: every line sent from here is short enough and has its checksum. Sending again is the cure.
_DAMAGED_ON_THE_WAY: Final = frozenset({1, 2, 3, 4, 5})
# Lines longer than this are rubbish whatever the definition of a newer device allows.
_LINE_KEPT: Final = 1024
_EVENTS_KEPT: Final = 1000
_LINES_MOST: Final = 20_000
# What a device tells in place of a number that it cannot know.
UNKNOWN: Final = "-"


@dataclass(frozen=True, slots=True)
class Reply:
    """A whole answer: the fields of its "ok" line and the fields of each row before it."""

    fields: Mapping[str, str]
    rows: tuple[Mapping[str, str], ...] = ()

    def merged(self) -> dict[str, str]:
        """All fields of rows and "ok" together, for answers too long for one line."""
        together: dict[str, str] = {}
        for row in self.rows:
            together.update(row)
        together.update(self.fields)
        return together

    def integer(self, key: str) -> int:
        """The integer under `key`. Raises BadFrame when it is missing or no integer."""
        return integer_of(self.fields, key)


def integer_of(fields: Mapping[str, str], key: str) -> int:
    """The integer under `key` of a decoded line. Raises BadFrame when it is missing or no integer."""
    text = fields.get(key)
    if text is None:
        raise BadFrame(f"The device's answer lacks '{key}'; its firmware and this tool do not fit together.")
    digits = text[1:] if text[:1] == "-" else text
    if not digits.isdecimal() or len(digits) > 10:
        raise BadFrame(f"The device's answer has '{key}' = '{text[:40]}', which is not an integer.")
    return int(text)


def integer_if_known(fields: Mapping[str, str], key: str) -> int | None:
    """The integer under `key`, or None where the device says that it is not known. Raises BadFrame."""
    return None if fields.get(key) == UNKNOWN else integer_of(fields, key)


def float_if_known(fields: Mapping[str, str], key: str) -> float | None:
    """The number under `key` as a float, or None where the device says that it is not known. Raises BadFrame."""
    found = integer_if_known(fields, key)
    return None if found is None else float(found)


@dataclass(slots=True)
class _Attempt:
    rows: list[Mapping[str, str]] = field(default_factory=list)
    damaged: bool = False


class Client:
    """Speaks the line protocol to one device.

    timeout_s: how long one attempt waits for its next line, on the transport's clock; tries: attempts in all;
    source: random source of the tags' prefix, which keeps two hosts or two runs of one host apart.
    """

    def __init__(
        self,
        transport: Transport,
        *,
        timeout_s: float = 1.5,
        tries: int = 4,
        source: random.Random | None = None,
        protocol: Definition | None = None,
    ) -> None:
        self.transport = transport
        self.definition = protocol if protocol is not None else definition()
        self.timeout_s = timeout_s
        self.tries = tries
        self.events: deque[Answer] = deque(maxlen=_EVENTS_KEPT)
        self.damaged_lines = 0
        self._source = source if source is not None else random.SystemRandom()
        self._prefix = ""
        self._next = 0
        self._buffer = bytearray()
        self._lines: deque[bytes] = deque()
        self._new_prefix()

    def close(self) -> None:
        """Close the transport."""
        self.transport.close()

    def request(
        self,
        verb: str,
        fields: Mapping[str, str | int] | None = None,
        *,
        timeout_s: float | None = None,
        **more: str | int,
    ) -> Reply:
        """Ask and wait for the whole answer.

        fields (for keys that are no Python names, such as `from`) and keywords go on the line in that order.
        Raises DeviceRefusal (the device said no), LinkTimeout, BadFrame, PortLost, and BadInput when the
        request does not fit on a line.
        """
        sent: dict[str, str | int] = {**(fields or {}), **more}
        known = self.definition.verbs.get(verb)
        change = known is None or known.change
        wait_s = self.timeout_s if timeout_s is None else timeout_s
        attempts: dict[str, _Attempt] = {}
        tag = ""
        damaged = False
        for _ in range(self.tries):
            if not tag or not change:
                tag = self._tag()
            attempts.setdefault(tag, _Attempt())
            try:
                line = encode_request(tag, verb, sent, line_max=self.definition.line_max_bytes)
            except FrameError as error:
                raise BadInput(f"The request '{verb}' cannot be sent: {error}.") from None
            self.transport.write(line)
            reply, damaged = self._collect(attempts, change, wait_s)
            if reply is not None:
                return reply
        if damaged:
            raise BadFrame(
                f"The answer to '{verb}' came back damaged {self.tries} times; check the cable and "
                "keep it away from motor and valve wiring."
            )
        raise LinkTimeout(
            f"The device did not answer '{verb}' in {self.tries} tries of {wait_s:g} s; check that it has "
            "power and that the port is the right one."
        )

    def next_event(self, timeout_s: float) -> Answer | None:
        """The oldest event not yet taken, waiting up to `timeout_s` for one; None when there was none."""
        until = self.transport.now_s() + timeout_s
        while not self.events:
            line = self._line(until)
            if line is None:
                return None
            self._sort(line)
        return self.events.popleft()

    # ------------------------------------------------------------ answers
    def _collect(
        self, attempts: dict[str, _Attempt], change: bool, wait_s: float
    ) -> tuple[Reply | None, bool]:
        until = self.transport.now_s() + wait_s
        damaged = False
        for _ in range(_LINES_MOST):
            line = self._line(until)
            if line is None:
                return None, damaged
            answer = self._sort(line)
            if answer is None:
                damaged = True
                # The damaged line may have been a row of any attempt still open.
                for attempt in attempts.values():
                    attempt.damaged = True
                until = min(until, self.transport.now_s() + _DAMAGE_WAIT_S)
                continue
            if answer.kind == "event":
                continue
            if answer.kind == "no" and answer.number in _DAMAGED_ON_THE_WAY:
                if answer.tag in attempts or answer.tag == "?":
                    return None, True
                continue
            open_attempt = attempts.get(answer.tag)
            if open_attempt is None:
                continue
            if answer.kind == "row":
                open_attempt.rows.append(answer.fields)
                if not damaged:
                    # A long answer over a slow line may take its time as long as it goes on.
                    until = self.transport.now_s() + wait_s
            elif answer.kind == "no":
                raise DeviceRefusal(answer.number, _sentence(answer))
            elif open_attempt.damaged and not change:
                return None, True
            else:
                return Reply(answer.fields, tuple(open_attempt.rows)), False
        raise BadFrame(f"The device sent {_LINES_MOST} lines without an end to its answer; restart it.")

    def _sort(self, line: bytes) -> Answer | None:
        """Decode a line and put an event where events are kept; None for a damaged line."""
        try:
            answer = decode_answer(line, line_max=self.definition.reply_max_bytes)
        except FrameError:
            self.damaged_lines += 1
            return None
        if answer.kind == "event":
            self.events.append(answer)
        return answer

    # ------------------------------------------------------------ lines and tags
    def _line(self, until: float) -> bytes | None:
        """The next line without its end, or None when `until` passed first."""
        while not self._lines:
            left = until - self.transport.now_s()
            if left <= 0:
                return None
            self._take(self.transport.read(left))
        return self._lines.popleft()

    def _take(self, data: bytes) -> None:
        *whole, rest = data.split(b"\n")
        for part in whole:
            self._buffer += part
            # Of an overlong line only the head is kept: enough to be counted as damaged.
            line = bytes(self._buffer[: _LINE_KEPT + 1])
            self._buffer.clear()
            if line.strip():
                self._lines.append(line.rstrip(b"\r"))
        self._buffer += rest
        del self._buffer[_LINE_KEPT + 1 :]

    def _new_prefix(self) -> None:
        length = self.definition.tag_max_chars - _SERIAL_CHARS
        self._prefix = "".join(self._source.choice(_TAG_ALPHABET) for _ in range(length))
        self._next = 0

    def _tag(self) -> str:
        if self._next >= len(_TAG_ALPHABET) ** _SERIAL_CHARS:
            self._new_prefix()
        number, digits = self._next, ""
        for _ in range(_SERIAL_CHARS):
            number, digit = divmod(number, len(_TAG_ALPHABET))
            digits = _TAG_ALPHABET[digit] + digits
        self._next += 1
        return self._prefix + digits


def _sentence(answer: Answer) -> str:
    text = answer.sentence.strip() or "no reason given"
    return f"The device refused (error {answer.number}): {text}" + ("" if text.endswith(".") else ".")
