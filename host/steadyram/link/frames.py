"""Lines of the protocol to objects and back: strict, bounded, safe on hostile input.

    request = tag SP verb *(SP key=value) [SP #CRC]
    reply   = tag SP "ok" / "row" *(SP key=value) SP #CRC
            | tag SP "no" SP number SP "sentence" SP #CRC
    event   = "-" SP name *(SP key=value) SP #CRC

A checksum is CRC-16/IBM-3740 (polynomial 0x1021, start 0xFFFF, nothing reflected) over
every byte before the space that precedes "#", as four digits of 0x40 plus four bits each: a bit that flips on
the wire is one bit of the checksum, so its Hamming distance of 4 holds for the line. Its check value is 0x29B1
over "123456789" (catalogue of parametrised CRC algorithms, reveng, status: published).
"""

from __future__ import annotations

import binascii
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final, Literal

from steadyram.link.definition import definition

EVENT_TAG: Final = "-"

_TAG = re.compile(r"[A-Za-z0-9]{1,8}", re.ASCII)
_WORD = re.compile(r"[a-z][a-z0-9_-]{0,23}", re.ASCII)
_KEY = re.compile(r"[a-z][a-z0-9_]{0,23}", re.ASCII)
_BARE = re.compile(r"[A-Za-z0-9.,+_/-]+", re.ASCII)
_QUOTABLE = re.compile(r"[ !#-~]*", re.ASCII)
_CRC_TAIL = re.compile(rb" #([@A-O]{4})\Z")
# One token of the body; quoted text may hold spaces, so the body cannot simply be split.
_TOKEN = re.compile(r' (?:([a-z][a-z0-9_]{0,23})=)?(?:([A-Za-z0-9.,+_/-]+)|"([ !#-~]*)")(?= |\Z)', re.ASCII)

Kind = Literal["ok", "row", "no", "event"]


class FrameError(ValueError):
    """A line is not a valid frame; the message says what is wrong with it."""


@dataclass(frozen=True, slots=True)
class Request:
    """One request line. `fields` keeps the order in which keys are sent."""

    tag: str
    verb: str
    fields: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Answer:
    """One line from the device: `kind` is ok, row, no or event; `word` is the event's name.

    number and sentence belong to "no" alone: the protocol's error number and its text.
    """

    tag: str
    kind: Kind
    word: str
    fields: Mapping[str, str] = field(default_factory=dict)
    number: int = 0
    sentence: str = ""


def crc16(data: bytes) -> int:
    """CRC-16/IBM-3740 of `data`, 0..65535."""
    return binascii.crc_hqx(data, 0xFFFF)


def seal(body: bytes) -> bytes:
    """Append the checksum to a line's body."""
    crc = crc16(body)
    return body + b" #" + bytes(0x40 | crc >> shift & 15 for shift in (12, 8, 4, 0))


def write_value(value: str | int) -> str:
    """A value as it goes on the line: bare where the grammar allows it, quoted otherwise.

    Raises FrameError for text with a double quote or anything but printable ASCII.
    """
    text = str(int(value)) if isinstance(value, int) else value
    if _BARE.fullmatch(text):
        return text
    if _QUOTABLE.fullmatch(text):
        return f'"{text}"'
    raise FrameError(f"{text!r} cannot be sent: only printable ASCII without a double quote can")


def encode_request(
    tag: str, verb: str, fields: Mapping[str, str | int], *, line_max: int = 240, crc: bool = True
) -> bytes:
    """One request line with its line end. Raises FrameError when it cannot be a valid line."""
    if not _TAG.fullmatch(tag):
        raise FrameError(f"{tag!r} is not a tag: one to eight letters and digits")
    if not _WORD.fullmatch(verb):
        raise FrameError(f"{verb!r} is not a verb")
    return _finish([tag, verb], fields, line_max, crc)


def encode_answer(answer: Answer, *, line_max: int = 240) -> bytes:
    """One line as the device sends it, with its line end. Raises FrameError when it cannot be one."""
    if answer.kind == "event":
        if answer.tag != EVENT_TAG or not _WORD.fullmatch(answer.word):
            raise FrameError("an event has the tag '-' and a name")
        return _finish([EVENT_TAG, answer.word], answer.fields, line_max, True)
    if not _TAG.fullmatch(answer.tag) and answer.tag != "?":
        raise FrameError(f"{answer.tag!r} is not a tag")
    if answer.kind == "no":
        if not 0 <= answer.number <= 9999 or not _QUOTABLE.fullmatch(answer.sentence):
            raise FrameError("a refusal has a number and a sentence in printable ASCII")
        return _finish([answer.tag, "no", str(answer.number), f'"{answer.sentence}"'], {}, line_max, True)
    return _finish([answer.tag, answer.kind], answer.fields, line_max, True)


