"""Does a calibration's stated uncertainty cover its true error? A simulation with known answers.

Each run draws a press of its own: gain, zero, quadratic and hysteresis errors of the transducer,
seal friction, noise, a load cell with an error inside its certificate, a person who holds each force
only roughly. It is calibrated as a person would (three runs up and down), and then asked for the
force at twenty fresh rising readings between the lowest and the highest point. Counted:

- coverage: share of those readings whose true error is inside the stated expanded uncertainty;
- excess: stated uncertainty over the smallest that would cover 95 % of the true errors at that
  level of force (the 95th percentile of their size over all runs). By part of the range all presses are
  pooled, good references with poor ones, so that figure can lie below 1; the one of the scaled
  uncertainty judges each press by its own statement.

Twice: on a chain written for this study, and on the virtual press's own plant. Where the converter's
step dominates, the budget is wider than its Monte Carlo check (a rectangle has no tails); such
disagreements are counted, not hidden. The tolerance is half a unit of the second digit of the standard
uncertainty, 0.5 to 5 % of it, and 20,000 trials are uncertain by 0.7 % of the interval, so many disagreements are that
small; those where Monte Carlo is wider by more than 5 % are counted apart.

    python tests/campaign/calibration_coverage.py --runs 1500 --out tests/campaign/out/calibration_coverage.json
"""

from __future__ import annotations

import argparse
import json
import math
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from steadyram.metrology.analyse import analyse
from steadyram.metrology.device_poly import device_force
from steadyram.metrology.header import Header, Instrument, Point, Reference
from steadyram.metrology.record import CalibrationRecord
from steadyram.press.pressfile import build_press
from steadyram.virtual.plant import Plant

LEVELS = 7
RUNS = 3
FRESH = 20
BINS = 5
TOP = 0.85


