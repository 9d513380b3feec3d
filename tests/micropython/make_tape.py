"""Records tapes: a day at the virtual press under CPython, as the control core lives through it.

The press is installed as a real one is (settings, calibration, dead-stop test), then run through everything an
operator and bad luck can do. Deterministic by the seed.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tests.micropython import tape_replay as layout

import steadyram_fw.core.controller as core_module
from steadyram.device import Device
from steadyram.link.definition import definition
from steadyram.link.records import DeviceJob
from steadyram.press.pressfile import build_press, read_press_tables
from steadyram.virtual.operator import Operator
from steadyram.virtual.press import VirtualPress
from steadyram.virtual.quick_setup import open_changes, open_device
from steadyram.virtual.trial import install
from steadyram_fw import tables

TOP_S = 60.0


@dataclass
class Tape:
    """The recording. seen: (state, stop, refusal, fault) numbers that came up, to prove that it was a real day."""

    items: list[bytes] = field(default_factory=lambda: [b"SRT2"])
    steps: int = 0
    digest: int = 0
    states: set[int] = field(default_factory=set)
    stops: set[int] = field(default_factory=set)
    faults: set[int] = field(default_factory=set)
    refusals: set[int] = field(default_factory=set)
    modes: set[int] = field(default_factory=set)
    records: int = 0
    most_n: int = 0
    _chunk: bytearray = field(default_factory=bytearray)

    def flush(self) -> None:
        if self._chunk:
            head = struct.pack(layout.HEAD, layout.STEPS, len(self._chunk) // layout.STEP)
            self.items.append(head + bytes(self._chunk) + struct.pack("<I", self.digest))
            self._chunk.clear()

    def tell(self, kind: int, values: Sequence[int] = ()) -> None:
        self.flush()
        self.items.append(
            struct.pack(layout.HEAD, kind, len(values)) + struct.pack(f"<{len(values)}i", *values)
        )

    def step(self, core: Any, counts: int, inputs: int, place: int, out: int) -> None:
        self._chunk += struct.pack("<HHHB", counts, place, inputs, out)
        self.digest = layout.fold(self.digest, core)
        self.steps += 1
        self.states.add(core.state)
        self.stops.add(core.stop)
        self.faults.add(core.fault)
        self.refusals.add(core.refusal)
        self.most_n = max(self.most_n, core.force_n)
        if core.state == tables.STATE_ADVANCE:
            self.modes.add(core.cut.mode)
        if len(self._chunk) == layout.STEP * layout.CHUNK:
            self.flush()

    def write(self, path: Path) -> None:
        self.flush()
        path.write_bytes(b"".join(self.items))


def taping(tape: Tape) -> type[core_module.Controller]:
    """A Controller that writes on `tape` what it is told from outside, and what it answers."""

    class TapingController(core_module.Controller):
        def __init__(self) -> None:
            self._inside = True
            super().__init__()
            self._inside = False
            tape.tell(layout.BOOT)

        def _taped(self, kind: int, values: Sequence[int], call: Any) -> Any:
            # What the core does to itself is not told by anybody.
            if self._inside:
                return call()
            tape.tell(kind, values)
            self._inside = True
            try:
                return call()
            finally:
                self._inside = False

        def step(self, counts: int, inputs: int, place: int = 0) -> int:
            self._inside = True
            out: int = super().step(counts, inputs, place)
            self._inside = False
            tape.step(self, counts, inputs, place, out)
            return out

        def configure(self, settings: Any) -> None:
            self._taped(layout.CONFIGURE, settings, lambda: super(TapingController, self).configure(settings))

        def calibrate(self, cal: Any) -> None:
            self._taped(layout.CALIBRATE, cal or (), lambda: super(TapingController, self).calibrate(cal))

        def choose(self, job_no: int, job: Any, learned: Any) -> None:
            values = [job_no, *learned, *(job or ())]
            self._taped(
                layout.CHOOSE, values, lambda: super(TapingController, self).choose(job_no, job, learned)
            )

        def record_stored(self) -> None:
            if not self._inside:
                tape.tell(layout.RESULT, [layout.digest_of_arrays(self)])
                tape.records += 1
            self._taped(layout.STORED, (), super().record_stored)

        def arm_probe(self, *values: int) -> None:
            self._taped(layout.PROBE, values, lambda: super(TapingController, self).arm_probe(*values))

        def disarm(self) -> None:
            self._taped(layout.DISARM, (), super().disarm)

        def take_zero(self) -> None:
            self._taped(layout.ZERO, (), super().take_zero)

        def raise_fault(self, number: int) -> None:
            self._taped(layout.FAULT, (number,), lambda: super(TapingController, self).raise_fault(number))

        def clear_fault(self) -> None:
            self._taped(layout.CLEAR, (), super().clear_fault)

        def reset_learning(self) -> None:
            self._taped(layout.FORGET, (), super().reset_learning)

    return TapingController


class Day:
    """One operator's day at one press."""

    def __init__(self, press: VirtualPress, device: Device) -> None:
        self.press = press
        self.device = device
        self.operator: Operator = press.operator

    def up(self, latched: bool = False) -> None:
        """Ram to the top, by a held pedal or by one touch."""
        press, operator = self.press, self.operator
        press.run(0.2)
        operator.release_all()
        press.run(0.1)
        operator.latch(latched)
        if latched:
            # A selector that still moves as the pedal goes down leaves the return momentary.
            press.run(0.1)
            operator.tap_retract()
        else:
            operator.press_retract()
        press.run_until(lambda p: p.plant.at_top, TOP_S)
        press.run(0.03)
        operator.release_all()
        operator.latch(False)
        press.run(0.5)

    def part(
        self, *, most_s: float = 20.0, release_after_s: float | None = None, latched: bool = False
    ) -> None:
        """One part: pedal down until the stroke is over (or for a while), then up again."""
        press, operator = self.press, self.operator
        press.load_part()
        press.run(0.4)
        operator.press_extend()
        if release_after_s is not None:
            press.run(release_after_s)
        else:
            over = (tables.STATE_DONE, tables.STATE_STORING, tables.STATE_REFUSED, tables.STATE_FAULT)
            began = press.time_s
            press.run_until(lambda p: p.time_s > began + 0.1 and p.firmware.core.state in over, most_s)
        press.run(0.2)
        self.up(latched)

    def acknowledge(self) -> None:
        press, operator = self.press, self.operator
        press.clear_faults()
        operator.release_all()
        press.run(0.5)
        operator.tap_ack()
        press.run(0.5)

    def job(self, setpoint_n: int, **more: int) -> None:
        fields = {f.name: f.default for f in definition().job} | {"setpoint_n": setpoint_n} | more
        open_changes(self.press)
        self.device.push_jobs([DeviceJob(1, "taped", fields)])
        self.device.use_job(1)
        self.press.run(0.2)


