"""Cycles for the detection campaign: the plant and the firmware's own core, in one process, without the link.

Each shift is one press with one job: good parts to learn from, then a mixture of single bad parts and
spells in which something of the press itself wears or drifts. What is under the ram and what is wrong with
the press is known, cycle by cycle; the host sees only what it would have pulled: record and trace.

The press is set up as a good commissioning would leave it (a calibration without error but its rounding,
lags right within a millisecond), so that what is measured is the detection and not the calibration.

The kinds of trouble, and how they are made. Amounts are invented (common practice, no source); the smallest are
those a shop would still want to hear of:

=========  ==================================================================================
missing    the hardware is not there: the ram goes on by its height and meets the bare sheet
double     two parts in series: contact earlier by a part's height, twice the travel
thin       a sheet thinner by 12 to 30 %: contact later, force lower in proportion
thick      a sheet thicker by 12 to 30 %: contact earlier, force higher in proportion
soft       the right thickness, force lower by 15 to 30 %
hard       the right thickness, force higher by 15 to 40 %
seal       rod seal drags more (friction up by 50 to 150 %)
leak       the pressure held falls by 2.5 to 6 % a second
valve      the valve opens and closes 20 to 60 % later
warm       oil warms over a spell: bulk modulus falls by 15 to 35 %, flow by 4 to 10 %
=========  ==================================================================================
"""

from __future__ import annotations

from array import array
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from steadyram.cycles.signature import Stroke
from steadyram.link.definition import definition
from steadyram.press.limits import series_stiffness_N_m
from steadyram.press.pressfile import PressFile, build_press, read_press_tables
from steadyram.virtual.drawn_press import true_figures
from steadyram.virtual.plant import Plant
from steadyram.virtual.work import Part, make_part
from steadyram_fw import tables as t
from steadyram_fw.core.controller import Controller
from steadyram_fw.core.job_model import LEARNED_LEN

PARTS = ("missing", "double", "thin", "thick", "soft", "hard")
WEAR = ("seal", "leak", "valve", "warm")
PRESSES = Path(__file__).parent.parent / "presses"
SHEET_SHARE = 0.02  # sheet thickness scatters by so much of itself (one standard deviation)
SPELL = 24
GROWING = 14
_REST = t.IN_ESTOP_OK | t.IN_CUTOFF


@dataclass(frozen=True)
class Line:
    """One press with one job: press file, setpoint over the plateau, dwell in ms, sheet thickness in m."""

    name: str
    over_plateau: float
    dwell_ms: int
    sheet_m: float


@dataclass(frozen=True)
class Sample:
    """One cycle: what was the matter, and what the host would have pulled. `learning`: before any trouble."""

    truth: str
    learning: bool
    stroke: Stroke


def commissioned(press: PressFile, rng: np.random.Generator) -> Controller:
    """A core with nameplate settings, an ideal calibration, and lags that are right within a millisecond."""
    core = Controller()
    s = array("i", [row[3] for row in t.SETTINGS])
    valve, area = press.valve, press.cylinder.area_m2
    off_us = rng.normal(0.0, 400.0, 2)
    s[t.S_BORE_UM] = round(press.cylinder.bore * 1e6)
    s[t.S_RANGE_KPA] = round(press.transducer.range / 1e3)
    s[t.S_CAPACITY_N] = int(press.capacity_N)
    s[t.S_OVERFORCE_N] = int(press.capacity_N * 1.05)
    s[t.S_SLOW_FITTED] = int(valve.slow_feed is not None)
    s[t.S_CHAR_VALID] = 1
    true = true_figures(press)
    s[t.S_OPEN_LAG_US] = s[t.S_SLOW_OPEN_LAG_US] = round(true.open_lag_s * 1e6 + off_us[0])
    s[t.S_CLOSE_LAG_US] = s[t.S_SLOW_CLOSE_LAG_US] = round(true.close_lag_s * 1e6 + off_us[1])
    s[t.S_PULSE_DEAD_US] = s[t.S_SLOW_PULSE_DEAD_US] = round(true.pulse_dead_s * 1e6)
    s[t.S_PULSE_LEAST_US] = s[t.S_SLOW_PULSE_LEAST_US] = round(true.pulse_least_s * 1e6)
    s[t.S_BREAKAWAY_N] = round(true.breakaway_N)
    s[t.S_FRICTION_SCATTER_N] = round(press.cylinder.friction_scatter * press.cylinder.seal_friction)
    s[t.S_SENSOR_LAG_US] = round(press.transducer.lag * 1e6)
    s[t.S_JITTER_US] = round(valve.jitter * 2**0.5 * 1e6)
    dead = series_stiffness_N_m(press, work_stiffness_N_m=1e10)
    s[t.S_RATE_LOW_N_S] = round(dead * press.pump.flow_m3_s(0.0) / area)
    s[t.S_RATE_HIGH_N_S] = round(dead * press.pump.flow_m3_s(1e12) / area)
    if valve.slow_feed is not None:
        s[t.S_RATE_SLOW_N_S] = round(dead * valve.slow_feed / area)
    if press.pump.changeover is not None:
        s[t.S_CHANGEOVER_N] = round(press.pump.changeover * area - press.cylinder.seal_friction)
    s[t.S_NOISE_N] = max(1, round(area * press.transducer.range * press.transducer.noise))
    core.configure(s)
    sensor = press.transducer
    full = ((1 << press.adc.bits) - 1) << (16 - press.adc.bits)
    zero = full * (0.1 + 0.8 * sensor.zero_error / sensor.range)
    per_count = area * sensor.range / (full * 0.8 * (1 + sensor.gain_error))
    core.calibrate(
        array(
            "i",
            [
                round(zero), -round(press.cylinder.seal_friction), round(per_count * 65536), 0, 0, 62000, 0, 1,
            ],
        )
    )  # fmt: skip
    return core


