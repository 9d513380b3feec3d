"""Force to bend sheet: air bending in a V die, wiping, bottoming and coining."""

from __future__ import annotations

from steadyram.errors import BadInput
from steadyram.press.estimate import Estimate

K_V = 1.33
K_WIPING = 0.33
# Bottoming and coining as multiples of air bending: nominal, low, high. Common practice, no source.
MULTIPLES = {"bottoming": (4.0, 3.0, 5.0), "coining": (8.0, 5.0, 10.0)}
SOURCE = "Groover, Fundamentals of Modern Manufacturing, sheet-metalworking chapter: F = K TS w t^2 / D"


def bend_force(
    tensile_Pa: float, thickness_m: float, length_m: float, opening_m: float, die: str
) -> Estimate:
    """Force to bend a sheet of tensile strength, thickness, bend length over a die opening.

    die: "v" or "wiping" (Groover's K of 1.33 or 0.33), "bottoming" or "coining" (multiples of the
    V die's air bend). Raises BadInput for sizes that are not positive.
    """
    positive(tensile=tensile_Pa, thickness=thickness_m, length=length_m, opening=opening_m)
    k = K_WIPING if die == "wiping" else K_V
    air = k * tensile_Pa * length_m * thickness_m**2 / opening_m
    ratio = opening_m / thickness_m
    assumptions = [
        f"K = {k}; die opening {ratio:.3g} times the thickness",
        "band of 20 % below to 25 % above: scatter of tensile strength, radius and friction (common "
        "practice, no source)",
    ]
    if die in ("v", "bottoming", "coining") and not 5.0 <= ratio <= 14.0:
        assumptions.append(
            "openings of 6 to 12 thicknesses are usual; outside that expect the estimate to drift"
        )
    nominal, low, high = air, 0.8 * air, 1.25 * air
    source = SOURCE
    if die in MULTIPLES:
        m, m_low, m_high = MULTIPLES[die]
        nominal, low, high = m * air, m_low * air, m_high * air
        assumptions[1] = (
            f"{die} takes {m_low:g} to {m_high:g} times the air bend (common practice, no source)"
        )
        source += f"; multiple for {die}: common practice, no source"
    return Estimate(
        f"bend, {die} die",
        nominal,
        low,
        high,
        "F = K TS w t^2 / D",
        source,
        tuple(assumptions),
        {"air_bend_N": air},
    )


def positive(**values: float) -> None:
    """BadInput naming the first value that is not above zero."""
    for name, value in values.items():
        if not value > 0.0:
            raise BadInput(f"{name.replace('_', ' ')} must be more than zero; check the number and its sign.")
