from __future__ import annotations

import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from steadyram.link.frames import (
    Answer,
    FrameError,
    crc16,
    decode_answer,
    decode_request,
    encode_answer,
    encode_request,
    seal,
)

TAGS = st.text(string.ascii_letters + string.digits, min_size=1, max_size=8)
KEYS = st.from_regex(r"[a-z][a-z0-9_]{0,10}", fullmatch=True)
TEXT = st.text([chr(c) for c in range(0x20, 0x7F) if chr(c) != '"'], max_size=30)
FIELDS = st.dictionaries(KEYS, TEXT, max_size=4)


def test_crc_check_value_of_the_published_catalogue() -> None:
    # Catalogue of parametrised CRC algorithms: CRC-16/IBM-3740, check 0x29B1 over "123456789" (published).
    assert crc16(b"123456789") == 0x29B1


@given(TAGS, st.from_regex(r"[a-z]{1,8}", fullmatch=True), FIELDS, st.booleans())
def test_requests_round_trip(tag: str, verb: str, fields: dict[str, str], crc: bool) -> None:
    line = encode_request(tag, verb, fields, line_max=400, crc=crc)
    assert line.endswith(b"\n")
    if not crc and fields and list(fields.values())[-1].rpartition(" #")[1]:
        return  # without a checksum a quoted text can only end in a quote, so this cannot be mistaken
    back = decode_request(line, line_max=400)
    assert (back.tag, back.verb, dict(back.fields)) == (tag, verb, fields)


@given(TAGS, st.sampled_from(["ok", "row"]), FIELDS)
def test_replies_round_trip(tag: str, kind: str, fields: dict[str, str]) -> None:
    sent = Answer(tag, kind, kind, fields)  # type: ignore[arg-type]
    assert decode_answer(encode_answer(sent, line_max=400), line_max=400) == sent


@given(TAGS, st.integers(0, 9999), TEXT)
def test_refusals_round_trip(tag: str, number: int, sentence: str) -> None:
    sent = Answer(tag, "no", "no", {}, number, sentence)
    assert decode_answer(encode_answer(sent, line_max=400), line_max=400) == sent


@given(st.binary(max_size=300))
def test_any_bytes_give_an_answer_or_a_frame_error(data: bytes) -> None:
    for decode in (decode_answer, decode_request):
        try:
            decode(data)
        except FrameError:
            continue


@given(st.binary(max_size=120))
def test_sealed_rubbish_is_still_parsed_strictly(body: bytes) -> None:
    try:
        answer = decode_answer(seal(body))
    except FrameError:
        return
    assert answer.tag
    assert answer.kind in ("ok", "row", "no", "event")


@given(FIELDS, st.data())
def test_one_changed_byte_never_passes(fields: dict[str, str], data: st.DataObject) -> None:
    line = bytearray(encode_answer(Answer("t1", "ok", "ok", fields), line_max=400).rstrip(b"\n"))
    at = data.draw(st.integers(0, len(line) - 1))
    flip = data.draw(st.integers(1, 255))
    line[at] ^= flip
    if bytes(line).rstrip(b"\r\n") != bytes(line):
        return
    with pytest.raises(FrameError):
        decode_answer(bytes(line), line_max=400)


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"a1",
        b"a1 ",
        b"a1 maybe",
        b"a1 ok  a=1",
        b"a1 ok a=1 a=2",
        b"a1 ok a=",
        b"a1 ok =1",
        b"a1 ok a",
        b'a1 ok a="x',
        b'a1 ok a="x"y',
        b"a1 ok a=\xc3\xa9",
        b"toolongtag ok",
        b"a1 no",
        b"a1 no 4",
        b'a1 no four "x"',
        b"a1 ok a=1 ",
        b" a1 ok",
    ],
)
def test_bad_lines_are_refused(body: bytes) -> None:
    with pytest.raises(FrameError):
        decode_answer(seal(body))


def test_length_is_bounded_both_ways() -> None:
    with pytest.raises(FrameError, match="240"):
        encode_request("a", "put", {"name": "x" * 240})
    with pytest.raises(FrameError, match="longer"):
        decode_answer(seal(b"a ok k=" + b"1" * 300))


def test_a_double_quote_or_a_foreign_letter_cannot_be_sent() -> None:
    for text in ('6" pipe', "caf\u00e9", "a\nb"):
        with pytest.raises(FrameError):
            encode_request("a", "put", {"name": text})
