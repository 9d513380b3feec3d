"""Strokes with a position sensor for the travel campaign: plant and firmware core in one process, without the link.

Each shift is one press with one job: good parts to learn from, then good ones with single bad ones among them, and
last a spell in which the press itself drifts and the parts are as before. The host sees what it would have pulled:
record, trace, travel.

The press is set up as a good commissioning would leave it (`commissioned`), its position sensor calibrated
without error but its rounding. The ram goes the whole way up and down.

What may be wrong with a part, and how it is made. Every part scatters (the press file's scatter on plateau and
travel, 2 % of the sheet's thickness, 20 um of the hardware's height, one standard deviation each). Amounts are
invented (common practice, no source).

===========  ================================================================================
missing      no hardware: contact deeper by its height, nothing yields, the bare sheet's stiffness
double       two parts in series: contact higher by a part's height, the plateau of the one that yields first,
             then that of the other, which is 1.0 to 1.3 times as high; half the stiffness
upside down  flange on the sheet, the shank in the air: contact in its place (a part is as high either way), its
             edges give way for a tenth of the travel at a quarter of the plateau, and then the force rises with
             half to all of the bare sheet's stiffness; nothing embeds
thin         a sheet thinner by 12 to 30 %: contact deeper by as much, plateau lower in proportion
thick        a sheet thicker by 12 to 30 %: contact higher by as much, plateau higher in proportion
===========  ================================================================================
"""

from __future__ import annotations

from array import array
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from tests.campaign.detection_sim import PRESSES, SHEET_SHARE, WEAR, commissioned, oil_told, worn

from steadyram.cycles.signature import Stroke
from steadyram.cycles.travel_signature import seen_later_s
from steadyram.link.definition import definition
from steadyram.press.pressfile import Position, PressFile, build_press, read_press_tables
from steadyram.virtual.plant import Plant
from steadyram.virtual.work import Part, make_part
from steadyram_fw import tables as t
from steadyram_fw.core.controller import TRAVEL_UNIT_SHIFT, Controller
from steadyram_fw.core.job_model import LEARNED_LEN

PARTS = ("missing", "double", "upside down", "thin", "thick")
LEARN, MIXED, SPELL = 30, 150, 40
BAD_SHARE = 0.2
HEIGHT_SD_M = 20e-6
_REST = t.IN_ESTOP_OK | t.IN_CUTOFF
# A linear potentiometer and two encoders, each as in the press files that have one.
POT = Position.model_validate(
    dict(kind="potentiometer", range="225 mm", noise=1e-4, nonlinearity=2e-4, gain_error=5e-3)
)
ENCODER_5 = Position.model_validate(dict(kind="encoder", step="5 um"))
ENCODER_10 = Position.model_validate(dict(kind="encoder", step="10 um"))


@dataclass(frozen=True)
class Line:
    """One press with one job. position: the sensor put onto a press file that has none."""

    name: str
    over_plateau: float
    sheet_m: float
    dwell_ms: int = 0
    position: Position | None = None

    def press(self) -> PressFile:
        """The press file, with the sensor."""
        found = build_press(read_press_tables(PRESSES / f"{self.name}.toml"), self.name)
        if self.position is None:
            return found
        # Long enough for the whole stroke.
        longer = {"range": 1.1 * found.cylinder.stroke} if self.position.range is not None else {}
        return found.model_copy(update={"position": self.position.model_copy(update=longer)})


@dataclass(frozen=True)
class Sample:
    """One cycle: the part's truth, whether it was learned from, how the press was, and what was pulled.

    lag_s: as the host works it out from the settings; gap_m: where the part really is.
    """

    truth: str
    learning: bool
    press: str
    stroke: Stroke
    travel_m: np.ndarray
    lag_s: float
    gap_m: float
    contact_m: float


def in_series(one: Part, two: Part) -> tuple[tuple[float, float], ...]:
    """Corners of two parts on top of each other: at each force both have given way."""

    def give(part: Part, force: float) -> float:
        x0, f0 = 0.0, 0.0
        for x1, f1 in part.corners:
            if force <= f1:
                return x0 + (x1 - x0) * (force - f0) / (f1 - f0)
            x0, f0 = x1, f1
        return x0 + (force - f0) / part.stiffness_N_m

    forces = sorted({force for part in (one, two) for _, force in part.corners})
    return tuple((give(one, force) + give(two, force), force) for force in forces)


