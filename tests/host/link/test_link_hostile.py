"""Whatever a broken or hostile device sends, the host ends in one of its own errors, soon and in bounds."""

from __future__ import annotations

import random
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.host.link.scripted import answer

from steadyram.device import Device
from steadyram.errors import BadFrame, SteadyramError
from steadyram.link.client import Client
from steadyram.link.frames import decode_request
from steadyram.link.transport import Transport

WORDS = st.text([chr(c) for c in range(0x20, 0x7F) if chr(c) != '"'], max_size=20)
NUMBERS = st.one_of(
    st.integers(-(10**9), 10**10 - 1).map(str), st.sampled_from(["", "-", "1,2", "1,,2", "x", "٣"])
)
KEYS = st.sampled_from(
    [
        "v",
        "n",
        "gen",
        "digest",
        "next",
        "first",
        "last",
        "seq",
        "slot",
        "name",
        "job",
        "dt_ms",
        "unit_n",
        "state",
        "fault",
        "proto",
        "setpoint_n",
        "unix",
        "zero",
    ]
)
PAIRS = st.dictionaries(
    KEYS, st.one_of(NUMBERS, WORDS).map(lambda t: t.encode("ascii", "replace").decode()), max_size=6
)
LINES = st.one_of(
    st.binary(max_size=60).map(lambda raw: raw + b"\n"),
    st.tuples(st.sampled_from(["row", "ok"]), PAIRS).map(
        lambda pair: pair[0] + "".join(f' {key}="{value}"' for key, value in pair[1].items())
    ),
    st.tuples(st.integers(0, 9999), WORDS).map(lambda pair: f'no {pair[0]} "{pair[1]}"'),
)


class Hostile(Transport):
    """Answers every request with the same lines under the request's own tag."""

    def __init__(self, lines: list[str | bytes]) -> None:
        super().__init__()
        self._lines = lines
        self._out = b""
        self._clock_s = 0.0

    def _write(self, data: bytes) -> None:
        tag = decode_request(data).tag
        for line in self._lines:
            self._out += line if isinstance(line, bytes) else answer(tag, line)

    def _read(self, timeout_s: float) -> bytes:
        if not self._out:
            self._clock_s += timeout_s
        data, self._out = self._out[:100], self._out[100:]
        return data

    def _now_s(self) -> float:
        return self._clock_s


CALLS: dict[str, Callable[[Device], object]] = {
    "hello": Device.hello,
    "now": Device.now,
    "settings": Device.settings,
    "jobs": Device.jobs,
    "calibration": Device.calibration,
    "learned": Device.learned,
    "trace": lambda device: device.trace(1),
    "fine": Device.last_fine,
    "pulses": Device.last_pulses,
    "zero": Device.zero,
    "log": lambda device: [record for record, _ in zip(device.log(), range(200), strict=False)],
    "push": lambda device: device.push_jobs([]),
}


@settings(max_examples=150, deadline=None)
@given(st.lists(LINES, max_size=8), st.sampled_from(sorted(CALLS)))
def test_every_answer_ends_in_a_result_or_an_own_error(lines: list[str | bytes], call: str) -> None:
    transport = Hostile(lines)
    device = Device(Client(transport, timeout_s=0.5, tries=2, source=random.Random(1)))
    try:
        CALLS[call](device)
    except SteadyramError as error:
        said = str(error)
    else:
        said = "a result"
    assert said
    assert "\n" not in said
    assert transport._clock_s < 10.0


@pytest.mark.parametrize("body", ["row v=1", "- live ms=1"])
def test_an_endless_answer_is_bounded(body: str) -> None:
    class Endless(Hostile):
        def _write(self, data: bytes) -> None:
            self._tag = decode_request(data).tag

        def _read(self, timeout_s: float) -> bytes:
            return answer(self._tag, body) * 500

    with pytest.raises(BadFrame, match="without an end"):
        Client(Endless([]), source=random.Random(1)).request("log", {"from": 1})


def test_a_slow_long_answer_is_waited_for() -> None:
    class Slow(Hostile):
        def _write(self, data: bytes) -> None:
            tag = decode_request(data).tag
            self.lines = [answer(tag, f"row v={n}") for n in range(20)] + [
                answer(tag, "ok next=21 first=1 last=20")
            ]

        def _read(self, timeout_s: float) -> bytes:
            self._clock_s += min(timeout_s, 0.4)
            return self.lines.pop(0) if self.lines else b""

    reply = Client(Slow([]), timeout_s=0.5, tries=1, source=random.Random(1)).request("log", {"from": 1})
    assert len(reply.rows) == 20
