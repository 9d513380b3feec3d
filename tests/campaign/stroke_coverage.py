"""Do the stated uncertainties of a calibration and of a stroke cover? On models that the code does not assume.

Each run draws a press, calibrates it as a person would (three runs up and down, each a stroke of its own), and then
makes twenty fresh strokes. Two questions a stroke: the reading of a stroke whose zero and friction are the mean
ones, against the uncertainty of the calibration; and the reading of the stroke as it is, against that of a stroke.

Models: an S-shaped transducer (a sine over its range), hysteresis loops (a play operator, so the way up depends on
where it turned), a converter with four wide codes, a zero that wanders with friction that scatters, all of these
together, and the virtual press's own unkind plant. The first five are written here and share no code with it.
The last, "guided", is that plant with more unkind keys, calibrated by the product's own guided procedure: the person
holds the pedal, the valve lets in pulses, the load cell is read at rest (`commissioning_rig`).

    python -m tests.campaign.stroke_coverage --runs 500 --seed 20261128 --out tests/campaign/out/stroke_coverage.json
"""

from __future__ import annotations

import argparse
import json
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
from tests.campaign.calibration_coverage import LEVELS, RUNS, TOP, Chain, calibrated_record
from tests.campaign.commissioning_rig import Rig, RigHands

from steadyram.commission.calibrate import calibrate as calibrate_on_block
from steadyram.commission.journal_of import record_of
from steadyram.metrology.analyse import analyse
from steadyram.metrology.device_poly import device_force
from steadyram.metrology.header import Point
from steadyram.metrology.record import CalibrationRecord
from steadyram.metrology.stroke import StrokeScatter, stroke_stated
from steadyram.press.pressfile import build_press
from steadyram.virtual.load_cell import LOAD_CELL_ERROR
from steadyram.virtual.plant import Plant

STROKES = 20
SAMPLES = 64


class Drawn(Chain):
    """A press of this study: the chain's draws, with what a model adds. Straight, unless a model bends it."""

    s_shape = play = zero_wander = friction_scatter = 0.0
    wide = 1.0

    def __init__(self, rng: np.random.Generator) -> None:
        super().__init__(rng)
        self.quadratic = self.hysteresis = 0.0
        self.zero_now, self.friction_now, self.held = 0.0, self.friction, 0.0
        self.bend()

    def bend(self) -> None:
        """Draw what the model adds."""

    @property
    def zero_wander_N(self) -> float:
        """Standard deviation of the zero as a force."""
        return self.zero_wander * self.range * self.area

    def begin(self, mean: bool = False) -> None:
        """A new stroke: its zero and friction, or the mean ones; the play is open downwards."""
        a, b = (0.0, 0.0) if mean else self.rng.normal(0.0, 1.0, 2)
        self.zero_now = self.zero_wander * float(a)
        self.friction_now = self.friction * max(0.05, 1.0 + self.friction_scatter * float(b))
        self.held = 0.0

    def counts(self, force_N: float, rising: bool, samples: int) -> float:
        """Mean of so many converter readings at a force that is reached from where the ram was."""
        friction = self.friction_now if rising else -self.friction_now
        z = max(0.0, (force_N + friction) / self.area / self.range)
        self.held = min(max(self.held, z - self.play), z + self.play)
        felt = self.held if self.play else z
        part = (
            felt * (1.0 + self.gain)
            + self.zero
            + self.zero_now
            + self.s_shape * math.sin(2.0 * math.pi * felt)
        )
        return self.converted(part + self.rng.normal(0.0, self.noise, samples))

    def converted(self, values: Any) -> float:
        """Mean count of the converter, wide codes in it."""
        ideal = (0.1 + 0.8 * values) * (1 << self.bits)
        if self.wide > 1.0:
            ideal = np.asarray([self.coded(float(v)) for v in ideal])
        return float(np.mean(np.clip(np.floor(ideal), 0, (1 << self.bits) - 1))) * self.step

    def coded(self, ideal: float) -> float:
        """Code of a position where those at the odd eighths are wide and all others narrower (own formula)."""
        codes = 1 << self.bits
        narrow = (codes - 4 * self.wide) / (codes - 4)
        at = 0.0
        for k in (1, 3, 5, 7):
            code = k * codes // 8 - 1
            start = at + (code - self.coded_from(k)) * narrow
            if ideal < start:
                return self.coded_from(k) + (ideal - at) / narrow
            if ideal < start + self.wide:
                return code
            at = start + self.wide
        return self.coded_from(9) + (ideal - at) / narrow

    def coded_from(self, k: int) -> int:
        """First code after the wide one before the k-th eighth."""
        return 0 if k == 1 else (k - 2) * (1 << self.bits) // 8

    def calibration(self) -> CalibrationRecord:
        """What a calibration of this press takes down."""
        return calibrate(self)

    def rest(self) -> float:
        """Mean count at rest, ram at the top, of a stroke's zero."""
        return self.converted(self.zero + self.zero_now + self.rng.normal(0.0, self.noise, SAMPLES))


