"""Force to punch or blank sheet, with shear on the punch and stripping."""

from __future__ import annotations

from steadyram.errors import BadInput
from steadyram.press.estimate import Estimate
from steadyram.press.force_bend import positive

SOURCE = "Groover, Fundamentals of Modern Manufacturing, sheet-metalworking chapter: F = S t L"
STRIP_LOW, STRIP, STRIP_HIGH = 0.05, 0.10, 0.20


def punch_force(
    shear_Pa: float,
    thickness_m: float,
    perimeter_m: float,
    punch_shear_m: float = 0.0,
    penetration: float = 0.4,
) -> Estimate:
    """Force to cut a closed contour of `perimeter_m` through a sheet.

    punch_shear_m: height of the shear ground on the punch (0 = flat); penetration: part of the
    thickness cut before it breaks, 0 to 1. Stripping is 5 to 20 % of the cutting force.
    Raises BadInput for sizes that are not positive.
    """
    positive(shear=shear_Pa, thickness=thickness_m, perimeter=perimeter_m)
    if punch_shear_m < 0.0 or not 0.0 < penetration <= 1.0:
        raise BadInput("the punch's shear cannot be negative and the penetration lies between 0 and 100 %.")
    flat = shear_Pa * thickness_m * perimeter_m
    force = flat
    assumptions = [
        "full contour at once" if punch_shear_m == 0.0 else f"penetration {penetration:g} of the thickness",
        "band of 15 % below to 30 % above: shear strength, clearance, a dull punch (common practice, "
        "no source)",
        "stripping 5 to 20 % of the cutting force (common practice, no source)",
        "the load drops at once when the slug breaks: the frame springs back",
    ]
    formula, source = "F = S t L", SOURCE
    if punch_shear_m > 0.0:
        force = flat * min(1.0, thickness_m * penetration / punch_shear_m)
        formula = "F = S t L (t p) / t1, not more than S t L"
        source += "; shear on the punch: teaching texts on sheet-metal work (published exam item)"
    return Estimate(
        "punch",
        force,
        0.85 * force,
        1.3 * force,
        formula,
        source,
        tuple(assumptions),
        {
            "flat_punch_N": flat,
            "stripping_N": STRIP * flat,
            "stripping_low_N": STRIP_LOW * flat,
            "stripping_high_N": STRIP_HIGH * flat,
        },
    )