def record(
    press_file: Path,
    seed: int,
    *,
    tables_changed: dict[str, dict[str, Any]] | None = None,
    short: bool = False,
) -> Tape:
    """Install the press, then: a new job learned, other parts, dwell, refusals, both pedals, faults, power cut.

    short: the installation and two jobs only. tables_changed: keys of the press file to differ. Forces in newtons.
    """
    raw = read_press_tables(press_file)
    for table, values in (tables_changed or {}).items():
        raw[table] = {**raw.get(table, {}), **values}
    model = build_press(raw, str(press_file))
    tape = Tape()
    before = core_module.Controller
    core_module.Controller = taping(tape)
    try:
        with VirtualPress(raw, seed=seed, runtime="cpython") as press:
            device = open_device(press)
            install(press, device, strategy=1)
            day = Day(press, device)
            _work(day, round(model.capacity_N))
            if not short:
                _go_wrong(day, round(model.capacity_N))
    finally:
        core_module.Controller = before
    return tape


def _work(day: Day, capacity_n: int) -> None:
    """What a good day is."""
    day.job(capacity_n // 4)
    for n in range(6):
        day.part(latched=n == 3)
    day.press.change("work.plateau", "+30%")
    day.part()
    # near the top of what the press can do, with a dwell that leak-down must be made up in
    day.job(capacity_n * 85 // 100, dwell_ms=1500)
    for _ in range(3):
        day.part()
    if day.press.plant.press.position is not None:
        _to_depth(day, capacity_n)


def _to_depth(day: Day, capacity_n: int) -> None:
    """With a sensor on the ram: a depth learned, a window missed, the limit on force met first, handling."""
    work = day.press.plant.press.work
    inside_um = round(1e6 * (work.gap + work.travel / 2))
    day.job(capacity_n // 2, stop_on=1, depth_um=inside_um)
    for _ in range(4):
        day.part()
    day.job(
        capacity_n // 2, stop_on=2, depth_um=inside_um, window_low_n=capacity_n // 3, window_high_n=capacity_n
    )
    day.part()
    day.job(capacity_n // 6, stop_on=1, depth_um=inside_um + 3000)
    day.part()
    open_changes(day.press)
    day.device.push_settings({**day.device.settings().values, "handling_n": 60000})
    day.job(capacity_n // 2, handling=1)
    day.operator.tap_ack()
    day.press.run(0.5)
    day.part()
    day.press.inject(f"position-jump@{day.press.cycle + 1}")
    day.job(capacity_n // 4)
    day.part(most_s=8.0)
    day.acknowledge()
    day.up()


def _go_wrong(day: Day, capacity_n: int) -> None:
    """What a bad day is."""
    press, operator, device = day.press, day.operator, day.device
    # the operator gives up, presses both, forgets the cutoff
    day.part(release_after_s=0.15)
    press.load_part()
    operator.press_extend()
    press.run(0.2)
    operator.press_retract()
    press.run(0.3)
    day.up()
    operator.cutoff(False)
    day.part(release_after_s=0.3)
    day.job(capacity_n // 3, cutoff_required=0)
    day.part(release_after_s=0.6)
    # the ram must be clear of a part before the next is put there
    press.run(0.3)
    day.up()
    operator.cutoff(True)
    # what can break
    for fault in ("sensor-open", "sensor-short", "sensor-spike", "relay-welded", "leak-fast", "slow-valve"):
        press.inject(f"{fault}@{press.cycle + 1}")
        day.part(most_s=8.0)
        day.acknowledge()
        day.up()
    press.load_part()
    operator.press_extend()
    press.run(0.2)
    operator.push_estop()
    press.run(0.2)
    operator.release_all()
    operator.pull_estop()
    day.acknowledge()
    day.up()
    # power goes in mid-stroke and comes back with the pedal held, then a plain threshold
    operator.press_extend()
    press.run(0.2)
    press.power_cut()
    press.power_up()
    press.run(2.5)
    day.acknowledge()
    day.up()
    day.part()
    open_changes(press)
    device.push_settings({**device.settings().values, "strategy": 0})
    day.part()


def cut(source: Path, target: Path, steps: int) -> None:
    """The tape up to the first item that ends at or after `steps` steps."""
    data = source.read_bytes()
    at = len(b"SRT2")
    done = 0
    while at < len(data) and done < steps:
        kind, count = struct.unpack_from(layout.HEAD, data, at)
        at += 3
        if kind == layout.STEPS:
            at += layout.STEP * count + 4
            done += count
        else:
            at += 4 * count
    target.write_bytes(data[:at])
