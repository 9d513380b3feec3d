"""Estimates for clinch hardware and for dimple dies: plastic flow of a ring of sheet.

Clinch hardware comes in two kinds, and their forces differ by a factor of five to ten. So there are two bands.

Full head: the sheet is squeezed until the head's shoulder bears on it all round (self-clinching nuts by their
makers' tables). The band is read off published installation forces of nuts in cold-rolled steel and in
aluminium sheet (`PUBLISHED`), between the rows by a power law, for another metal in proportion to its flow
stress (own assumption).

Narrow ring: only a thin knurled ring is pushed into the sheet and displaces metal into an undercut. The force is
that of indenting the sheet with a ring: constraint factor times flow stress times ring area.

    F = C * s_f * pi * D_h * b

    C    constraint factor 2.2, band 1.5 to 3: between squeezing against a free edge (about 1.15
         times flow stress) and a flat punch in a half space (2.97, Prandtl, von Mises)
    s_f  flow stress, mean of yield and tensile strength
    D_h  mounting hole, taken as 1.35 times the thread's diameter unless given
    b    width of the displacing ring as measured on the part; 0.045 times the thread's diameter (0.03 to
         0.06) where it is not given: assumed, no source

A press is sized by the upper band; a first part starts in the lower one.

Dimple dies. First a flange is drawn round the hole, then the rim is squeezed flat between the dies.

    F = 1.1 pi t Re (D - d) + s_f pi D g t

    first term: force to flange a hole of diameter d to D (sheet-metal handbooks, from memory);
    second: a contact ring g = 0.35 thicknesses wide at flow stress (band 0.15 to 0.6; our model).
"""

from __future__ import annotations

import math
import re
from typing import Literal

import numpy as np

from steadyram.errors import BadInput
from steadyram.press.estimate import Band, Estimate
from steadyram.press.force_bend import positive
from steadyram.units import parse

Family = Literal["steel", "aluminium"]
FAMILIES: tuple[Family, ...] = ("steel", "aluminium")
CONSTRAINT, CONSTRAINT_SPREAD = 2.2, 0.35
HOLE_RATIO = 1.35
RING_RATIO, RING_SPREAD = 0.045, 0.33
FLOW_SPREAD = 0.20
RIM_LOW, RIM, RIM_HIGH = 0.15, 0.35, 0.60
# A measured ring leaves less to the band than an assumed one.
MEASURED_RING_SPREAD = 0.10
RING_SOURCE = "own model: ring indentation (plasticity textbooks, from memory)"
RING_STATUS = "assumed proportions, no source; measure the ring of your hardware and give it"
TABLE_SOURCE = "installation forces in public tables of nut makers (names left out)"
TABLE_STATUS = (
    "read in public text for threads of 3 to 12 mm, steel and aluminium sheet; elsewhere scaled, no source"
)
# Thread (mm): lowest and highest published force (kN), cold-rolled steel sheet, then aluminium sheet.
PUBLISHED = {
    3.0: ((11.0, 27.0), (6.0, 14.0)),
    4.0: ((17.0, 28.0), (11.0, 14.0)),
    5.0: ((18.0, 40.0), (11.0, 16.0)),
    6.0: ((26.0, 38.0), (17.0, 32.0)),
    8.0: ((26.0, 38.0), (18.0, 33.0)),
    10.0: ((29.0, 50.0), (20.0, 37.0)),
    12.0: ((44.0, 70.0), (30.0, 42.0)),
}
# Flow stress (Pa) of the sheets that the rows stand for: rows mild-steel-cold-rolled and aluminium-5052-h32 of the
# material table.
PUBLISHED_FLOW_PA = (275e6, 210e6)
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


