"""How much of a serial line at 115200 baud a pull uses.

The line is paced: eight data bits, a start and a stop bit a byte, both directions, in virtual time; the
host's own work between bytes is measured on the wall and added, so that a slow host shows.
"""

from __future__ import annotations

import random
import time
from pathlib import Path

import pytest
from tests.host.cycles.test_cycles_pull import ready_bench
from tests.host.loopback import Bench

from steadyram.cycles.pull import pull
from steadyram.cycles.store import CycleStore
from steadyram.device import Device
from steadyram.link.client import Client
from steadyram.link.transport import Transport

BYTES_S = 115200 / 10
# What a USB converter keeps bytes back for at most, once a reply (16 ms is the common default; 1 ms is set
# where low latency matters). From memory; a setting of the converter's driver, not of this tool.
LATENCY_S = 0.001


class PacedTransport(Transport):
    """A line to a bench that carries so many bytes a second and no more."""

    def __init__(self, bench: Bench) -> None:
        super().__init__()
        self.bench = bench
        self.line_s = 0.0
        self.host_s = 0.0
        self.up = self.down = 0
        self._left_at: float | None = None

    def _host_worked(self) -> None:
        if self._left_at is not None:
            self.host_s += time.process_time() - self._left_at

    def _write(self, data: bytes) -> None:
        self._host_worked()
        self.up += len(data)
        self.line_s += len(data) / BYTES_S + LATENCY_S
        self.bench._in += data
        self._left_at = time.process_time()

    def _read(self, timeout_s: float) -> bytes:
        self._host_worked()
        bench = self.bench
        before = bench.time_ms
        while not bench._out and bench.time_ms - before < 1500:
            bench.tick()
        # A board answers a row in a millisecond while the line carries the one before: only the first waits.
        data = bytes(bench._out)
        bench._out.clear()
        self.down += len(data)
        carried = len(data) / BYTES_S
        self.line_s += max(carried, (bench.time_ms - before) / 1000.0)
        self._left_at = time.process_time()
        return data

    def _now_s(self) -> float:
        return self.bench.time_ms / 1000.0


def measure(root: Path, strokes: int, *, traces: bool) -> dict[str, float]:
    """Pull a device's log over the paced line; seconds, bytes and the share of the line used."""
    bench = ready_bench(root / "flash")
    for number in range(strokes):
        bench.stroke(9000 + number, points=200)
    line = PacedTransport(bench)
    with CycleStore(root / "c.db") as store:
        result = pull(Device(Client(line, source=random.Random(1))), store, traces=traces)
    assert result.records == strokes
    total_s = line.line_s + line.host_s
    return {
        "records": result.records,
        "traces": result.traces,
        "bytes_down": line.down,
        "bytes_up": line.up,
        "line_s": line.line_s,
        "host_s": line.host_s,
        "share_of_line": line.down / (total_s * BYTES_S),
        "share_of_line_both_ways": (line.down + line.up) / (total_s * BYTES_S),
        "bytes_a_record": line.down / result.records,
    }


@pytest.mark.parametrize("traces", [False, True], ids=["records", "records and traces"])
def test_a_pull_uses_nine_tenths_of_the_line(tmp_path: Path, traces: bool) -> None:
    found = measure(tmp_path, 100, traces=traces)
    # The line's own share; the host's work depends on the machine and stands in the benchmark.
    assert found["bytes_down"] / (found["line_s"] * BYTES_S) >= 0.9, found
