"""Springback by the textbooks' formula for pure bending of an elastic, ideally plastic strip.

Ri/Rf = 4 x^3 - 3 x + 1 with x = Ri Y / (E t) (Kalpakjian & Schmid, Manufacturing Engineering and Technology;
the same in public course work of a manufacturing class, see tests/published). The bent length stays, so the
angles go with (R + t/2) under load and after. It leaves out hardening, plane strain and the elastic bow of the
legs, and so says too little for an air bend: a first part comes out under its angle, which a second stroke mends.
What it leaves out is bounded by `springback_band` (own, statics of a beam from memory): from an ideally plastic
strip at its yield strength with stiff legs, to plane strain at the tensile strength with elastic legs.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from steadyram.bending.sheet import Sheet
from steadyram.errors import BadInput

SOURCE = (
    "Kalpakjian & Schmid, Manufacturing Engineering and Technology: Ri/Rf = 4x^3 - 3x + 1, x = Ri Y/(E t)"
)


@dataclass(frozen=True)
class Springback:
    """Radii (m) under load and released, bend angles (rad) under load and released."""

    loaded_radius_m: float
    released_radius_m: float
    loaded_rad: float
    released_rad: float

    @property
    def springback_rad(self) -> float:
        """Bend angle lost on release."""
        return self.loaded_rad - self.released_rad

    @property
    def textbook_share(self) -> float:
        """(included released - included loaded) / included loaded, as Groover defines springback."""
        return self.springback_rad / (math.pi - self.loaded_rad)


def radius_ratio(radius_m: float, yield_Pa: float, modulus_Pa: float, thickness_m: float) -> float:
    """Ri/Rf of a bend of radius Ri (m). Raises BadInput where the bend would stay elastic (x >= 1/2)."""
    x = radius_m * yield_Pa / (modulus_Pa * thickness_m)
    if not 0.0 <= x < 0.5:
        raise BadInput(
            f"a radius of {radius_m * 1e3:.4g} mm would spring back altogether in this sheet; take a smaller radius."
        )
    return 4.0 * x**3 - 3.0 * x + 1.0


def after_release(sheet: Sheet, loaded_radius_m: float, loaded_rad: float) -> Springback:
    """What a bend of this radius (m) and bend angle (rad) under load springs back to."""
    released_m = loaded_radius_m / radius_ratio(
        loaded_radius_m, sheet.yield_Pa, sheet.modulus_Pa, sheet.thickness_m
    )
    half = sheet.thickness_m / 2.0
    return Springback(
        loaded_radius_m, released_m, loaded_rad, loaded_rad * (loaded_radius_m + half) / (released_m + half)
    )


def before_release(sheet: Sheet, loaded_radius_m: float, released_rad: float) -> Springback:
    """The bend angle (rad) under load that leaves `released_rad`."""
    share = after_release(sheet, loaded_radius_m, 1.0).released_rad
    return after_release(sheet, loaded_radius_m, released_rad / share)


@dataclass(frozen=True)
class SpringbackBand:
    """Bend angle lost on release (rad): least and most that sheets of these strengths are expected to lose."""

    low_rad: float
    high_rad: float


# Plane strain along the bend (von Mises), and Poisson's ratio of the plate's stiffness, about that of every metal here.
_PLANE_STRAIN = 2.0 / math.sqrt(3.0)
_POISSON = 0.3
# True stress in the outer fibres of a bend over the engineering tensile strength (own allowance, no source).
_TRUE_OVER_TENSILE = 1.25


def springback_band(sheet: Sheet, loaded_radius_m: float, loaded_rad: float, leg_m: float) -> SpringbackBand:
    """Return the band of springback of an air bend.

    A bent strip of stress s unloads by the curvature 12 M / (E t^3), M = s t^2/4 (1 - (k_y/k)^2/3) with
    k_y = 2 s / (E t). The arc loses that over its middle line; a leg of length `leg_m` (m), whose moment falls
    to nothing at the die's shoulder, loses half of that over its length. The most: s a quarter more than the
    tensile strength, in plane strain, with legs. The least: s the yield strength, without.
    """
    arc_m = loaded_rad * (loaded_radius_m + sheet.thickness_m / 2.0)
    curvature = 1.0 / (loaded_radius_m + sheet.thickness_m / 2.0)

    def lost_per_m(stress_Pa: float, modulus_Pa: float) -> float:
        yielding = 2.0 * stress_Pa / (modulus_Pa * sheet.thickness_m)
        core = min(1.0, yielding / curvature)
        return 3.0 * stress_Pa / (modulus_Pa * sheet.thickness_m) * (1.0 - core**2 / 3.0)

    plate_Pa = sheet.modulus_Pa / (1.0 - _POISSON**2)
    straight_m = max(0.0, leg_m - arc_m / 2.0)
    least = lost_per_m(sheet.yield_Pa, sheet.modulus_Pa) * arc_m
    most = lost_per_m(_PLANE_STRAIN * _TRUE_OVER_TENSILE * sheet.tensile_Pa, plate_Pa) * (arc_m + straight_m)
    return SpringbackBand(min(least, most), most)
