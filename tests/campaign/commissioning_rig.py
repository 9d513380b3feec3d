"""A press that is commissioned without the firmware's other services: the plant, and what a commissioning stroke does.

The same plant, the same procedure and the same strokes as over the link (feed to a reading, pulses, the traces with
their doubling spacing), in a sixth of the time: waiting is cut short, and nothing but the stroke is run. A small part
of the campaign runs on the whole firmware to see that both find the same.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any

import numpy as np

from steadyram.commission.hands import Hands
from steadyram.link.definition import definition
from steadyram.link.records import Pulse
from steadyram.nameplate import nameplate_settings
from steadyram.press.pressfile import PressFile
from steadyram.virtual.load_cell import load_cell_gain
from steadyram.virtual.plant import Plant
from steadyram.virtual.work import block

_POINTS = 512
_AFTER_MS = 150
_LONGEST_MS = 60_000


@dataclass
class Rig:
    """Stands for device and hands at once. Times as on a real press, but what only waits is shortened.

    glitch: samples after each edge of an output and their size as a share of the converter's range, or None.
    """

    press: PressFile
    seed: int
    glitch: tuple[int, float] | None = None
    values: dict[str, int] = field(default_factory=dict)
    waited_s: float = 0.0

    def __post_init__(self) -> None:
        self.plant = Plant(self.press, self.seed)
        self._gain = load_cell_gain(self.seed)
        self._rng = np.random.default_rng([self.seed, 77])
        self._spoilt = 0
        self._sign = 1.0
        self._outputs = (False, False, False)
        self._probe: dict[str, int] = {}
        self._trace: list[int] = []
        self._dt = 1
        self._fine: list[int] = []
        self._pulses: list[Pulse] = []
        self._cut_ms = 0
        self._seq = 1
        self._state = "ready"
        self._recent: list[int] = []
        for _ in range(64):
            self._step()

    # ------------------------------------------------------------------ the plant
    def _step(self) -> int:
        counts = self.plant.step()
        if self._spoilt:
            self._spoilt -= 1
            assert self.glitch is not None
            counts = int(min(65535, max(0, counts + self._sign * self.glitch[1] * 52428)))
        self._recent.append(counts)
        return counts

    def _command(self, extend: bool, retract: bool, slow: bool) -> None:
        if (extend, retract, slow) != self._outputs and self.glitch is not None:
            self._spoilt = self.glitch[0]
            self._sign = 1.0 if self._rng.random() < 0.5 else -1.0
        self._outputs = (extend, retract, slow)
        self.plant.command(extend, retract, slow)

    def run(self, seconds: float) -> None:
        """Let time pass."""
        for _ in range(round(1000 * seconds)):
            self._step()
        del self._recent[:-64]

    # ------------------------------------------------------------------ the device
    def calibration(self) -> Any:
        """See Device.calibration."""
        return SimpleNamespace(values=self.values)

    def settings(self) -> Any:
        """See Device.settings: what the press file states."""
        return SimpleNamespace(values=nameplate_settings(self.plant.press))

    def now(self) -> Any:
        """See Device.now: what the procedures read of it."""
        last = self._recent[-64:]
        return SimpleNamespace(
            state=self._state,
            fault=None,
            changes_left_s=600.0,
            next_seq=self._seq,
            uptime_s=self.plant.time_s,
            mean_counts=float(np.mean(last)),
            spread_counts=max(last) - min(last),
        )

    def probe(self, *, feed: str = "full", **what: float) -> None:
        """See Device.probe."""
        self._probe = {key: int(value) for key, value in what.items()}
        self._probe["feed"] = definition().argument("probe", "feed", feed)

    def disarm(self) -> None:
        """See Device.disarm."""

    def trace(self, seq: int) -> Any:
        """See Device.trace."""
        return SimpleNamespace(points=tuple(self._trace), dt_s=self._dt / 1000.0)

    def log(self, seq: int) -> Any:
        """See Device.log."""
        return iter([{"duration_ms": self._cut_ms}])

    def last_fine(self) -> list[int]:
        """See Device.last_fine."""
        return self._fine

    def last_pulses(self) -> list[Pulse]:
        """See Device.last_pulses."""
        return self._pulses

    # ------------------------------------------------------------------ the stroke
    def _stroke(self) -> None:
        p = {"feed": 0, "cut_counts": 0, "pulse_ms": 0, "pulses": 0, "pause_ms": 0} | self._probe
        slow = bool(p["feed"])
        on, off = (not slow, False, slow), (False, False, False)
        samples: list[int] = list(self._recent[-16:])
        lead = len(samples)
        self._pulses = []
        # The sample of the step that gives the command is the first one of the record.
        samples.append(self._step())
        self._command(*on)
        pulses, width, pause = p["pulses"], p["pulse_ms"], max(1, p["pause_ms"])
        cut = p["cut_counts"]
        done = 0
        cut_at = 0
        feeding = not (width and (pulses == 0 or cut == 0))
        capped = 0
        while capped < _LONGEST_MS:
            before = float(np.mean(samples[-16:]))
            ticks = 0
            while ticks < _LONGEST_MS:
                ticks += 1
                capped += 1
                samples.append(self._step())
                if (ticks >= width) if not feeding else (samples[-1] >= cut):
                    break
            self._command(*off)
            cut_at = len(samples) - 1 - lead
            for _ in range(pause):
                samples.append(self._step())
            after = float(np.mean(samples[-16:]))
            if not feeding:
                done += 1
                self._pulses.append(Pulse(width / 1000.0, before, after))
            feeding = False
            force = (after - self.values.get("zero_counts", 0)) * self.values.get("c1_n", 0) / 65536
            if force > self.press.capacity_N * 31 / 32 or not width:
                break
            if (after >= cut) if pulses == 0 else (done >= pulses):
                break
            self._command(*on)
        for _ in range(_AFTER_MS - 1):
            samples.append(self._step())
        record = samples[lead:]
        self._dt = 1
        while len(record) // self._dt >= _POINTS:
            self._dt *= 2
        self._trace = record[:: self._dt]
        whole = samples[-_POINTS:]
        self._fine = [whole[0]] * (_POINTS - len(whole)) + whole
        self._cut_ms = cut_at
        self._seq += 1


class RigHands(Hands):
    """The operator of a rig."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig

    def note(self, text: str) -> None:
        """Say nothing."""

    def wait(self, seconds: float) -> None:
        self._rig.run(min(seconds, 0.07) if seconds < 1.0 else seconds)

    def open_changes(self) -> None:
        """Changes are open."""

    def open_calibration(self) -> None:
        """The seal is open."""

    def use_block(self) -> None:
        self.to_top()
        self._rig.plant.load_part(block(self._rig.press.work.gap))

    def reseat(self, run: int) -> bool:
        return True

    def ambient_C(self, when: str) -> float | None:
        return None

    def use_stack(self, height_m: float) -> None:
        raise NotImplementedError

    def press_extend(self) -> None:
        self._rig._stroke()
        self._rig._state = "done"

    def release_extend(self) -> None:
        self._rig._state = "ready"
        self._rig.run(0.03)

    def tap_retract(self, seconds: float) -> None:
        rig = self._rig
        rig._command(False, True, False)
        rig.run(seconds)
        rig._command(False, False, False)
        rig.run(0.15)

    def to_top(self) -> None:
        rig = self._rig
        rig._command(False, True, False)
        for _ in range(4000):
            rig.run(0.01)
            if rig.plant.at_top:
                break
        rig._command(False, False, False)
        rig.run(0.2)

    def reference_N(self) -> float:
        return self._rig.plant.force_N * self._rig._gain