class Chain:
    """One press with a transducer's known errors; reads counts for a true force under the ram."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.rng = rng
        self.bore = float(rng.choice([0.08, 0.1016, 0.125]))
        self.area = math.pi / 4 * self.bore**2
        self.range = float(rng.choice([20e6, 25e6, 34.47e6]))
        self.bits = int(rng.choice([12, 16]))
        self.gain = float(rng.normal(0.0, 0.012))
        self.zero = float(rng.normal(0.0, 0.004))
        self.quadratic = float(rng.normal(0.0, 0.004))
        self.hysteresis = float(abs(rng.normal(0.0, 0.001)))
        self.friction = float(rng.uniform(300.0, 1500.0))
        self.noise = float(rng.uniform(0.0002, 0.001))
        self.cell_percent = float(rng.choice([0.1, 0.25, 0.5]))
        self.cell_gain = float(rng.normal(0.0, self.cell_percent / 100.0 / 2.0))
        self.step = 1 << (16 - self.bits)

    def counts(self, force_N: float, rising: bool, samples: int) -> float:
        """Mean of so many converter readings."""
        pressure = (force_N + (self.friction if rising else -self.friction)) / self.area
        z = max(0.0, pressure / self.range)
        # The loop of a run closes where the run turned round.
        share = min(1.0, z / TOP)
        loop = 0.0 if rising else self.hysteresis * 4.0 * share * (1.0 - share)
        part = z * (1.0 + self.gain) + self.zero + self.quadratic * z * z + loop
        values = part + self.rng.normal(0.0, self.noise, samples)
        raw = 65536.0 * (0.1 + 0.8 * values)
        return float(np.mean(np.clip(np.floor(raw / self.step) * self.step, 0, 65535)))

    @property
    def seen_friction(self) -> float:
        """What a load cell can find as friction."""
        return self.friction

    def rest(self) -> float:
        """Counts with the ram at the top: no pressure, no friction."""
        values = self.zero + self.rng.normal(0.0, self.noise, 64)
        return float(np.mean(np.floor(65536.0 * (0.1 + 0.8 * values) / self.step) * self.step))

    def cell(self, force_N: float) -> float:
        """What the load cell shows for a true force."""
        return round((force_N * (1.0 + self.cell_gain) + self.rng.normal(0.0, 5.0)) / 10.0) * 10.0


class PlantChain(Chain):
    """The same questions put to the virtual press's own plant: its transducer, converter and friction.

    The ram stands on a dead stop with the valves closed; the oil is put where a force is wanted.
    Non-linearity is the plant's quadratic, hysteresis its dead band (a play operator), which a
    load cell cannot tell from seal friction: the friction found here is that of both.
    """

    def __init__(self, rng: np.random.Generator) -> None:
        super().__init__(rng)
        tables = {
            "name": "simulated",
            "cylinder": {
                "bore": f"{self.bore} m",
                "rod": f"{self.bore / 2} m",
                "stroke": "150 mm",
                "seal_friction": f"{self.friction} N",
            },
            "pump": {"flow_low_stage": "2 L/min", "relief": f"{self.range} Pa"},
            "oil": {"bulk_modulus": "1.2 GPa", "trapped_volume": "0.8 L"},
            "frame": {"stiffness": "200 kN/mm"},
            "valve": {"open_delay": "30 ms", "close_delay": "25 ms"},
            "transducer": {
                "range": f"{self.range} Pa",
                "noise": f"{100 * self.noise} %",
                "gain_error": f"{100 * self.gain} %",
                "zero_error": f"{self.zero * self.range} Pa",
                "nonlinearity": f"{100 * self.quadratic / 4} %",
                "hysteresis": f"{100 * self.hysteresis} %",
            },
            "adc": {"bits": self.bits},
            "work": {"kind": "dead-stop", "gap": "5 mm", "stiffness": "150 kN/mm"},
        }
        self.plant = Plant(build_press(tables, "simulated"), int(rng.integers(2**31)))

    @property
    def seen_friction(self) -> float:
        """Half the gap: seal friction less half the dead band, which reads high coming down."""
        return self.friction - self.hysteresis * self.range * self.area / 2.0

    def counts(self, force_N: float, rising: bool, samples: int) -> float:
        plant = self.plant
        plant._move_to(plant._u_at(force_N))
        plant.deficit = 0.0 if rising else 2.0 * plant.dead_band
        plant.valves_touched()  # a plant at rest would not look at what was moved from outside
        return float(np.mean([plant.step() for _ in range(samples)]))

    def rest(self) -> float:
        self.plant.u, self.plant.deficit = 0.0, self.plant.dead_band
        self.plant.valves_touched()
        return float(np.mean([self.plant.step() for _ in range(64)]))


def calibrate(chain: Chain) -> CalibrationRecord:
    """Three runs up and down, as a person takes them."""
    top = TOP * chain.area * chain.range
    zero = chain.rest()
    points = []
    for run in range(1, RUNS + 1):
        up = [top * (k + 1) / LEVELS for k in range(LEVELS)]
        for direction, forces in (("rising", up), ("falling", up[-2::-1])):
            for target in forces:
                true = target * (1.0 + chain.rng.normal(0.0, 0.01))
                counts = chain.counts(true, direction == "rising", 64)
                points.append(Point(run=run, direction=direction, reference=chain.cell(true), counts=counts))
    return calibrated_record(chain, points, zero, chain.rest())


def calibrated_record(chain: Chain, points: list[Point], zero: float, zero_after: float) -> CalibrationRecord:
    """Points with the header of such a calibration."""
    reference = Reference(
        kind="load-cell", what="cell", serial="1", expanded_percent=chain.cell_percent, resolution=10.0
    )
    header = Header(
        press=Instrument(what="press", serial="1"),
        transducer=Instrument(what="transducer", serial="1"),
        reference=reference,
        made=datetime(2026, 1, 1, tzinfo=UTC),
        area_m2=chain.area,
        range_Pa=chain.range,
        zero_counts=zero,
        zero_counts_after=zero_after,
        counts_step=chain.step,
        reseated=True,
        invented=True,
    )
    return CalibrationRecord(header=header, points=tuple(points))


def campaign(
    runs: int, seed: int, progress: bool = False, chain_kind: type[Chain] = Chain
) -> dict[str, object]:
    """Calibrate `runs` presses; returns the figures."""
    inside = total = 0
    errors: list[float] = []
    stated: list[float] = []
    depth: list[float] = []
    friction: list[float] = []
    degrees = [0, 0, 0]
    disagree = wider = levels = 0
    for run in range(runs):
        rng = np.random.default_rng([seed, run])
        chain = chain_kind(rng)
        result = analyse(calibrate(chain), "simulated", monte_carlo=run < 50, trials=20_000)
        degrees[result.degree - 1] += 1
        for level in result.levels:
            if level.monte_carlo is not None:
                levels += 1
                disagree += not level.monte_carlo.agrees
                wider += level.monte_carlo.expanded_N > 1.05 * level.budget.expanded
        if result.friction is not None:
            friction.append((result.friction.friction_N - chain.seen_friction) / result.friction.u_friction_N)
        low, high = result.levels[0].force_N, result.levels[-1].force_N
        for _ in range(FRESH):
            true = float(rng.uniform(low, high))
            chain.rest()  # every stroke comes up from nothing
            shown = float(device_force(result.device.fields, [chain.counts(true, True, 64)])[0])
            expanded = result.budget_at(true).expanded
            error = shown - true
            total += 1
            inside += abs(error) <= expanded
            # Presses differ in size: errors are compared as parts of the largest force.
            errors.append(abs(error) / high)
            stated.append(expanded / high)
            depth.append((true - low) / (high - low))
        if progress and run % 100 == 99:
            print(f"{run + 1} of {runs}: coverage {100 * inside / total:.2f} %", flush=True)
    size, said, where = np.asarray(errors), np.asarray(stated), np.asarray(depth)
    bins = []
    for k in range(BINS):
        chosen = (where >= k / BINS) & (where < (k + 1) / BINS)
        needed = float(np.quantile(size[chosen], 0.95))
        bins.append(
            {
                "from": k / BINS,
                "coverage": float(np.mean(size[chosen] <= said[chosen])),
                "mean_stated": float(np.mean(said[chosen])),
                "smallest_for_95": needed,
                "excess": float(np.mean(said[chosen])) / needed,
            }
        )
    # The factor by which every stated uncertainty could shrink with 95 % of the errors still inside.
    shrink = float(np.quantile(size / said, 0.95))
    return {
        "runs": runs,
        "seed": seed,
        "readings": total,
        "coverage": inside / total,
        "excess_of_scaled_uncertainty": 1.0 / shrink,
        "by_part_of_range": bins,
        "degrees_chosen": degrees,
        "friction_error_within_two_u": float(np.mean(np.abs(friction) <= 2.0)),
        "monte_carlo_levels": levels,
        "monte_carlo_disagrees": disagree,
        "monte_carlo_wider_by_5_percent": wider,
    }


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description="Coverage of a calibration's stated uncertainty.")
    parser.add_argument("--runs", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path)
    options = parser.parse_args()
    figures = {
        name: campaign(options.runs, options.seed, progress=True, chain_kind=kind)
        for name, kind in (("own_chain", Chain), ("virtual_press", PlantChain))
    }
    text = json.dumps(figures, indent=2) + "\n"
    if options.out is not None:
        options.out.write_text(text, encoding="utf-8")
    print(text)


if __name__ == "__main__":
    main()
