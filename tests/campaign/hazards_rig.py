"""A press for many short strokes: the firmware's control core and the virtual plant in one loop, without a board.

The core gets counts and contact levels a millisecond; its outputs go to the plant's solenoids. What is judged is the
plant's and the wiring's truth. Hazards are injected between them (`hazards_inject.py`).
"""

from __future__ import annotations

import json
from array import array
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import Any

from steadyram.press.pressfile import build_press, read_press_tables
from steadyram.virtual.plant import Plant
from steadyram.virtual.press import VirtualPress
from steadyram.virtual.quick_setup import open_device
from steadyram.virtual.trial import STRATEGY, install
from steadyram_fw import tables as t
from steadyram_fw.core.controller import Controller
from steadyram_fw.core.job_model import LEARNED_LEN

FEED = t.OUT_EXTEND | t.OUT_SLOW
VALVES = FEED | t.OUT_RETRACT
LIVE = range(t.STATE_ADVANCE, t.STATE_DWELL + 1)
LEARN = 10
# Faults of the sensor: no force may be shown while one is latched.
BLIND = (t.FAULT_SENSOR_LOW, t.FAULT_SENSOR_HIGH, t.FAULT_SENSOR_FROZEN, t.FAULT_SENSOR_NOISY)
RESET_MS = 200


class Violation(Exception):
    """An invariant was broken."""


@lru_cache(maxsize=8)
def _installed(text: str, seed: int) -> tuple[dict[str, int], dict[str, int]]:
    with VirtualPress(json.loads(text), seed, "cpython") as press:
        device = open_device(press)
        install(press, device, strategy=STRATEGY["learned"])
        return device.press_values(), dict(device.calibration().values)


def installed(tables: dict[str, Any], seed: int) -> tuple[dict[str, int], dict[str, int]]:
    """Settings with measured values, and calibration, as installing the virtual press gives them."""
    values, calibration = _installed(json.dumps(tables), seed)
    return dict(values), dict(calibration)