class SShape(Drawn):
    """A transducer that errs like a sine over its range, up to 0.25 %."""

    def bend(self) -> None:
        self.s_shape = float(self.rng.uniform(-0.0025, 0.0025))


class Loops(Drawn):
    """Hysteresis by a play operator, up to 0.2 % of range."""

    def bend(self) -> None:
        self.play = float(self.rng.uniform(0.0002, 0.002))


class Wide(Drawn):
    """A 12-bit converter with four codes five to ten steps wide."""

    def bend(self) -> None:
        self.bits, self.step = 12, 16
        self.wide = float(self.rng.uniform(5.0, 10.0))


class Wander(Drawn):
    """Zero wander of 0.01 to 0.05 % of range, friction that scatters by 10 to 20 %."""

    def bend(self) -> None:
        self.zero_wander = float(self.rng.uniform(0.0001, 0.0005))
        self.friction_scatter = float(self.rng.uniform(0.10, 0.20))


class Everything(Drawn):
    """All of them in one press."""

    def bend(self) -> None:
        for kind in (SShape, Loops, Wide, Wander):
            kind.bend(self)  # type: ignore[arg-type]


class Unkind(Drawn):
    """The virtual press's own plant: wide codes, zero wander, friction scatter, a dead band, a bent transducer."""

    more: ClassVar[dict[str, dict[str, str]]] = {}
    # Milliseconds until a reading has come to rest; without a line and a lag it is so at once.
    settling = 10

    def bend(self) -> None:
        Wander.bend(self)  # type: ignore[arg-type]
        self.wide = 8.0 if self.bits == 12 else 1.0
        tables = {
            "name": "simulated",
            "cylinder": {
                "bore": f"{self.bore} m", "rod": f"{self.bore / 2} m", "stroke": "150 mm",
                "seal_friction": f"{self.friction} N", "friction_scatter": f"{100 * self.friction_scatter} %",
            },
            "pump": {"flow_low_stage": "2 L/min", "relief": f"{self.range} Pa"},
            "oil": {"bulk_modulus": "1.2 GPa", "trapped_volume": "0.8 L"},
            "frame": {"stiffness": "200 kN/mm"},
            "valve": {"open_delay": "30 ms", "close_delay": "25 ms"},
            "transducer": {
                "range": f"{self.range} Pa", "noise": f"{100 * self.noise} %",
                "gain_error": f"{100 * self.gain} %", "zero_error": f"{self.zero * self.range} Pa",
                "nonlinearity": f"{100 * float(self.rng.uniform(-0.001, 0.001))} %",
                "hysteresis": f"{100 * float(self.rng.uniform(0.0, 0.002))} %",
                "zero_wander": f"{100 * self.zero_wander} %",
            },
            "adc": {"bits": self.bits, "wide_codes": self.wide},
            "work": {"kind": "dead-stop", "gap": "5 mm", "stiffness": "150 kN/mm"},
        }  # fmt: skip
        for table, keys in self.more.items():
            tables[table] |= keys
        self.press = build_press(tables, "simulated")
        self.plant = Plant(self.press, int(self.rng.integers(2**31)))

    def begin(self, mean: bool = False) -> None:
        plant = self.plant
        plant.u, plant.u_max, plant.force_max = 0.0, plant.u_contact, 0.0
        plant._begin_stroke()
        if mean:
            stroke, plant._stroke = plant._stroke, -1
            plant._stroke_figures()
            plant._stroke = stroke
        plant.deficit = plant.dead_band
        plant.valves_touched()
        for _ in range(self.settling):  # the transducer's loop closes where there is no pressure
            plant.step()

    def counts(self, force_N: float, rising: bool, samples: int) -> float:
        plant = self.plant
        plant._move_to(plant._u_at(force_N))
        plant.deficit = 0.0 if rising else 2.0 * plant.dead_band
        plant.valves_touched()  # a plant at rest would not look at what was moved from outside
        return self.rested(samples)

    def rested(self, samples: int) -> float:
        """Mean of so many readings, once they have come to rest."""
        for _ in range(self.settling):
            self.plant.step()
        return float(np.mean([self.plant.step() for _ in range(samples)]))

    def rest(self) -> float:
        plant = self.plant
        plant.u, plant.deficit = 0.0, plant.dead_band
        plant.valves_touched()
        return self.rested(SAMPLES)


