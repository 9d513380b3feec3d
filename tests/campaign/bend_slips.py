"""Bends of metals and tools drawn at random, with a person who misreads: what the parts come to.

A metal is drawn by its yield strength, hardening exponent and modulus; the controller is told the yield and tensile
strengths that a test certificate of the nominal metal would show (tensile = K (n / e)^n, Considere, textbook), each
rounded to 10 MPa. Tools: opening 6 to 12 thicknesses, punch radius 0.5 to 1.5 thicknesses. Unknown to the controller,
as in `bending.py`: coil within +-10 %, part against part 1 %, thickness within +-2 %, the stop's error, the protractor.

Each metal is bent once without a slip and once for each slip: 3 and 10 degrees either way, the complement (the bend
angle read for the included one), and a wrong sign of the deviation read off (target less deviation); at the first
reading of part 1 and of part 3. Whatever is doubted is measured again.

    python -m tests.campaign.bend_slips --metals 10 --seed 1 --out tests/campaign/out/bend_slips.json
"""

from __future__ import annotations

import argparse
import json
import math
from pathlib import Path
from typing import Any

import numpy as np
from tests.campaign.provenance import provenance

from steadyram.bending.bend_list import BendList, build_bend_list
from steadyram.bending.correction import SheetCorrection
from steadyram.bending.procedure import BendRun, Reached
from steadyram.errors import SteadyramError
from steadyram.virtual.bend import BentStrip, StripMaterial, StripTooling, coil_factor, part_factor

PARTS = 4
COIL, PART_SIGMA, THICKNESS = 0.10, 0.01, 0.02
STOP_SIGMA_M, READ_SIGMA_M, PROTRACTOR_SIGMA_DEG = 5e-6, 5e-6, 0.1
LENGTH_M = 0.3
LATER_MOST_DEG, THIRD_MOST_DEG = 1.5, 0.5
MODULI_GPA = (70.0, 105.0, 117.0, 195.0, 205.0)
SLIPS: tuple[str, ...] = ("none", "+3", "-3", "+10", "-10", "complement", "sign")


def draw_metal(rng: np.random.Generator, name: str) -> StripMaterial:
    """Draw a metal: yield 120 to 500 MPa and n 0.06 to 0.45, log-uniform; K so that flow begins at 0.2 % and yield."""
    low, high = math.log(120e6), math.log(500e6)
    strength = math.exp(rng.uniform(low, high))
    n = math.exp(rng.uniform(math.log(0.06), math.log(0.45)))
    modulus = float(rng.choice(MODULI_GPA)) * 1e9
    # Tensile over yield between 1.1 and 2.6, more where it hardens more (handbook orders of magnitude, from memory).
    ratio = 1.05 + 3.0 * n + rng.uniform(0.0, 0.2)
    coefficient = strength * ratio * (math.e / n) ** n
    return StripMaterial(name, strength, coefficient, n, modulus, 0.3, "drawn")


def tensile_Pa(metal: StripMaterial) -> float:
    """Return the engineering tensile strength (Pa) of K e^n, by Considere: K (n / e)^n."""
    return metal.coefficient_Pa * (metal.exponent / math.e) ** metal.exponent