class Rig:
    """One press with one job. Forces in newtons, time in milliseconds."""

    def __init__(self, file: Path, seed: int, setpoint_share: float, *, required: bool = True) -> None:
        tables = read_press_tables(file)
        # A perfect sensor: what a calibration leaves is another matter. A short approach: many strokes in little time.
        tables["transducer"] |= {"gain_error": "0 %", "zero_error": "0 psi"}
        tables["work"]["gap"] = "3 mm"
        tables["work"].pop("gap_scatter", None)
        self.press = build_press(tables, str(file))
        self.plant = Plant(self.press, seed)
        self.core = Controller()
        self.setpoint = round(setpoint_share * self.press.capacity_N)
        values, calibration = installed(tables, seed)
        values |= {"cycle_max_ms": 6000, "return_max_ms": 4000}
        rows = {row[0]: i for i, row in enumerate(t.SETTINGS)}
        settings = array("i", [row[3] for row in t.SETTINGS])
        for name, value in values.items():
            settings[rows[name]] = value
        self.settings = settings
        self.word = t.IN_ESTOP_OK | t.IN_CUTOFF  # what the operator's contacts are, before any hazard
        self.levels: list[Callable[[int, int], int]] = []  # change(ms, word)
        self.outputs: list[Callable[[int, int], int]] = []  # change(ms, outputs)
        self.ms = 0
        self.out = 0
        self.learned = array("i", [0] * LEARNED_LEN)
        self.job = array("i", [row[3] for row in t.JOB])
        self.job[t.J_SETPOINT_N] = self.setpoint
        self.job[t.J_CUTOFF_REQUIRED] = int(required)
        self.job[t.J_LATCH_RETURN] = 2
        self.trigger: tuple[Callable[[], bool], Callable[[], None]] | None = None
        self.acks = 0  # acknowledgements that the operator gave as told: held 0.3 s, released
        self._wired = 0
        self._fresh = {t.IN_EXTEND: False, t.IN_RETRACT: False}
        self._acks_at_fault = 0
        self._state = t.STATE_STARTING
        self._fed = False  # this stroke has energised a feed
        self.strokes = 0
        self.records = 0
        self.stops: dict[str, int] = {}
        self.faults: dict[str, int] = {}
        self.judged = False
        core = self.core
        core.configure(settings)
        core.calibrate(array("i", [calibration[row[0]] for row in t.CALIBRATION][: t.CAL_CORE_LEN]))
        core.choose(1, self.job, self.learned)
        self.run(500)
        for _ in range(LEARN):
            self.cycle()
        self.kept = array("i", self.learned)
        # What healthy parts come to here: hazards are judged beside them.
        self.healthy = max(self.cycle() for _ in range(12))
        for i in range(LEARNED_LEN):
            self.learned[i] = self.kept[i]
        self._stale()
        self.judged = True

    # ------------------------------------------------------------------ time
    def step(self) -> None:
        """One millisecond of plant, wiring and core; raises Violation."""
        plant, core = self.plant, self.core
        counts = plant.step()
        word = self.word | (t.IN_TOP if plant.at_top else 0)
        if self.trigger is not None and self.trigger[0]():
            bring, self.trigger = self.trigger[1], None
            bring()
        for change in self.levels:
            word = change(self.ms, word)
        for pedal in (t.IN_EXTEND, t.IN_RETRACT):
            if word & pedal and not self._wired & pedal:
                self._fresh[pedal] = True
        self._wired = word
        before = self.out
        out = core.step(counts, word, 0)
        self.out = out
        self.ms += 1
        if core.record_ready and not core.live:
            self._store()
        if self.judged:
            self._judge(before, out)
        self._state = core.state
        for change in self.outputs:
            out = change(self.ms, out)
        if word & t.IN_ESTOP_OK == 0 and not self.word & t.IN_ESTOP_OK:
            out = 0
        plant.command(bool(out & t.OUT_EXTEND), bool(out & t.OUT_RETRACT), bool(out & t.OUT_SLOW))

    def run(self, ms: int, until: Callable[[], bool] | None = None) -> None:
        """Let time pass, at most to where `until()` is true."""
        for _ in range(ms):
            self.step()
            if until is not None and until():
                return

    def _store(self) -> None:
        core = self.core
        self.records += 1
        name = t.STOP_NAMES[core.record[t.R_STOP]]
        self.stops[name] = self.stops.get(name, 0) + 1
        core.learned_dirty = False
        core.record_stored()

    # ------------------------------------------------------------------ invariants
    def _judge(self, before: int, out: int) -> None:
        core, state, was = self.core, self.core.state, self._state
        if state == t.STATE_FAULT and was != t.STATE_FAULT:
            name = t.FAULT_NAMES[core.fault]
            self.faults[name] = self.faults.get(name, 0) + 1
            self._acks_at_fault = self.acks
            self._stale()
        if was == t.STATE_FAULT and state != t.STATE_FAULT:
            self._stale()
            if self.acks == self._acks_at_fault:
                raise Violation("2: a fault was left without an acknowledgement")
        if state == t.STATE_FAULT and out & VALVES:
            raise Violation("2: a valve is energised in a latched fault")
        if state not in LIVE and was not in LIVE:
            self._fed = False
        if out & FEED and not self._fed:
            # The first feed of a stroke; the state is a live one some milliseconds before it.
            self._fed = True
            if not self._fresh[t.IN_EXTEND]:
                raise Violation("1: a feed began without a pedal newly pressed")
            self.strokes += 1
        if out & t.OUT_RETRACT and not before & t.OUT_RETRACT and not self._fresh[t.IN_RETRACT]:
            raise Violation("1: retract began without a pedal newly pressed")
        if was in LIVE and state not in LIVE:
            self._fresh[t.IN_EXTEND] = False
        if before & t.OUT_RETRACT and not out & t.OUT_RETRACT:
            self._fresh[t.IN_RETRACT] = False
        if state == t.STATE_FAULT and core.fault in BLIND and core.shown_n is not None:
            raise Violation("4: a force is shown that cannot be known")

    def _stale(self) -> None:
        self._fresh = {t.IN_EXTEND: False, t.IN_RETRACT: False}

    # ------------------------------------------------------------------ acts
    def cycle(self, hold_ms: int = 6500) -> float:
        """A part under the ram, the pedal until something ends it, the return; the true peak over the setpoint."""
        core = self.core
        self.release()
        self.run(250)
        if self.plant.at_top:
            self.plant.next_part()
        self.plant.peak_N = 0.0
        self.word |= t.IN_EXTEND
        self.run(30)
        self.run(hold_ms, lambda: core.state not in LIVE)
        self.run(160)
        self.release()
        self.run(60)
        peak = self.plant.peak_N / self.setpoint
        self.word |= t.IN_RETRACT
        self.run(30)
        self.run(3000, lambda: core.state != t.STATE_RETURN)
        self.release()
        self.run(120)
        return peak

    def release(self) -> None:
        """Feet off the pedals."""
        self.word &= ~(t.IN_EXTEND | t.IN_RETRACT)

    def acknowledge(self) -> None:
        """Push the button as told: 0.3 s, then let it go."""
        self.release()
        self.run(60)
        self.word |= t.IN_ACK
        self.run(300)
        self.word &= ~t.IN_ACK
        # It counts from the release on.
        self.acks += 1
        self.run(RESET_MS)

    def mend(self) -> None:
        """Take every hazard away and bring the press back to rest at the top, with the job as it was learned."""
        self.levels.clear()
        self.outputs.clear()
        self.trigger = None
        plant, core = self.plant, self.core
        plant.sensor_override = None
        plant.supply_factor = 1.0
        for solenoid in (plant.extend, plant.retract, plant.slow):
            solenoid.stuck = solenoid.dead = False
            if not solenoid.pending:
                solenoid.spool = solenoid.commanded
        plant.set_press(self.press)
        plant.valves_touched()
        self.word = t.IN_ESTOP_OK | t.IN_CUTOFF
        self.judged = False
        self.run(700)
        for _ in range(6):
            if core.state == t.STATE_FAULT:
                self.acknowledge()
                self.run(200)
            self.word |= t.IN_RETRACT
            self.run(40)
            self.run(4000, lambda: core.state != t.STATE_RETURN)
            self.release()
            self.run(400)
            if core.state == t.STATE_READY and plant.at_top:
                break
        for i in range(LEARNED_LEN):
            self.learned[i] = self.kept[i]
        core.choose(1, self.job, self.learned)
        core.disarm()
        core.take_zero()
        self.run(400)
        self._stale()
        self.judged = True
