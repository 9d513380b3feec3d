"""Beams under the ram: how far the bed bows, and what it takes to straighten a bar."""

from __future__ import annotations

import math
from dataclasses import dataclass

from steadyram.errors import BadInput
from steadyram.press.estimate import Estimate
from steadyram.press.force_bend import positive

BEAM_SOURCE = "simply supported beam with a central load, any strength-of-materials handbook (from memory)"


@dataclass(frozen=True)
class BedDeflection:
    """Deflection at mid-span (m), stiffness (N/m) and slope at the supports (rad) of a bed."""

    deflection_m: float
    stiffness_N_per_m: float
    end_slope_rad: float


def bed_deflection(force_N: float, span_m: float, modulus_Pa: float, inertia_m4: float) -> BedDeflection:
    """Bow of a bed resting on two supports with the force in the middle: F L^3 / (48 E I).

    Shear is left out: short deep beds bow more. Raises BadInput for sizes that are not positive.
    """
    positive(force=force_N, span=span_m, modulus=modulus_Pa, inertia=inertia_m4)
    stiffness = 48.0 * modulus_Pa * inertia_m4 / span_m**3
    return BedDeflection(
        force_N / stiffness, stiffness, force_N * span_m**2 / (16.0 * modulus_Pa * inertia_m4)
    )


def bow_over_part(deflection_m: float, span_m: float, part_m: float) -> float:
    """How much deeper the bed is at mid-span than at the ends of a part of length `part_m` centred on it.

    From the elastic curve of the same beam, y(x) = d (3 (x/h) - (x/h)^3) / 2 with h half the span.
    """
    x = max(0.0, min(1.0, 1.0 - part_m / span_m))
    return deflection_m * (1.0 - (3.0 * x - x**3) / 2.0)


def bend_angle_error_rad(bow_m: float, opening_m: float) -> float:
    """Change of the included angle of an air bend where the punch goes in less by `bow_m`.

    Geometry of a V die: half the bend angle is atan(depth / (opening/2)) near a right angle, so
    d(angle) = 2 * bow / (opening/2) * cos^2(45 deg) = 2 * bow / opening.
    """
    positive(opening=opening_m)
    return 2.0 * bow_m / opening_m


def section(
    kind: str, width_m: float, height_m: float | None = None, wall_m: float | None = None
) -> tuple[float, float, float]:
    """Inertia (m^4), elastic and plastic section modulus (m^3) of a bar bent over its height.

    kind: "round" (width = diameter), "tube" (with wall), "rect" (width and height).
    """
    positive(size=width_m)
    if kind == "rect":
        h = height_m if height_m is not None else width_m
        positive(height=h)
        return width_m * h**3 / 12, width_m * h**2 / 6, width_m * h**2 / 4
    inner = 0.0
    if kind == "tube":
        if wall_m is None or not 0.0 < wall_m < width_m / 2:
            raise BadInput("a tube needs a wall thinner than half its diameter.")
        inner = width_m - 2 * wall_m
    inertia = math.pi / 64 * (width_m**4 - inner**4)
    return inertia, inertia / (width_m / 2), (width_m**3 - inner**3) / 6


def straighten_force(
    yield_Pa: float,
    modulus_Pa: float,
    span_m: float,
    kind: str,
    width_m: float,
    height_m: float | None = None,
    wall_m: float | None = None,
) -> Estimate:
    """Force at mid-span that begins to bend a bar for good, up to a full plastic hinge."""
    positive(yield_strength=yield_Pa, modulus=modulus_Pa, span=span_m)
    inertia, elastic, plastic = section(kind, width_m, height_m, wall_m)
    first = 4.0 * yield_Pa * elastic / span_m
    hinge = 4.0 * yield_Pa * plastic / span_m
    return Estimate(
        f"straighten, {kind}",
        (first + hinge) / 2,
        first,
        1.15 * hinge,
        "between F = 4 Re W_el / L (first yield) and 4 Re W_pl / L (plastic hinge)",
        BEAM_SOURCE + "; plastic section moduli likewise",
        (
            "two supports, force in the middle, no twisting",
            "high end 15 % above the hinge for a yield strength above nominal (common practice, no source)",
            "springback: nothing stays bent below first yield; approach in small steps and measure",
        ),
        {
            "first_yield_N": first,
            "plastic_hinge_N": hinge,
            "deflection_at_yield_m": first * span_m**3 / (48.0 * modulus_Pa * inertia),
        },
    )