class Guided(Unkind):
    """The unkind plant with a slewing valve, ripple, breakaway and a swinging line, calibrated by the guided procedure.

    The load cell is the virtual press's: 0.1 % of reading, one standard deviation.
    """

    settling = 300

    more: ClassVar[dict[str, dict[str, str]]] = {
        "cylinder": {"breakaway": "1.6"},
        "pump": {"ripple": "2 %", "ripple_frequency": "150 Hz", "flow_scatter": "1 %"},
        "valve": {
            "relay_delay": "8 ms",
            "jitter": "1 ms",
            "slew": "10 ms",
            "overlap": "15 %",
            "slow_feed": "0.3 L/min",
        },
        "transducer": {
            "lag": "2 ms", "switching_spike": "0.5 %", "line_frequency": "40 Hz", "line_damping": "0.3",
        },
    }  # fmt: skip

    def calibration(self) -> CalibrationRecord:
        press, span = self.press, 0.8 * 65536.0
        rig = Rig(press, int(self.rng.integers(2**31)))
        full_N = press.cylinder.area_m2 * press.transducer.range
        rig.values = {"zero_counts": round(rig.now().mean_counts), "c1_n": round(full_N / span * 65536)}
        noise_N = max(4.0, float(rig.now().spread_counts)) * full_N / span / 16
        device: Any = rig
        found = calibrate_on_block.__wrapped__(  # type: ignore[attr-defined]
            device, RigHands(rig), capacity_N=press.capacity_N, counts_per_N=span / full_N, holds_load=True,
            slow_fitted=True, runs=RUNS,
        )  # fmt: skip
        self.cell_percent = 200.0 * LOAD_CELL_ERROR
        header = calibrated_record(self, [], 0.0, 0.0).header
        cell = header.reference.model_copy(update={"resolution": 0.0})
        return record_of(found, header.model_copy(update={"reference": cell}), noise_N)


# A model's place is part of its seed: new ones go to the end.
MODELS: dict[str, type[Drawn]] = {
    "everything": Everything,
    "hysteresis_loops": Loops,
    "s_shape": SShape,
    "virtual_press": Unkind,
    "wide_codes": Wide,
    "zero_wander": Wander,
    "guided": Guided,
}


def calibrate(chain: Drawn) -> CalibrationRecord:
    """Three runs up and down, each a stroke of its own; zeros are means over strokes, as a device averages them."""
    top = TOP * chain.area * chain.range
    points, rests = [], []
    for run in range(1, RUNS + 1):
        chain.begin()
        rests.append(chain.rest())
        up = [top * (k + 1) / LEVELS for k in range(LEVELS)]
        for direction, forces in (("rising", up), ("falling", up[-2::-1])):
            for target in forces:
                true = target * (1.0 + chain.rng.normal(0.0, 0.01))
                counts = chain.counts(true, direction == "rising", SAMPLES)
                points.append(Point(run=run, direction=direction, reference=chain.cell(true), counts=counts))
    chain.begin()
    return calibrated_record(chain, points, rests[0], chain.rest())


