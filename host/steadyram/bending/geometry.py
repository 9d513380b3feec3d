"""Air-bend geometry: how deep the punch goes for a bend angle, and back.

Derived here, with two straight legs tangent to an arc at the punch and to the roundings of the die's shoulders.
Let a be half the bend angle, V the opening, S = inside radius + thickness + shoulder radius. The upper face of a
leg touches the inside arc (centre on the middle line) and, a thickness above, the shoulder's rounding (centre
V/2 from the middle, its radius below the top face). The two tangent points lie on one line of slope tan a; solving
for the height of the arc's lowest point gives

    depth = V/2 tan a - S (1/cos a - 1)

counted from a punch that touches flat sheet. Assumptions: no thinning, no curvature of the legs (under load they
bow a little), the sheet as thick as stated, the arc's radius known: the punch's, or the one that sheet takes in an
air bend by itself, whichever is larger.
"""

from __future__ import annotations

import math

from steadyram.bending.tooling import Tooling
from steadyram.errors import BadInput

# The radius that sheet takes in air, as a share of the opening: some 0.13 to 0.22, more where it hardens more.
RADIUS_SHARE = 0.16
RADIUS_SOURCE = (
    "inside radius of an air bend 0.16 of the opening, the punch's where larger: common practice, no source"
)
FORMULA = "depth = V/2 tan(a) - (r + t + s)(1/cos(a) - 1), a half the bend angle under load"


def inside_radius_m(tooling: Tooling) -> float:
    """Inside radius (m) under load by rule: the share of the opening, but not less than the punch's own."""
    return max(tooling.punch_radius, RADIUS_SHARE * tooling.opening)


def steepest_rad(tooling: Tooling, thickness_m: float, radius_m: float) -> float:
    """Largest bend angle under load: the sheet lies on the die's flanks, or no straight leg is left."""
    reach = tooling.opening / 2.0 / (radius_m + thickness_m + tooling.shoulder_radius)
    free = 2.0 * math.asin(min(1.0, reach))
    return min(math.pi - tooling.die_angle, free)


def depth_for_angle_m(tooling: Tooling, thickness_m: float, radius_m: float, loaded_rad: float) -> float:
    """Depth (m) past first touch at which the bend angle under load is `loaded_rad`.

    Raises BadInput for angles that the tooling cannot reach in air.
    """
    steepest = steepest_rad(tooling, thickness_m, radius_m)
    # A rounding's worth over the end is the end.
    if not 0.0 <= loaded_rad <= steepest + 1e-9:
        raise BadInput(
            f"an included angle of {math.degrees(math.pi - loaded_rad):.4g} deg under load cannot be air bent here: "
            f"this die reaches {math.degrees(math.pi - steepest):.4g} deg; take a sharper or wider die."
        )
    half = loaded_rad / 2.0
    curled = radius_m + thickness_m + tooling.shoulder_radius
    return tooling.opening / 2.0 * math.tan(half) - curled * (1.0 / math.cos(half) - 1.0)


def angle_for_depth_rad(tooling: Tooling, thickness_m: float, radius_m: float, depth_m: float) -> float:
    """Bend angle under load at a depth (m): the formula above turned round, with sin(a - b) in it.

    A depth past the die's flanks gives the angle of the flanks; less than nothing gives 0.
    """
    curled = radius_m + thickness_m + tooling.shoulder_radius
    steepest = steepest_rad(tooling, thickness_m, radius_m)
    if depth_m <= 0.0:
        return 0.0
    if depth_m >= depth_for_angle_m(tooling, thickness_m, radius_m, steepest):
        return steepest
    half_opening, rest = tooling.opening / 2.0, depth_m - curled
    half = math.atan2(rest, half_opening) + math.asin(curled / math.hypot(half_opening, rest))
    return 2.0 * half


def slope_rad_m(tooling: Tooling, thickness_m: float, radius_m: float, loaded_rad: float) -> float:
    """How many radians the bend angle under load gains per metre of depth."""
    half = loaded_rad / 2.0
    curled = radius_m + thickness_m + tooling.shoulder_radius
    return 2.0 * math.cos(half) ** 2 / (tooling.opening / 2.0 - curled * math.sin(half))


def leg_m(tooling: Tooling, thickness_m: float, radius_m: float, loaded_rad: float) -> float:
    """Flat length (m) from the bend line to where a leg leaves the die's shoulder: shorter flanges fall in.

    Half the arc along its middle line, and the straight part of the leg.
    """
    half = loaded_rad / 2.0
    curled = radius_m + thickness_m + tooling.shoulder_radius
    across = tooling.opening / 2.0 - curled * math.sin(half)
    return (radius_m + thickness_m / 2.0) * half + across / math.cos(half)