class TravelShift:
    """One press with one job from its first part on."""

    def __init__(self, line: Line, seed: int, *, put_back: bool = True) -> None:
        self.line = line
        self.put_back = put_back
        self.rng = np.random.default_rng([seed, 81])
        self.press = line.press()
        self.plant = Plant(self.press, seed)
        self.core = commissioned(self.press, self.rng)
        _add_position(self.core, self.press)
        work = self.press.work
        job = array("i", [0] * t.J_LEN)
        job[t.J_SETPOINT_N] = round(line.over_plateau * work.plateau * 1.1)
        job[t.J_DWELL_MS] = line.dwell_ms
        self.core.choose(1, job, array("i", [0] * LEARNED_LEN))
        self._run(700, 0)
        if not self.core.travel.known:
            raise AssertionError(f"{line.name}: no reference at the top")

    def _run(self, most_ms: int, pedals: int, until: tuple[int, ...] = ()) -> None:
        plant, core = self.plant, self.core
        step, decide, command, place = plant.step, core.step, plant.command, plant.place
        before = core.outputs
        for _ in range(most_ms):
            levels = _REST | pedals | (t.IN_TOP if plant.u <= 0.0 else 0)
            out = decide(step(), levels, place())
            if out != before:
                command(bool(out & t.OUT_EXTEND), bool(out & t.OUT_RETRACT), bool(out & t.OUT_SLOW))
                before = out
            if core.state in until:
                return

    def part(self, kind: str) -> Part:
        """A part with this trouble; any other word is a good one."""
        rng, work, sheet = self.rng, self.press.work, self.line.sheet_m
        ratio = 1.0 + SHEET_SHARE * float(rng.standard_normal())
        if kind in ("thin", "thick"):
            ratio = 1.0 + (-1.0 if kind == "thin" else 1.0) * float(rng.uniform(0.12, 0.30))
        height = 2.0 * sheet
        gap = work.gap + sheet * (1.0 - ratio) + HEIGHT_SD_M * float(rng.standard_normal())
        if kind == "missing":
            return Part((), work.stiffness, gap + height)
        plateau = work.plateau * ratio
        made = self._drawn(plateau)
        if kind == "double":
            other = self._drawn(plateau * float(rng.uniform(1.0, 1.3)))
            return Part(in_series(made, other), work.stiffness / 2.0, max(gap - height, 0.3e-3))
        if kind == "upside down":
            stiffness = work.stiffness * float(rng.uniform(0.5, 1.0))
            return Part(((0.1 * work.travel, 0.25 * plateau),), stiffness, gap)
        return replace(made, gap_m=gap)

    def _drawn(self, plateau_N: float) -> Part:
        work = self.press.work.model_copy(update={"plateau": plateau_N})
        return make_part(work, float(self.rng.standard_normal()), float(self.rng.standard_normal()))

    def wear(self, kind: str, share: float, amount: float) -> None:
        """The press with this trouble from now on."""
        self.plant.set_press(worn(self.press, kind, share, amount))

    def cycle(self, kind: str, learning: bool = False, press: str = "sound") -> Sample:
        """Press one part of this kind and send the ram up again."""
        core = self.core
        part = self.part(kind)
        learned = array("i", core.learned)
        self.plant.load_part(part)
        self._run(20000, t.IN_EXTEND, (t.STATE_DONE, t.STATE_FAULT, t.STATE_REFUSED))
        self._run(200, t.IN_EXTEND)
        if not core.record_ready:
            # Nobody stands there for longer: the pedal ends it.
            self._run(300, 0)
        if not core.record_ready:
            raise AssertionError(f"{self.line.name}: a stroke without a record (state {core.state})")
        r = core.record
        n = r[t.R_TRACE_LEN]
        if core.trace_travel is None:
            raise AssertionError(f"{self.line.name}: a stroke without travel (fault {core.fault})")
        stroke = Stroke(
            dt_s=r[t.R_TRACE_MS] / 1000.0,
            force_N=np.asarray(core.trace[:n], dtype=float) * r[t.R_TRACE_UNIT_N],
            setpoint_N=float(r[t.R_SETPOINT_N]),
            peak_N=float(r[t.R_PEAK_N]),
            settled_N=float(r[t.R_SETTLED_N]),
            end_N=float(r[t.R_END_N]),
            pulses=int(r[t.R_PULSES]),
            duration_s=r[t.R_DURATION_MS] / 1000.0,
            learned=bool(r[t.R_FLAGS] & t.FLAG_LEARNED),
            stop=definition().stops[int(r[t.R_STOP])].name,
            **oil_told(r),
        )
        travel = np.asarray(core.trace_travel[:n], dtype=float) * (1 << TRAVEL_UNIT_SHIFT) * 1e-6
        core.record_stored()
        self._up()
        if self.put_back and kind != "good":
            for i, value in enumerate(learned):
                core.learned[i] = value
        lag = seen_later_s({"position_kind": core.settings[t.S_POSITION_KIND],
                            "sensor_lag_us": core.settings[t.S_SENSOR_LAG_US]})  # fmt: skip
        return Sample(kind, learning, press, stroke, travel, lag, part.gap_m, r[t.R_CONTACT_UM] * 1e-6)

    def _up(self) -> None:
        """Acknowledge a fault, send the ram up, and let it rest at the top."""
        core = self.core
        for _ in range(3):
            self._run(60, 0)
            if core.state == t.STATE_FAULT:
                core.clear_fault()
                self._run(200, 0)
            for _ in range(400):
                self._run(20, t.IN_RETRACT)
                if self.plant.u <= 0.0:
                    break
            self._run(40, t.IN_RETRACT)
            self._run(450, 0)
            if core.state == t.STATE_READY:
                return
        raise AssertionError(f"{self.line.name}: not ready (state {core.state}, fault {core.fault})")


