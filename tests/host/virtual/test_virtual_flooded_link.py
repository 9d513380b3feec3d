"""A host that never stops talking does not move a valve by a millisecond, and the heap stays locked in the step.

The same press, seed and feet, with a quiet link and with one flooded at the line's full speed by requests, garbage
and half lines: every edge of every output comes at the same tick, every record is stored, nothing is changed.
"""

from __future__ import annotations

import random

import pytest

from steadyram.link.frames import seal
from steadyram.virtual.default_press import default_press
from steadyram.virtual.press import VirtualPress
from steadyram.virtual.quick_setup import set_up
from steadyram.virtual.runtime import find_micropython

BYTES_A_MS = 12  # 115200 baud
CYCLES = 3


def flood(source: random.Random) -> bytes:
    """A second at full speed."""
    out = b""
    n = 0
    while len(out) < 1000 * BYTES_A_MS:
        n += 1
        out += source.choice(
            [
                seal(b"f%d now" % n) + b"\n",
                seal(b"f%d log from=0" % n) + b"\n",
                seal(b"f%d show kind=settings" % n) + b"\n",
                b"f%d use job=4\n" % n,
                seal(b"f%d use job=4" % n)[:-1] + b"?\n",
                source.randbytes(100),
                b"x" * 400 + b"\n",
            ]
        )
    return out[: 1000 * BYTES_A_MS]


def day(flooded: bool) -> tuple[list[tuple[float, int]], list[int], int, str]:
    source = random.Random(5)
    with VirtualPress(default_press(), 5, "micropython", lock_heap=True) as press:
        device = set_up(press, 20_000.0, batch=50)
        start_s = press.time_s

        def pour() -> None:
            press.send(flood(source))
            press.after(1.0, pour)

        if flooded:
            pour()
        ends_s = start_s
        for _ in range(CYCLES):
            # By the clock, not by what the panel shows: the panel may well be late.
            press.operator.load_part()
            for act, seconds in (
                (press.operator.press_extend, 4.0),
                (press.operator.release_extend, 1.0),
                (press.operator.press_retract, 5.0),
                (press.operator.release_retract, 1.5),
            ):
                act()
                ends_s += seconds
                press.run(ends_s - press.time_s)
        edges = [(round(o.time_s - start_s, 3), o.word & 7) for o in press.valve_log if o.time_s > start_s]
        heard = len(press.received)
        # The flood is over: what is still on its way is dropped with the next line.
        press._schedule.clear()
        press._to_device.clear()
        press.run(3.0)
        press.take_received()
        press.send(b"\n")
        records = [record.values["stop"] for record in device.log()]
        return edges, records, heard, device.jobs().digest


@pytest.mark.skipif(find_micropython() is None, reason="no MicroPython on this machine")
def test_a_flooded_link_does_not_move_a_valve_by_a_millisecond() -> None:
    edges, records, heard, digest = day(flooded=False)
    flooded_edges, flooded_records, flooded_heard, flooded_digest = day(flooded=True)
    assert len(edges) >= 4 * CYCLES
    assert flooded_heard > heard + 20_000  # it was answered all the while
    assert [word for _, word in flooded_edges] == [word for _, word in edges]
    assert flooded_edges == edges
    assert flooded_records == records
    assert len(records) == CYCLES
    assert flooded_digest == digest
