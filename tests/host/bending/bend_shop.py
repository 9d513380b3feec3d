"""A press that bends: the plant's strip behind the procedure's Stroke, and a person with a protractor."""

from __future__ import annotations

import math

import numpy as np

from steadyram.bending.crowning import Bed
from steadyram.bending.procedure import Reached
from steadyram.virtual.bend import STRIP_MATERIALS, BentStrip, StripMaterial, StripTooling


class BendShop:
    """Stroke and BendingHands in one: sheet of one coil, true thickness and bed unknown to whoever plans.

    strength: of the coil over nominal; thicker_m: than stated; stop_sigma_m: of the stop; read_sigma_rad: of the
    protractor, which shows tenths of a degree.
    """

    def __init__(
        self,
        material: str = "mild-steel",
        thickness_m: float = 2e-3,
        opening_m: float = 16e-3,
        length_m: float = 0.3,
        *,
        strength: float = 1.0,
        thicker_m: float = 0.0,
        bed: Bed | None = None,
        stop_sigma_m: float = 0.0,
        part_sigma: float = 0.0,
        read_sigma_rad: float = 0.0,
        seed: int = 0,
    ) -> None:
        self.rng = np.random.default_rng(seed)
        self.metal: StripMaterial = STRIP_MATERIALS[material].stronger(strength)
        self.thickness_m, self.thicker_m, self.length_m = thickness_m, thicker_m, length_m
        self.tooling = StripTooling(opening_m, 1e-3, thickness_m)
        self.bed, self.stop_sigma_m = bed, stop_sigma_m
        self.part_sigma, self.read_sigma_rad = part_sigma, read_sigma_rad
        self.noted: list[str] = []
        self.asked: list[str] = []
        self.refuse_after: int | None = None
        self.blind = False
        self.choose: list[str] = []
        self.strokes: list[tuple[float, float]] = []
        self.new_part()

    def new_part(self) -> None:
        factor = 1.0 + self.part_sigma * float(self.rng.standard_normal())
        self.strip = BentStrip(
            self.metal.stronger(factor), self.thickness_m + self.thicker_m, self.length_m, self.tooling
        )
        self.deepest_m = 0.0

    # ---------------------------------------------------------------- the press
    def to_depth(self, depth_m: float, ceiling_N: float, fresh: bool = True) -> Reached:
        self.strokes.append((depth_m, ceiling_N))
        stop = depth_m + self.stop_sigma_m * float(self.rng.standard_normal())
        # The ram stands where punch depth and the bed's bow under its force add up to the stop.
        low, high = 0.0, self.strip.bottom_m
        for _ in range(60):
            middle = (low + high) / 2
            bow = self.bed.deflection_m(self.strip.force_at(middle)) if self.bed else 0.0
            low, high = (middle, high) if middle - self.thicker_m + bow < stop else (low, middle)
        force = self.strip.force_at(low)
        if max(self.strip.force_N[self.strip.depth_m <= low], default=0.0) > ceiling_N:
            place = int(np.argmax(self.strip.force_N > ceiling_N))
            self.deepest_m = max(self.deepest_m, float(self.strip.depth_m[place]))
            return Reached(float(self.strip.depth_m[place]), ceiling_N, "force")
        self.deepest_m = max(self.deepest_m, low)
        return Reached(stop, force)

    # ---------------------------------------------------------------- the person
    def note(self, text: str) -> None:
        self.noted.append(text)

    def confirm(self, text: str) -> bool:
        self.asked.append(text)
        return self.refuse_after is None or len(self.asked) <= self.refuse_after

    def doubted(self, text: str) -> str:
        self.asked.append(text)
        return self.choose.pop(0) if self.choose else "measure"

    def true_rad(self) -> float:
        """Included angle as it is."""
        return math.pi - self.strip.released_at(self.deepest_m)

    def included_angle_rad(self, text: str) -> float | None:
        if self.blind:
            return None
        read = math.degrees(self.true_rad() + self.read_sigma_rad * float(self.rng.standard_normal()))
        return math.radians(round(read * 10) / 10)