NAMES = ("calibration", "stroke", "stroke_from_runs")
# Error and stated uncertainty (N) of each stroke of one press, by what was judged.
Judged = dict[str, list[tuple[float, float]]]


def judge_press(model: str, number: int, seed: int) -> Judged:
    """Calibrate one press of a model and make strokes on it; return size of error and stated U of each."""
    rng = np.random.default_rng([seed, number, list(MODELS).index(model)])
    chain = MODELS[model](rng)
    found = analyse(chain.calibration(), model, monte_carlo=False)
    known = StrokeScatter(chain.zero_wander_N, chain.friction * chain.friction_scatter)
    judged: Judged = {name: [] for name in NAMES}
    for _ in range(STROKES):
        true = float(rng.uniform(found.levels[0].force_N, found.levels[-1].force_N))
        for name in NAMES:
            chain.begin(mean=name == "calibration")
            shown = float(device_force(found.device.fields, [chain.counts(true, True, SAMPLES)])[0])
            stated = (
                found.stated_at(true)
                if name == "calibration"
                else stroke_stated(found, true, known if name == "stroke" else StrokeScatter())
            )
            assert stated is not None
            judged[name].append((abs(shown - true), stated.expanded_N))
    return judged


def figures_of(presses: Sequence[Judged]) -> dict[str, Any]:
    """Return coverages, and how much wider than needed for 95 % the statements are, over many presses."""
    figures: dict[str, Any] = {"runs": len(presses), "strokes": len(presses) * STROKES}
    for name in NAMES:
        ratio = np.asarray([error / stated for press in presses for error, stated in press[name]])
        figures[f"{name}_coverage"] = float(np.mean(ratio <= 1.0))
        figures[f"{name}_wider_than_needed"] = 1.0 / float(np.quantile(ratio, 0.95))
        # Strokes on one press share its reference and its curve, so the presses are what the error goes by.
        each = np.asarray([np.mean([error <= stated for error, stated in press[name]]) for press in presses])
        figures[f"{name}_standard_error"] = float(np.std(each, ddof=1)) / math.sqrt(len(presses))
    return figures


def judge(model: str, runs: int, seed: int, part: Path | None = None) -> dict[str, Any]:
    """Judge `runs` presses of a model. part: a file of finished presses, a line each, to go on from."""
    done: list[Judged] = []
    if part is not None and part.exists():
        lines = [json.loads(line) for line in part.read_text(encoding="utf-8").splitlines()]
        done = [each["judged"] for each in lines if (each["model"], each["seed"]) == (model, seed)][:runs]
    for number in range(len(done), runs):
        done.append(judge_press(model, number, seed))
        if part is not None:
            with part.open("a", encoding="utf-8") as out:
                out.write(json.dumps({"model": model, "seed": seed, "judged": done[-1]}) + "\n")
    return figures_of(done)


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(
        description="Coverage of the uncertainties of a calibration and of a stroke."
    )
    parser.add_argument("--runs", type=int, default=500)
    parser.add_argument("--seed", type=int, default=20261128)
    parser.add_argument("--models", nargs="*", default=list(MODELS), choices=list(MODELS))
    parser.add_argument("--part", type=Path, help="keeps finished presses: the same command goes on there")
    parser.add_argument("--out", type=Path)
    options = parser.parse_args()
    figures = {}
    for model in options.models:
        figures[model] = judge(model, options.runs, options.seed, options.part)
        print(model, json.dumps(figures[model]), flush=True)
    if options.out is not None:
        options.out.parent.mkdir(parents=True, exist_ok=True)
        options.out.write_text(json.dumps(figures, indent=2) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
