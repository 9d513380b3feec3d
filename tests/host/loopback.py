"""The firmware's real App under CPython behind a Transport in virtual time, with a stand-in control core.

The stand-in core does no control: tests of the link only need its face, and strokes are put in as records.
"""

from __future__ import annotations

import gc
from array import array
from collections.abc import Iterable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from steadyram.errors import PortLost
from steadyram.link.transport import Transport
from steadyram_fw import tables as T
from steadyram_fw.app import App

HELD = T.IN_ESTOP_OK | T.IN_TOP | T.IN_CUTOFF


class StillCore:
    """The control core's face with nothing moving."""

    def __init__(self) -> None:
        self.live = False
        self.record = array("q", [0] * T.R_LEN)
        self.record[T.R_UNKNOWN :] = array("q", [-1] * (T.R_LEN - T.R_UNKNOWN))
        self.record_ready = False
        self.learned_dirty = False
        self.state, self.stop, self.fault, self.refusal = T.STATE_READY, 0, 0, 0
        self.shown_n: int | None = 120
        self.reading_valid, self.latch_on, self.returns_latched, self.acknowledged = True, False, False, False
        self.armed_ms, self.armed_n, self.inputs = 0, 0, 0
        self.force_n, self.peak_n, self.mean_c16, self.spread_c = 120, 0, 6554 * 16, 2
        self.counts, self.zero = 6600, 6554
        self.trace, self.trace_len, self.trace_ms, self.trace_unit_n = array("H", [0] * 256), 0, 2, 1
        self.trace_travel: Any = None
        self.travel_um, self.travel = 0, SimpleNamespace(known=False)
        self.fine, self.fine_head = array("H", range(512)), 12
        self.pulses, self.pulse_log = 2, array("i", [20, 16000, 17000, 18, 17000, 17900])
        self.proposed_n = 0
        self.armed: tuple[int, ...] | None = None

    def step(self, counts: int, inputs: int, place: int = 0) -> int:
        self.inputs = inputs
        return 0

    def configure(self, settings: Any) -> None:
        self.settings = settings

    def calibrate(self, cal: Any) -> None:
        self.cal = cal

    def choose(self, *chosen: Any) -> None:
        self.chosen = chosen

    def record_stored(self) -> None:
        self.record_ready = False

    def arm_probe(self, *probe: int) -> None:
        self.armed = probe
        self.armed_ms, self.armed_n = 60000, probe[5]

    def disarm(self) -> None:
        self.armed_ms = 0

    def take_zero(self) -> None:
        self.zero = self.counts

    def raise_fault(self, number: int) -> None:
        self.fault = number

    def __getattr__(self, name: str) -> Any:
        if name.startswith("__"):
            raise AttributeError(name)
        return lambda *_: None


class Bench:
    """A powered device. `drop_after` bytes sent by the host the port goes away (None = never)."""

    name = "bench"
    uid = "b3nch001"
    log_shape = (8, 64, 40)

    def __init__(self, root: Path) -> None:
        root.mkdir(exist_ok=True)
        # The firmware collects after every record; under CPython that would walk the whole test run's heap.
        gc.freeze()
        self.root = str(root)
        self.drop_after: int | None = None
        self._in = b""
        self._out = bytearray()
        self.time_ms = 0
        self.inputs = HELD
        self.power_up()

    def power_up(self) -> None:
        """Start the firmware from what is in its files."""
        self._in, self._out = b"", bytearray()
        self.core = StillCore()
        self.app = App(self, self.core)

    def enable(self) -> None:
        """Hold the panel's enable button for two seconds."""
        self.run(10)
        self.inputs |= T.IN_ENABLE
        self.run(2000)
        self.inputs &= ~T.IN_ENABLE
        self.run(10)

    def unseal(self) -> None:
        """Hold it long enough for the calibration's seal, too, and let go."""
        self.run(10)
        self.inputs |= T.IN_ENABLE
        self.run(5500)
        self.inputs &= ~T.IN_ENABLE
        self.run(10)

    def run(self, ms: int) -> None:
        """Let `ms` milliseconds pass."""
        for _ in range(ms):
            self.tick()

    def tick(self) -> None:
        self.app.tick(self.core.counts, self.inputs)
        self.app.poll()
        self.time_ms += 1

    def stroke(self, peak_n: int, *, points: int = 50, states: Iterable[int] = (), **fields: int) -> None:
        """Put in one finished stroke and let it be stored; states: what the core shows first, each for a moment."""
        core = self.core
        for core.state in states:
            self.run(20)
        values = {
            "setpoint_n": 9000,
            "peak_n": peak_n,
            "settled_n": peak_n - 50,
            "end_n": peak_n - 60,
            "stop": T.STOP_SETPOINT,
            "fault": 0,
            "flags": T.FLAG_CUTOFF,
            "duration_ms": 1800,
            "contact_ms": 900,
            "zero_counts": 6554,
            **fields,
        }
        for key, value in values.items():
            core.record[getattr(T, "R_" + key.upper())] = value
        for at in range(points):
            core.trace[at] = min(65535, peak_n * at // max(1, points - 1))
        core.trace_len = points
        core.record_ready = True
        for _ in range(50):
            self.tick()
        assert not core.record_ready

    # what App(board) sees
    def link_read(self) -> bytes | None:
        data, self._in = self._in, b""
        return data or None

    def link_write(self, data: bytes) -> None:
        self._out += data

    def knob(self) -> int:
        return 0

    def show(self, lines: Any) -> None:
        return None

    def idle(self) -> None:
        return None


class LoopTransport(Transport):
    """The wire to a bench; `noise(number of the line, line)` may damage or swallow what the device sends."""

    def __init__(self, bench: Bench) -> None:
        super().__init__()
        self.bench = bench
        self.lines = 0

    def _write(self, data: bytes) -> None:
        bench = self.bench
        if bench.drop_after is not None:
            if len(data) > bench.drop_after:
                bench._in += data[: bench.drop_after]
                bench.drop_after = 0
                bench.run(200)
                bench._out.clear()
                raise PortLost("The port went away.")
            bench.drop_after -= len(data)
        bench._in += data

    def _read(self, timeout_s: float) -> bytes:
        bench = self.bench
        left = max(1, round(timeout_s * 1000))
        while not bench._out and left:
            bench.tick()
            left -= 1
        data = bytes(bench._out)
        bench._out.clear()
        return data

    def _now_s(self) -> float:
        return self.bench.time_ms / 1000.0