def published_band_N(thread_m: float, flow_Pa: float, family: Family) -> tuple[float, float]:
    """Return lowest and highest published force for a thread, scaled to a flow stress (Pa).

    Between the rows by a power law of the diameter; beyond them in proportion to it.
    """
    column = FAMILIES.index(family)
    size = thread_m * 1e3
    threads = sorted(PUBLISHED)
    inside = min(max(size, threads[0]), threads[-1])
    scale = flow_Pa / PUBLISHED_FLOW_PA[column] * size / inside * 1e3
    logs = [math.log(t) for t in threads]
    low, high = (
        scale
        * math.exp(
            float(np.interp(math.log(inside), logs, [math.log(PUBLISHED[t][column][k]) for t in threads]))
        )
        for k in (0, 1)
    )
    return low, high


def ring_band_N(
    thread_m: float, flow_Pa: float, hole_m: float, ring_m: float | None
) -> tuple[float, float, float]:
    """Return lowest, middle and highest force of a narrow ring; ring_m: its width if it was measured."""
    width = RING_RATIO * thread_m if ring_m is None else ring_m
    force = CONSTRAINT * flow_Pa * math.pi * hole_m * width
    ring_spread = RING_SPREAD if ring_m is None else MEASURED_RING_SPREAD
    spread = math.sqrt(CONSTRAINT_SPREAD**2 + ring_spread**2 + FLOW_SPREAD**2)
    return (1 - spread) * force, force, (1 + spread) * force


def clinch_force(
    thread_m: float,
    yield_Pa: float,
    tensile_Pa: float,
    thickness_m: float,
    hole_m: float | None = None,
    *,
    family: Family = "steel",
    ring_m: float | None = None,
) -> Estimate:
    """Estimate the force to embed a clinch nut, stud or standoff of a thread into a sheet.

    hole_m: mounting hole if known; ring_m: width of the displacing ring if measured; family: which rows of
    the published tables the sheet goes with. Raises BadInput for sizes that are not positive or a hole
    smaller than the thread.
    """
    positive(thread=thread_m, yield_strength=yield_Pa, tensile=tensile_Pa, thickness=thickness_m)
    if ring_m is not None:
        positive(ring=ring_m)
    hole = HOLE_RATIO * thread_m if hole_m is None else hole_m
    if hole <= thread_m:
        raise BadInput("the mounting hole must be larger than the thread.")
    flow = (yield_Pa + tensile_Pa) / 2
    ring_low, ring, ring_high = ring_band_N(thread_m, flow, hole, ring_m)
    low, high = published_band_N(thread_m, flow, family)
    bands = (
        Band("narrow ring", ring_low, ring_high, "a thin knurled ring is pushed in, the head stays proud or thin",
             RING_SOURCE, RING_STATUS),
        Band("full head", low, high, "the head's shoulder is seated all round, as nut makers' tables ask",
             TABLE_SOURCE, TABLE_STATUS),
    )  # fmt: skip
    assumptions = [
        f"hole {hole * 1e3:.3g} mm, displacing ring {(RING_RATIO * thread_m if ring_m is None else ring_m) * 1e3:.3g} "
        f"mm wide{'' if ring_m else ' (assumed)'}, constraint {CONSTRAINT:g}",
        "size the press by the full head's band; start a first part in the narrow ring's and raise it on scrap",
        "sheet softer than the hardware; full seating with parallel, hardened anvils",
    ]
    if thickness_m < 0.15 * thread_m:
        assumptions.append(
            "the sheet is thin for this thread: it may dish or burst before the ring is seated"
        )
    if not min(PUBLISHED) <= thread_m * 1e3 <= max(PUBLISHED):
        assumptions.append(
            "the thread lies outside the published rows: that band is carried on in proportion"
        )
    return Estimate(
        "clinch hardware",
        math.sqrt(low * high),
        min(low, ring_low),
        max(high, ring_high),
        "full head: published range; narrow ring: F = C s_f pi D_h b",
        f"{TABLE_SOURCE}; {RING_SOURCE}",
        tuple(assumptions),
        {"ring_force_N": ring, "flow_stress_Pa": flow},
        bands=bands,
        start_N=min(ring, math.sqrt(low * high)),
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