def _add_position(core: Controller, press: PressFile) -> None:
    """Settings and calibration of the position sensor, as a good commissioning would find them."""
    sensor = press.position
    assert sensor is not None
    s = array("i", core.settings)
    area = press.cylinder.area_m2
    s[t.S_POSITION_KIND] = 1 if sensor.kind == "potentiometer" else 2
    s[t.S_POSITION_NOISE_UM] = round(sensor.noise_m * 1e6)
    s[t.S_SPEED_UM_S] = round(press.pump.flow_m3_s(0.0) / area * 1e6)
    s[t.S_SPEED_SLOW_UM_S] = round((press.valve.slow_feed or 0.0) / area * 1e6)
    core.configure(s)
    cal = array("i", [*core.cal, *[0] * 4])[: t.C_POSITION_STEP_NM + 1]
    cal[t.C_POSITION_UM_64K] = round((sensor.range or 0.0) / (0.9 * (1.0 + sensor.gain_error)) * 1e6)
    cal[t.C_POSITION_STEP_NM] = round((sensor.step or 0.0) / (1.0 + sensor.gain_error) * 1e9)
    core.calibrate(cal)


def shift(
    line: Line,
    seed: int,
    *,
    learn: int = LEARN,
    mixed: int = MIXED,
    spell: int = SPELL,
    put_back: bool = True,
) -> Iterator[Sample]:
    """A shift's cycles: `learn` good parts, `mixed` with one in five bad, `spell` on a press that drifts.

    The drift (one of seal, leak, valve, warm) grows over the first half of the spell; one part in five is bad there,
    too.
    """
    made = TravelShift(line, seed, put_back=put_back)
    rng = np.random.default_rng([seed, 82])
    for _ in range(learn):
        yield made.cycle("good", learning=True)
    for _ in range(mixed):
        yield made.cycle(_draw(rng))
    drift = WEAR[seed % len(WEAR)]
    amount = float(rng.uniform())
    for i in range(spell):
        made.wear(drift, min(1.0, 2.0 * (i + 1) / spell), amount)
        yield made.cycle(_draw(rng), press=drift)


def _draw(rng: np.random.Generator) -> str:
    return str(rng.choice(PARTS)) if rng.uniform() < BAD_SHARE else "good"
