"""Metals that the virtual press bends: what an elastic-plastic strip needs to know of them.

Apart from the handbook strengths of `materials`, which are what a shop knows of its sheet.
"""

from __future__ import annotations

from dataclasses import dataclass, replace


@dataclass(frozen=True)
class StripMaterial:
    """Tensile yield (Pa), hardening exponent n and strength coefficient K (Pa) of K e^n, modulus, Poisson's ratio.

    Flow stress K (e0 + plastic strain)^n, with e0 such that it begins at the yield strength.
    """

    name: str
    yield_Pa: float
    coefficient_Pa: float
    exponent: float
    modulus_Pa: float
    poisson: float
    source: str

    def stronger(self, factor: float) -> StripMaterial:
        """The same metal with its whole flow curve multiplied; the modulus does not scatter."""
        return replace(self, yield_Pa=self.yield_Pa * factor, coefficient_Pa=self.coefficient_Pa * factor)


_TEXTBOOK = "K and n as textbooks tabulate them, from memory; yield a typical handbook figure, from memory"
STRIP_MATERIALS: dict[str, StripMaterial] = {
    m.name: m
    for m in (
        StripMaterial("mild-steel", 220e6, 530e6, 0.24, 205e9, 0.29, _TEXTBOOK),
        StripMaterial("stainless-304", 280e6, 1275e6, 0.45, 195e9, 0.29, _TEXTBOOK),
        StripMaterial("aluminium-5052-h32", 190e6, 330e6, 0.11, 70e9, 0.33, _TEXTBOOK),
        StripMaterial("aluminium-6061-t6", 275e6, 410e6, 0.07, 69e9, 0.33, _TEXTBOOK),
        StripMaterial("copper-half-hard", 220e6, 360e6, 0.10, 117e9, 0.34, _TEXTBOOK),
        StripMaterial("high-strength-low-alloy", 420e6, 750e6, 0.14, 205e9, 0.29, _TEXTBOOK),
        StripMaterial("brass-half-hard", 250e6, 580e6, 0.20, 105e9, 0.34, _TEXTBOOK),
    )
}


def beam_stiffness_N_m(
    material: StripMaterial, thickness_m: float, length_m: float, opening_m: float
) -> float:
    """Stiffness of flat sheet over a die, newtons per metre: 48 E I / V^3 of a wide beam, 4 E' L t^3 / V^3.

    E' = E / (1 - nu^2), plane strain along the bend (textbook).
    """
    wide = material.modulus_Pa / (1.0 - material.poisson**2)
    return 4.0 * wide * length_m * (thickness_m / opening_m) ** 3