class Bench:
    """Stroke and person of one coil; slip: made once, at the first reading of part `slip_part`."""

    def __init__(self, seed: int, index: int, slip: str, slip_part: int) -> None:
        rng = np.random.default_rng([seed, index])
        self.metal = draw_metal(rng, f"drawn-{index}")
        self.nominal_m = float(np.round(math.exp(rng.uniform(math.log(0.8), math.log(4.0))), 1)) * 1e-3
        self.opening_m = float(np.round(self.nominal_m * rng.uniform(6.0, 12.0) * 1e3)) * 1e-3
        self.punch_m = self.nominal_m * float(rng.uniform(0.5, 1.5))
        self.target_deg = float(np.round(rng.uniform(75.0, 140.0)))
        self.coil = coil_factor(rng, COIL)
        self.thickness_m = self.nominal_m * (1.0 + THICKNESS * float(rng.uniform(-1.0, 1.0)))
        self.rng = np.random.default_rng([seed, index, 1])
        self.slip, self.slip_part, self.part = slip, slip_part, 0
        self.doubts = 0
        self.first_deg: float | None = None

    def told(self) -> BendList:
        """Return what the controller is told."""
        return build_bend_list(
            {
                "yield": f"{round(self.metal.yield_Pa / 1e7) * 10} MPa",
                "tensile": f"{round(tensile_Pa(self.metal) / 1e7) * 10} MPa",
                "modulus": f"{self.metal.modulus_Pa / 1e9:g} GPa",
                "thickness": f"{self.nominal_m} m",
                "tooling": {
                    "opening": f"{self.opening_m} m",
                    "punch_radius": f"{self.punch_m} m",
                    "shoulder_radius": f"{self.nominal_m} m",
                    "die_angle": "30 deg",
                    "rating": "3000 kN/m",
                },
                "bend": [{"angle": f"{self.target_deg} deg", "length": f"{LENGTH_M} m"}],
            },
            self.metal.name,
        )

    def new_part(self) -> None:
        """Lay the next piece on the die."""
        self.part += 1
        factor = self.coil * part_factor(self.rng, PART_SIGMA)
        tools = StripTooling(self.opening_m, self.punch_m, self.nominal_m, math.radians(30.0))
        self.strip = BentStrip(self.metal.stronger(factor), self.thickness_m, LENGTH_M, tools)
        self.deepest_m = 0.0

    def off_deg(self) -> float:
        """Return the included angle as it is less the target."""
        return 180.0 - math.degrees(self.strip.released_at(self.deepest_m)) - self.target_deg

    def to_depth(self, depth_m: float, ceiling_N: float, fresh: bool = True) -> Reached:
        """Stroke with the stop's error; the touch is off by what the sheet is thicker."""
        reached = depth_m + STOP_SIGMA_M * float(self.rng.standard_normal())
        self.deepest_m = max(self.deepest_m, reached + self.thickness_m - self.nominal_m)
        if self.first_deg is None:
            self.first_deg = self.off_deg()
        read = reached + READ_SIGMA_M * float(self.rng.standard_normal())
        return Reached(read, self.strip.force_at(self.deepest_m))

    def note(self, text: str) -> None:
        """Not listened to."""

    def confirm(self, text: str) -> bool:
        """Yes to every stroke."""
        return True

    def doubted(self, text: str) -> str:
        """Measure again whatever is doubted, four times a part at most."""
        self.doubts += 1
        return "measure" if self.doubts <= 4 * self.part else "keep"

    def included_angle_rad(self, text: str) -> float:
        """Read the protractor, with the slip where it is due."""
        off = self.off_deg() + PROTRACTOR_SIGMA_DEG * float(self.rng.standard_normal())
        read = round(self.target_deg + off, 1)
        if self.part == self.slip_part and self.slip != "none":
            self.slip_part = -1
            if self.slip == "complement":
                read = 180.0 - read
            elif self.slip == "sign":
                read = 2.0 * self.target_deg - read
            else:
                read += float(self.slip)
        return math.radians(min(179.9, max(0.1, read)))


def bend(seed: int, index: int, slip: str, slip_part: int) -> dict[str, Any]:
    """Bend the parts of one coil; the angles are the true ones, degrees off the target."""
    bench = Bench(seed, index, slip, slip_part)
    row: dict[str, Any] = {"metal": index, "slip": slip, "slip_part": slip_part}
    try:
        told = bench.told()
        run = BendRun(told, bench, bench, correction=SheetCorrection(told.tooling, told.sheet))
        off, strokes = [], []
        for number in range(1, PARTS + 1):
            bench.new_part()
            strokes.append(len(list(run.part(number))))
            off.append(round(bench.off_deg(), 3))
    except SteadyramError as error:
        return row | {"refused": str(error)[:160]}
    assert bench.first_deg is not None
    return row | {
        "off_deg": off,
        "strokes": strokes,
        "first_strike_deg": round(bench.first_deg, 3),
        "doubts": bench.doubts,
        "yield_MPa": round(bench.metal.yield_Pa / 1e6),
        "n": round(bench.metal.exponent, 3),
        "ratio": round(bench.opening_m / bench.nominal_m, 2),
        "target_deg": bench.target_deg,
    }


def campaign(metals: int, seed: int) -> dict[str, Any]:
    """Bend every metal with every slip."""
    rows = [
        bend(seed, index, slip, part)
        for index in range(metals)
        for slip in SLIPS
        for part in ((0,) if slip == "none" else (1, 3))
    ]
    good = [row for row in rows if "off_deg" in row]
    every = [abs(each) for row in good for each in row["off_deg"]]
    third = [abs(row["off_deg"][2]) for row in good]
    first = [row["first_strike_deg"] for row in good if row["slip"] == "none"]
    return {
        "metals": metals,
        "seed": seed,
        "runs": len(rows),
        "refused": sorted({row["metal"] for row in rows if "refused" in row}),
        "parts": len(every),
        "parts_beyond_1.5_deg": sum(each > LATER_MOST_DEG for each in every),
        "parts_worst_deg": max(every, default=None),
        "third_within_0.5_deg": sum(each <= THIRD_MOST_DEG for each in third),
        "third_of": len(third),
        "third_worst_deg": max(third, default=None),
        # Less than zero is overbent: no second stroke mends that.
        "first_strike_most_overbent_deg": min(first, default=None),
        "first_strike_most_open_deg": max(first, default=None),
        "first_strikes_overbent_by_more_than_0.5_deg": sum(each < -THIRD_MOST_DEG for each in first),
        "rows": rows,
    }


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description="Bends of drawn metals, with slips.")
    parser.add_argument("--metals", type=int, default=10)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path)
    options = parser.parse_args()
    origin = provenance()
    found = {"provenance": origin, **campaign(options.metals, options.seed)}
    print({key: value for key, value in found.items() if key not in ("rows", "provenance")})
    if options.out is not None:
        options.out.parent.mkdir(parents=True, exist_ok=True)
        options.out.write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
