"""Force to press an interference fit together: thick cylinders by Lamé."""

from __future__ import annotations

import math
from dataclasses import dataclass

from steadyram.errors import BadInput
from steadyram.press.estimate import Estimate
from steadyram.press.force_bend import positive

SOURCE = (
    "Lamé's thick cylinders, as in Shigley, Mechanical Engineering Design, press and shrink fits (from "
    "memory; same "
    "form in a public engineering tutorial)"
)
FRICTION_LOW, FRICTION, FRICTION_HIGH = 0.08, 0.12, 0.20


@dataclass(frozen=True)
class Ring:
    """One partner: modulus (Pa), Poisson's ratio, thermal expansion (1/K), temperature above 20 °C (K)."""

    modulus_Pa: float
    poisson: float
    expansion_per_K: float = 12e-6
    warmer_K: float = 0.0


def fit_pressure(
    diameter_m: float,
    hub_diameter_m: float,
    interference_m: float,
    hub: Ring,
    shaft: Ring,
    shaft_bore_m: float = 0.0,
) -> float:
    """Pressure in the joint (Pa) for a diametral interference.

    hub_diameter_m: outside of the hub; shaft_bore_m: 0 = solid shaft. Raises BadInput when the hub
    is not larger than the joint, or the bore not smaller.
    """
    positive(diameter=diameter_m, hub_modulus=hub.modulus_Pa, shaft_modulus=shaft.modulus_Pa)
    if hub_diameter_m <= diameter_m:
        raise BadInput("the hub's outside diameter must be larger than the joint's diameter.")
    if not 0.0 <= shaft_bore_m < diameter_m:
        raise BadInput("the shaft's bore must be smaller than the joint's diameter.")
    r, ro, ri = diameter_m / 2, hub_diameter_m / 2, shaft_bore_m / 2
    hub_term = ((ro**2 + r**2) / (ro**2 - r**2) + hub.poisson) / hub.modulus_Pa
    shaft_term = ((r**2 + ri**2) / (r**2 - ri**2) - shaft.poisson) / shaft.modulus_Pa
    return interference_m / 2 / (r * (hub_term + shaft_term))


def press_fit_force(
    diameter_m: float,
    hub_diameter_m: float,
    interference_m: float,
    length_m: float,
    hub: Ring,
    shaft: Ring,
    shaft_bore_m: float = 0.0,
    friction: float = FRICTION,
    friction_low: float = FRICTION_LOW,
    friction_high: float = FRICTION_HIGH,
) -> Estimate:
    """Axial force at full engagement, F = mu p pi d L.

    Heating the hub or cooling the shaft (warmer_K below zero) takes interference away. Raises
    BadInput for sizes that make no joint.
    """
    positive(length=length_m, friction=friction, interference=interference_m)
    low_mu, high_mu = min(friction, friction_low), max(friction, friction_high)
    left = interference_m + diameter_m * (
        shaft.expansion_per_K * shaft.warmer_K - hub.expansion_per_K * hub.warmer_K
    )
    pressure = max(0.0, fit_pressure(diameter_m, hub_diameter_m, left, hub, shaft, shaft_bore_m))
    per_mu = pressure * math.pi * diameter_m * length_m
    hoop = pressure * (hub_diameter_m**2 + diameter_m**2) / (hub_diameter_m**2 - diameter_m**2)
    assumptions = (
        "elastic, round, smooth, as long as the joint; the force grows in proportion to the length "
        "already joined",
        f"friction {friction:g}, band {low_mu:g} to {high_mu:g} from oiled to dry (common practice, no "
        f"source)",
        "roughness flattens and takes part of the interference: expect the lower half of the band for "
        "coarse turning",
    )
    return Estimate(
        "press fit",
        friction * per_mu,
        low_mu * per_mu,
        high_mu * per_mu,
        "p = (D_i/2) / (R [((ro^2+R^2)/(ro^2-R^2)+nu_o)/E_o + ((R^2+ri^2)/(R^2-ri^2)-nu_i)/E_i]); F = "
        "mu p pi d L",
        SOURCE,
        assumptions,
        {"pressure_Pa": pressure, "hub_hoop_stress_Pa": hoop, "interference_left_m": left},
    )
