"""The conformance vectors against the host's half of the protocol; checksums against the standard library."""

import binascii
import tomllib
from pathlib import Path

import pytest

from steadyram.link.definition import definition
from steadyram.link.frames import FrameError, decode_answer, decode_request, encode_request

ROOT = Path(__file__).resolve().parents[2]
VECTORS = tomllib.loads((ROOT / "protocol" / "vectors.toml").read_text(encoding="utf-8"))
STEPS = [step for session in VECTORS["session"] for step in session["step"] if "answer" in step]
REQUESTS = [step for step in STEPS if "send" in step]
GOOD = [step["send"] for step in REQUESTS if not step.get("malformed")]
BAD = [
    step["send"].encode() if "send" in step else bytes.fromhex(step["send_hex"])
    for step in STEPS
    if step.get("malformed")
]
ANSWERS = [line for step in STEPS for line in step["answer"]]


def test_there_is_something_to_check():
    assert len(GOOD) > 100
    assert len(BAD) > 20
    assert len(ANSWERS) > 180


@pytest.mark.parametrize("line", GOOD)
def test_host_takes_good_requests_and_would_write_them_alike(line):
    request = decode_request(line.encode())
    body = line.rsplit(" #", 1)
    written = encode_request(request.tag, request.verb, request.fields, crc=len(body) == 2)
    again = decode_request(written)
    assert (again.tag, again.verb, again.fields) == (request.tag, request.verb, request.fields)
    if '"' not in line:
        assert written == line.encode() + b"\n"


@pytest.mark.parametrize("line", BAD)
def test_host_refuses_malformed_requests(line):
    with pytest.raises(FrameError):
        decode_request(line)


@pytest.mark.parametrize("line", ANSWERS)
def test_answers_are_whole_and_the_host_reads_them(line):
    body, _, told = line.rpartition(" #")
    assert all("@" <= digit <= "O" for digit in told)
    assert int("".join(f"{ord(digit) & 15:x}" for digit in told), 16) == binascii.crc_hqx(
        body.encode("ascii"), 0xFFFF
    )
    answer = decode_answer(line.encode(), line_max=480)
    if answer.kind == "no":
        known = definition().errors[answer.number].text
        assert answer.sentence.startswith(known)
    elif answer.kind == "event":
        assert answer.fields
    last = "1" if line[-1] == "0" else "0"
    for damaged in (line[:-1], line[1:], line.replace(" ", "  ", 1), line[:-1] + last):
        with pytest.raises(FrameError):
            decode_answer(damaged.encode(), line_max=480)


def test_replies_have_the_keys_of_the_definition():
    verbs = definition().verbs
    seen = set()
    for step in REQUESTS:
        parts = step["send"].split(" ")
        if len(parts) < 2 or parts[1] not in verbs or not step["answer"]:
            continue
        for line in step["answer"]:
            answer = decode_answer(line.encode(), line_max=480)
            if answer.kind == "ok" and answer.tag == parts[0]:
                assert tuple(answer.fields) == verbs[parts[1]].reply, step["send"]
                seen.add(parts[1])
    assert seen == set(verbs)


def test_every_error_that_a_line_alone_can_cause_is_there():
    seen = {decode_answer(line.encode(), line_max=480).number for line in ANSWERS}
    # 21 (flash), 22 (not at rest) and 25 (board without it) need a fault, a pedal, a board: tests/firmware has them
    assert set(definition().errors) - seen == {21, 22, 25}
