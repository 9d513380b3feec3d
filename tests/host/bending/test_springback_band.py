"""The band of springback against an integral of the moment that shares no formula with it (the virtual strip)."""

import math

import numpy as np
import pytest

from steadyram.bending import geometry
from steadyram.bending.sheet import Sheet
from steadyram.bending.springback import after_release, springback_band
from steadyram.bending.tooling import Tooling
from steadyram.virtual.bend import STRIP_MATERIALS, BentStrip, StripTooling

DRAWS = 40
SEED = 20261128


def drawn(rng: np.random.Generator) -> tuple[float, float, float, float, float]:
    """Bend angle left in the strip, the band, and the textbook's figure, of a sheet and die drawn at random."""
    metal = STRIP_MATERIALS[str(rng.choice(sorted(STRIP_MATERIALS)))].stronger(float(rng.uniform(0.8, 1.3)))
    thickness = float(rng.uniform(0.8e-3, 6e-3))
    opening = thickness * float(rng.uniform(6.0, 12.0))
    tip = float(rng.uniform(0.5, 1.0)) * thickness
    # Engineering tensile strength of the hardening law (Considere): K (n/e)^n.
    tensile = max(metal.yield_Pa, metal.coefficient_Pa * (metal.exponent / math.e) ** metal.exponent)
    strip = BentStrip(metal, thickness, 0.1, StripTooling(opening, tip, tip))
    tooling = Tooling.model_validate(
        {
            "opening": f"{opening} m", "punch_radius": f"{tip} m", "shoulder_radius": f"{tip} m",
            "die_angle": "60 deg",
        }
    )  # fmt: skip
    sheet = Sheet(thickness, metal.yield_Pa, tensile, metal.modulus_Pa)
    radius = geometry.inside_radius_m(tooling)
    wanted = math.radians(float(rng.uniform(40.0, 100.0)))
    depth = geometry.depth_for_angle_m(tooling, thickness, radius, wanted)
    loaded = strip.loaded_at(depth)
    leg = geometry.leg_m(tooling, thickness, radius, loaded)
    band = springback_band(sheet, radius, loaded, leg)
    textbook = after_release(sheet, radius, loaded).springback_rad
    return loaded - strip.released_at(depth), band.low_rad, band.high_rad, textbook, loaded


def test_the_strips_springback_lies_in_the_band():
    rng = np.random.default_rng(SEED)
    for _ in range(DRAWS):
        lost, low, high, textbook, loaded = drawn(rng)
        assert low <= lost <= high, (low, lost, high)
        assert textbook < lost  # pure bending says less than any of these strips does
        assert high < loaded / 2


def test_the_band_grows_with_strength_and_shrinks_with_thickness():
    base = Sheet(2e-3, 250e6, 400e6, 205e9)
    band = springback_band(base, 2.5e-3, math.pi / 2, 10e-3)
    strong = springback_band(Sheet(2e-3, 500e6, 800e6, 205e9), 2.5e-3, math.pi / 2, 10e-3)
    thick = springback_band(Sheet(4e-3, 250e6, 400e6, 205e9), 5e-3, math.pi / 2, 10e-3)
    assert strong.low_rad == pytest.approx(2 * band.low_rad, rel=0.01)
    assert strong.high_rad > 1.9 * band.high_rad
    assert thick.high_rad < band.high_rad