def _finish(head: list[str], fields: Mapping[str, str | int], line_max: int, crc: bool) -> bytes:
    parts = list(head)
    for key, value in fields.items():
        if not _KEY.fullmatch(key):
            raise FrameError(f"{key!r} is not a key")
        parts.append(f"{key}={write_value(value)}")
    body = " ".join(parts).encode("ascii")
    line = seal(body) if crc else body
    if len(line) > line_max:
        raise FrameError(f"the line has {len(line)} bytes, and {line_max} is the most a device accepts")
    return line + b"\n"


def _sentence(error: str) -> str:
    known = definition()
    return known.errors[known.error(error)].text


def _open(line: bytes, line_max: int, crc_required: bool) -> str:
    body = line.rstrip(b"\r\n")
    if len(body) > line_max:
        raise FrameError(f"the line is longer than {line_max} bytes")
    if not all(0x20 <= byte <= 0x7E for byte in body):
        raise FrameError(_sentence("not-ascii"))
    tail = _CRC_TAIL.search(body)
    if tail is None:
        if crc_required:
            raise FrameError("the line has no checksum")
        return body.decode("ascii")
    body = body[: tail.start()]
    told = 0
    for digit in tail[1]:
        told = told << 4 | digit & 15
    if crc16(body) != told:
        raise FrameError("the checksum does not match the line")
    return body.decode("ascii")


def _split(text: str) -> tuple[str, str, str]:
    tag, space, rest = text.partition(" ")
    word, _, _ = rest.partition(" ")
    if not space or not word:
        raise FrameError("the line is not: tag word key=value ...")
    return tag, word, text[len(tag) + 1 + len(word) :]


def _tokens(text: str) -> list[tuple[str | None, str]]:
    found: list[tuple[str | None, str]] = []
    at = 0
    while at < len(text):
        match = _TOKEN.match(text, at)
        if match is None:
            raise FrameError("the line is not: tag word key=value ...")
        found.append((match[1], match[2] if match[2] is not None else match[3]))
        at = match.end()
    return found


def _fields_of(text: str) -> dict[str, str]:
    fields: dict[str, str] = {}
    for key, value in _tokens(text):
        if key is None:
            raise FrameError("a value has no key")
        if key in fields:
            raise FrameError(f"the key {key} is there twice")
        fields[key] = value
    return fields


def decode_request(line: bytes, *, line_max: int = 240) -> Request:
    """A request line as an object; the checksum is verified if there is one. Raises FrameError."""
    tag, verb, rest = _split(_open(line, line_max, crc_required=False))
    if not _TAG.fullmatch(tag) or not _WORD.fullmatch(verb):
        raise FrameError(_sentence("bad-form"))
    return Request(tag, verb, _fields_of(rest))


def decode_answer(line: bytes, *, line_max: int = 240) -> Answer:
    """A line from the device as an object; a checksum is required. Raises FrameError."""
    tag, word, rest = _split(_open(line, line_max, crc_required=True))
    if tag == EVENT_TAG:
        if not _WORD.fullmatch(word):
            raise FrameError("the event has no name")
        return Answer(tag, "event", word, _fields_of(rest))
    # "?" answers a line whose own tag could not be read.
    if tag != "?" and not _TAG.fullmatch(tag):
        raise FrameError("the line has no valid tag")
    if word == "no":
        tokens = _tokens(rest)
        if len(tokens) != 2 or tokens[0][0] is not None or tokens[1][0] is not None:
            raise FrameError("a refusal is: tag no number sentence")
        if not re.fullmatch(r"[0-9]{1,4}", tokens[0][1]):
            raise FrameError("the refusal has no number")
        return Answer(tag, "no", "no", {}, int(tokens[0][1]), tokens[1][1])
    if word == "ok":
        return Answer(tag, "ok", word, _fields_of(rest))
    if word == "row":
        return Answer(tag, "row", word, _fields_of(rest))
    raise FrameError("the reply is none of ok, row and no")