def worn(press: PressFile, kind: str, share: float, amount: float) -> PressFile:
    """A press with this trouble, `share` of the way (1 = all); amount 0..1 = from least to worst."""
    cylinder, valve, oil, pump = press.cylinder, press.valve, press.oil, press.pump
    if kind == "seal":
        more = share * cylinder.seal_friction * (0.5 + 1.0 * amount)
        cylinder = cylinder.model_copy(update={"seal_friction": cylinder.seal_friction + more})
    elif kind == "leak":
        valve = valve.model_copy(update={"leak_down": share * (0.025 + 0.035 * amount)})
    elif kind == "valve":
        late = 1.0 + share * (0.2 + 0.4 * amount)
        valve = valve.model_copy(
            update={"close_delay": valve.close_delay * late, "open_delay": valve.open_delay * late}
        )
    elif kind == "warm":
        softer = 1.0 - share * (0.15 + 0.20 * amount)
        slower = 1.0 - share * (0.04 + 0.06 * amount)
        oil = oil.model_copy(update={"bulk_modulus": oil.bulk_modulus * softer})
        pump = pump.model_copy(
            update={
                "flow_low_stage": pump.flow_low_stage * slower,
                "flow_high_stage": pump.flow_high_stage * slower,
            }
        )
    return press.model_copy(update={"cylinder": cylinder, "valve": valve, "oil": oil, "pump": pump})


def oil_told(record: Sequence[int]) -> dict[str, float]:
    """What a core's record tells of the oil, for Stroke."""
    places = {"oil_contact_s": t.R_OIL_CONTACT_US, "oil_half_s": t.R_OIL_HALF_US, "oil_end_s": t.R_OIL_END_US}
    return {name: record[at] / 1e6 for name, at in places.items() if record[at] >= 0}


