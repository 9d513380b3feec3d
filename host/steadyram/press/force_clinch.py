"""Estimates for clinch hardware and for dimple dies: plastic flow of a ring of sheet.

Clinch hardware. The ring under the head pushes sheet sideways into an undercut. The force is that
of indenting the sheet with a ring: constraint factor times flow stress times ring area.

    F = C * s_f * pi * D_h * b

    C    constraint factor 2.2, band 1.5 to 3: between squeezing against a free edge (about 1.15
         times flow stress) and a flat punch in a half space (2.97, Prandtl, von Mises)
    s_f  flow stress, mean of yield and tensile strength
    D_h  mounting hole, taken as 1.35 times the thread's diameter unless given
    b    width of the displacing ring, taken as 0.045 times the thread's diameter (0.03 to 0.06)

Hole and ring proportions are one pair of ratios for every size (common practice, no source): their
level was chosen in the light of three trade facts (0.63, 1.0 and 2.2 tonf for 1/4-20, 3/8-16 and
1/2-13 nuts in steel), none was fitted to a size. The band adds the spreads in quadrature.

Dimple dies. First a flange is drawn round the hole, then the rim is squeezed flat between the dies.

    F = 1.1 pi t Re (D - d) + s_f pi D g t

    first term: force to flange a hole of diameter d to D (sheet-metal handbooks, from memory);
    second: a contact ring g = 0.35 thicknesses wide at flow stress (band 0.15 to 0.6; our model).
"""

from __future__ import annotations

import math
import re

from steadyram.errors import BadInput
from steadyram.press.estimate import Estimate
from steadyram.press.force_bend import positive
from steadyram.units import parse

CONSTRAINT, CONSTRAINT_SPREAD = 2.2, 0.35
HOLE_RATIO = 1.35
RING_RATIO, RING_SPREAD = 0.045, 0.33
FLOW_SPREAD = 0.20
RIM_LOW, RIM, RIM_HIGH = 0.15, 0.35, 0.60
CLINCH_SOURCE = (
    "own model: ring indentation (plasticity textbooks, from memory) with common-practice proportions, "
    "no source"
)
DIMPLE_SOURCE = "own model: hole flanging (handbook form, from memory) plus squeezing the rim flat; no source"


def thread_diameter_m(text: str) -> float:
    """Major diameter (m) of "1/2-13", "#10-32", "M8", "M8x1.25" or a length such as "8 mm".

    Source: Unified inch series, numbered sizes 0.060 in + 0.013 in a number (from memory). Raises
    BadInput when the thread cannot be read.
    """
    raw = text.strip()
    if match := re.fullmatch(r"[Mm](\d+(?:\.\d+)?)(?:\s*[xX×]\s*\d+(?:\.\d+)?)?", raw):
        return float(match[1]) * 1e-3
    if match := re.fullmatch(r"(?:#|No\.?\s*)(\d{1,2})(?:-\d+)?", raw):
        return (0.060 + 0.013 * int(match[1])) * 0.0254
    if match := re.fullmatch(r"(?:(\d+)[ -])?(\d+)/(\d+)(?:-\d+)?", raw):
        if int(match[3]) == 0:
            raise BadInput(f"thread {raw!r} divides by zero; write it like '1/2-13' or 'M8'.")
        return (int(match[1] or 0) + int(match[2]) / int(match[3])) * 0.0254
    try:
        return parse(raw, "meter", what="thread")
    except BadInput:
        raise BadInput(
            f"thread {raw[:30]!r} is not known; write it like '1/2-13', '#10-32', 'M8' or '8 mm'."
        ) from None


def clinch_force(
    thread_m: float, yield_Pa: float, tensile_Pa: float, thickness_m: float, hole_m: float | None = None
) -> Estimate:
    """Force to embed a clinch nut, stud or standoff of a thread into a sheet.

    hole_m: mounting hole if known. Raises BadInput for sizes that are not positive or a hole
    smaller than the thread.
    """
    positive(thread=thread_m, yield_strength=yield_Pa, tensile=tensile_Pa, thickness=thickness_m)
    hole = HOLE_RATIO * thread_m if hole_m is None else hole_m
    if hole <= thread_m:
        raise BadInput("the mounting hole must be larger than the thread.")
    flow = (yield_Pa + tensile_Pa) / 2
    ring = math.pi * hole * RING_RATIO * thread_m
    force = CONSTRAINT * flow * ring
    spread = math.sqrt(CONSTRAINT_SPREAD**2 + RING_SPREAD**2 + FLOW_SPREAD**2)
    assumptions = [
        f"hole {hole * 1e3:.3g} mm, displacing ring {RING_RATIO * thread_m * 1e3:.3g} mm wide, "
        f"constraint {CONSTRAINT:g}",
        f"band of {100 * spread:.0f} % each way from constraint, ring and flow stress in quadrature",
        "sheet softer than the hardware; full seating with parallel, hardened anvils",
    ]
    if thickness_m < 0.15 * thread_m:
        assumptions.append(
            "the sheet is thin for this thread: it may dish or burst before the ring is seated"
        )
    return Estimate(
        "clinch hardware",
        force,
        (1 - spread) * force,
        (1 + spread) * force,
        "F = C s_f pi D_h b",
        CLINCH_SOURCE,
        tuple(assumptions),
        {"ring_area_m2": ring, "flow_stress_Pa": flow},
    )


def dimple_force(
    hole_m: float, outer_m: float, thickness_m: float, yield_Pa: float, tensile_Pa: float
) -> Estimate:
    """Force to form a dimple (flanged hole) until the dies close flat.

    hole_m: pilot hole; outer_m: diameter where the rim meets the flat sheet. Raises BadInput when
    the rim is not outside the hole.
    """
    positive(hole=hole_m, thickness=thickness_m, yield_strength=yield_Pa, tensile=tensile_Pa)
    if outer_m <= hole_m:
        raise BadInput("the dimple's outer diameter must be larger than the pilot hole.")
    flow = (yield_Pa + tensile_Pa) / 2
    flange = 1.1 * math.pi * thickness_m * yield_Pa * (outer_m - hole_m)
    rim = flow * math.pi * outer_m * thickness_m
    return Estimate(
        "dimple die",
        flange + RIM * rim,
        0.7 * flange + RIM_LOW * rim,
        1.3 * flange + RIM_HIGH * rim,
        "F = 1.1 pi t Re (D - d) + s_f pi D g t",
        DIMPLE_SOURCE,
        (
            f"rim squeezed over {RIM:g} thicknesses (band {RIM_LOW:g} to {RIM_HIGH:g}); flange 30 % each way",
            "a clean, deburred pilot hole; a rough one tears",
        ),
        {"flange_N": flange, "flatten_N": RIM * rim},
    )
