"""Flat length of a bent part: bend allowance, outside setback, bend deduction and the K-factor behind them.

The allowance is the arc of the fibre that keeps its length, K thicknesses in from the inside face:
BA = angle (radius + K thickness). Setback SB = tan(angle/2) (radius + thickness), deduction BD = 2 SB - BA.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from steadyram.errors import BadInput
from steadyram.press.force_bend import positive

# Empirical bend allowances for a right angle, in the form c t + (pi/2) r; K = c / (pi/2).
_HANDBOOK_C = {"soft": 0.55, "middle": 0.64, "hard": 0.71}
HANDBOOK_SOURCE = "Machinery's Handbook, bend tables for right angles (0.55, 0.64 or 0.71 t + 1.57 r)"
_SOFT = ("copper-annealed", "aluminium-soft")
_HARD = ("bronze-bearing", "structural-steel-355", "alloy-steel-tempered", "medium-carbon-steel")
_HARD_WORDS = ("stainless", "cold", "titanium", "high-strength")


@dataclass(frozen=True)
class Allowance:
    """Bend allowance, outside setback and bend deduction in metres, the K-factor and where that is from."""

    allowance_m: float
    setback_m: float
    deduction_m: float
    k_factor: float
    k_source: str


def handbook_k(material: str) -> tuple[float, str]:
    """K-factor of a material's group of the handbook, and its source: soft 0.35, middle 0.41, hard 0.45."""
    group = "middle"
    if material in _SOFT:
        group = "soft"
    elif material in _HARD or any(word in material for word in _HARD_WORDS):
        group = "hard"
    return _HANDBOOK_C[group] / (math.pi / 2.0), f"{HANDBOOK_SOURCE}, {group} metals"


def textbook_k(radius_m: float, thickness_m: float) -> tuple[float, str]:
    """K-factor by radius alone: 0.33 below two thicknesses, 0.5 from there on (Groover)."""
    return (0.33 if radius_m < 2.0 * thickness_m else 0.5), (
        "Groover, Fundamentals of Modern Manufacturing: K = 0.33 for R < 2 t, else 0.5 (from memory)"
    )


def outside_setback_m(bend_rad: float, radius_m: float, thickness_m: float) -> float:
    """From the corner of the outside faces to where the bend begins (m): tan(angle/2) (radius + thickness)."""
    return math.tan(bend_rad / 2.0) * (radius_m + thickness_m)


def bend_allowance_m(bend_rad: float, radius_m: float, thickness_m: float, k_factor: float) -> float:
    """Flat length (m) that goes into the bend."""
    return bend_rad * (radius_m + k_factor * thickness_m)


def allowance(
    bend_rad: float,
    radius_m: float,
    thickness_m: float,
    k_factor: float,
    k_source: str = "as given",
) -> Allowance:
    """All three for a bend angle (rad), inside radius and thickness (m). Raises BadInput outside their bounds."""
    positive(thickness=thickness_m)
    if not 0.0 < bend_rad < math.pi:
        raise BadInput(
            "the bend angle must lie between 0 and 180 deg; there is no corner to set back from else."
        )
    if radius_m < 0.0 or not 0.0 <= k_factor <= 1.0:
        raise BadInput("the inside radius cannot be negative, and a K-factor lies between 0 and 1.")
    flat = bend_allowance_m(bend_rad, radius_m, thickness_m, k_factor)
    setback = outside_setback_m(bend_rad, radius_m, thickness_m)
    return Allowance(flat, setback, 2.0 * setback - flat, k_factor, k_source)


def flat_length_m(outside_m: list[float], bends: list[Allowance]) -> float:
    """Flat length (m) of a part from its flanges' outside lengths, one more than there are bends."""
    if len(outside_m) != len(bends) + 1:
        raise BadInput(f"{len(bends)} bends have {len(bends) + 1} flanges; {len(outside_m)} were given.")
    flat = sum(outside_m) - sum(bend.deduction_m for bend in bends)
    if min(outside_m) <= 0.0 or flat <= 0.0:
        raise BadInput("the flanges are too short for their bends; check that they are outside lengths.")
    return flat