class Shift:
    """One press with one job from its first part on."""

    def __init__(self, line: Line, seed: int, press: PressFile | None = None) -> None:
        """Set the press up. press: in place of the file that the line names."""
        self.line = line
        self.rng = np.random.default_rng([seed, 77])
        self.press = (
            build_press(read_press_tables(PRESSES / f"{line.name}.toml"), line.name)
            if press is None
            else press
        )
        self.now = self.press
        self.plant = Plant(self.press, seed)
        self.core = commissioned(self.press, self.rng)
        work = self.press.work
        self.setpoint_N = round(line.over_plateau * work.plateau * (1.1 if work.kind == "clinch" else 1.0))
        job = array("i", [0] * t.J_LEN)
        job[t.J_SETPOINT_N] = self.setpoint_N
        job[t.J_DWELL_MS] = line.dwell_ms
        self.core.choose(1, job, array("i", [0] * LEARNED_LEN))
        self._count = 0
        self._run(700, 0)

    def _run(self, most_ms: int, pedals: int, until_done: bool = False) -> None:
        plant, core = self.plant, self.core
        step, decide, command = plant.step, core.step, plant.command
        before = core.outputs
        for _ in range(most_ms):
            levels = _REST | pedals | (t.IN_TOP if plant.u <= 0.0 else 0)
            out = decide(step(), levels)
            if out != before:
                command(bool(out & t.OUT_EXTEND), bool(out & t.OUT_RETRACT), bool(out & t.OUT_SLOW))
                before = out
            if until_done and core.state in (t.STATE_DONE, t.STATE_FAULT, t.STATE_REFUSED):
                return

    # ------------------------------------------------------------------ what is under the ram
    def part(self, kind: str) -> Part:
        """A part with this trouble; any other word is a good one."""
        rng, work, sheet = self.rng, self.press.work, self.line.sheet_m
        ratio = 1.0 + SHEET_SHARE * float(rng.standard_normal())
        force, height = 1.0, max(work.travel, 2.0 * sheet)
        if kind == "thin":
            ratio = 1.0 - float(rng.uniform(0.12, 0.30))
        elif kind == "thick":
            ratio = 1.0 + float(rng.uniform(0.12, 0.30))
        elif kind == "soft":
            force = 1.0 - float(rng.uniform(0.15, 0.30))
        elif kind == "hard":
            force = 1.0 + float(rng.uniform(0.15, 0.40))
        gap = work.gap + sheet * (1.0 - ratio)
        made = make_part(
            work.model_copy(update={"plateau": work.plateau * force * ratio}),
            float(rng.standard_normal()),
            float(rng.standard_normal()),
        )
        if kind == "missing":
            return Part((), work.stiffness, gap + height)
        if kind == "double":
            corners = tuple((2.0 * x, f) for x, f in made.corners)
            return Part(corners, made.stiffness_N_m / 2.0, max(gap - height, 0.3e-3))
        return replace(made, gap_m=gap)

    def wear(self, kind: str, share: float, amount: float) -> None:
        """The press with this trouble from now on; see `worn`."""
        self.now = worn(self.press, kind, share, amount)
        self.plant.set_press(self.now)

    # ------------------------------------------------------------------ one cycle
    def cycle(self, truth: str, part_kind: str, learning: bool) -> Sample:
        """Press one part; `truth` is the label it gets."""
        return self.press_part(truth, self.part(part_kind), learning)

    def press_part(self, truth: str, part: Part, learning: bool) -> Sample:
        """Press this part; `truth` is the label it gets."""
        plant, core = self.plant, self.core
        plant.load_part(part)
        self._run(60000, t.IN_EXTEND, until_done=True)
        self._run(200, t.IN_EXTEND)
        self._count += 1
        r = core.record
        unit = r[t.R_TRACE_UNIT_N]
        stroke = Stroke(
            dt_s=r[t.R_TRACE_MS] / 1000.0,
            force_N=np.asarray(core.trace[: r[t.R_TRACE_LEN]], dtype=float) * unit,
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
        fault = core.state == t.STATE_FAULT
        core.record_stored()
        self._run(60, 0)
        if fault:
            core.clear_fault()
            self._run(200, 0)
        self._up()
        return Sample(truth, learning, stroke)

    def _up(self) -> None:
        """Send the ram up; most of the way, which is not what is being tried, is left out."""
        plant = self.plant
        self._run(40, t.IN_RETRACT)
        plant.u = 0.0
        plant.u_max, plant.force_max = plant.u_contact, 0.0
        plant.deficit = plant.dead_band
        self._run(40, t.IN_RETRACT)
        self._run(420, 0)
        if self.core.state == t.STATE_FAULT:
            # A leak that is fast enough is a fault of its own; a person acknowledges it.
            self.core.clear_fault()
            self._run(200, 0)
        if self.core.state != t.STATE_READY:
            raise AssertionError(
                f"{self.line.name}: not ready for the next part (state {self.core.state}, fault {self.core.fault})"
            )


def shift(line: Line, seed: int, *, learn: int = 30, mixed: int = 180) -> Iterator[Sample]:
    """A shift's cycles: `learn` good parts, then about `mixed` with trouble in them.

    Outside spells about one part in six is bad. Three spells of SPELL cycles of a kind of wear each: every part in
    them is right, and the wear grows over the first GROWING. After a spell the press is put right over six cycles
    and has four more to settle; these ten are marked "after" and belong to nobody's count.
    """
    made = Shift(line, seed)
    rng = np.random.default_rng([seed, 78])
    for _ in range(learn):
        yield made.cycle("good", "good", True)
    spells = list(rng.permutation(WEAR))[:3]
    sound = (mixed - 3 * SPELL) // 3
    for kind in spells:
        for _ in range(sound):
            bad = str(rng.choice(PARTS)) if rng.uniform() < 0.16 else "good"
            yield made.cycle(bad, bad, False)
        amount = float(rng.uniform())
        for i in range(SPELL):
            made.wear(str(kind), min(1.0, (i + 1) / GROWING), amount)
            yield made.cycle(str(kind), "good", False)
        for i in range(10):
            made.wear(str(kind), max(0.0, 1.0 - (i + 1) / 6), amount)
            yield made.cycle("after", "good", False)
