"""Force to push a broach through: teeth at work times chip section times specific cutting force."""

from __future__ import annotations

import math

from steadyram.press.estimate import Estimate
from steadyram.press.force_bend import positive

SOURCE = (
    "Kienzle's specific cutting force k = k1.1 h^-m (metal-cutting textbooks, from memory); m = 0.25 "
    "and the factor "
    "for slow broaching are common practice, no source"
)
EXPONENT = 0.25
SLOW_FACTOR = 1.3


def broach_force(
    cutting_Pa: float, width_m: float, rise_per_tooth_m: float, length_m: float, pitch_m: float
) -> Estimate:
    """Force of a broach of cut width (keyway width, or the circumference of a round one).

    cutting_Pa: specific cutting force at 1 mm chip; rise_per_tooth_m: chip thickness; length_m: of
    the cut; pitch_m: of the teeth.
    """
    positive(
        cutting_force=cutting_Pa,
        width=width_m,
        rise_per_tooth=rise_per_tooth_m,
        length=length_m,
        pitch=pitch_m,
    )
    teeth = math.ceil(length_m / pitch_m)
    specific = SLOW_FACTOR * cutting_Pa * (rise_per_tooth_m / 1e-3) ** -EXPONENT
    force = teeth * width_m * rise_per_tooth_m * specific
    return Estimate(
        "broach",
        force,
        0.7 * force,
        1.6 * force,
        "F = z w h k, z = ceil(L / pitch), k = 1.3 k1.1 (h / 1 mm)^-0.25",
        SOURCE,
        (
            f"{teeth} teeth in the cut at once",
            "band of 30 % below to 60 % above: sharpness, oil, chip room (common practice, no source)",
            "keep the broach in line: a push broach buckles and shatters; wear eye protection",
        ),
        {"teeth_engaged": float(teeth), "specific_cutting_Pa": specific},
    )
