"""Typical strengths of common work materials, for estimates only.

Every row is from memory: rounded mid-range figures of the kind that handbooks print (machine
design and manufacturing textbooks), not read from a standard for this table. A mill certificate
beats it. Shear strength is 0.7 of tensile strength where no better figure is given; that ratio is
Groover's (*Fundamentals of Modern Manufacturing*, sheet-metalworking chapter; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

from steadyram.errors import BadInput

SOURCE = "typical handbook figure, from memory; use the mill certificate where there is one"
SHEAR_RATIO = 0.7


@dataclass(frozen=True)
class Material:
    """Strengths and modulus in pascal, expansion in 1/K; cutting_Pa: specific cutting force at 1 mm chip."""

    name: str
    tensile_Pa: float
    yield_Pa: float
    modulus_Pa: float
    poisson: float
    expansion_per_K: float
    cutting_Pa: float
    note: str = ""

    @property
    def shear_Pa(self) -> float:
        """Shear strength by the 0.7 rule."""
        return SHEAR_RATIO * self.tensile_Pa


def _row(
    name: str,
    tensile: float,
    yield_: float,
    modulus: float,
    nu: float,
    alpha: float,
    kc: float,
    note: str = "",
) -> Material:
    return Material(name, tensile * 1e6, yield_ * 1e6, modulus * 1e9, nu, alpha * 1e-6, kc * 1e6, note)


MATERIALS: dict[str, Material] = {
    m.name: m
    for m in (
        #    name                    TS   YS   E    nu    alpha kc1.1
        _row("mild-steel-cold-rolled", 330, 220, 205, 0.29, 12.0, 1500, "low-carbon sheet"),
        _row(
            "mild-steel-hot-rolled", 400, 250, 205, 0.29, 12.0, 1600, "structural plate, 250 MPa yield grade"
        ),
        _row("structural-steel-355", 520, 370, 205, 0.29, 12.0, 1700, "355 MPa yield grade"),
        _row("low-carbon-cold-drawn", 440, 370, 205, 0.29, 12.0, 1700, "bar"),
        _row("medium-carbon-steel", 620, 370, 205, 0.29, 11.5, 1900, "0.45 % carbon, normalised"),
        _row("alloy-steel-tempered", 1000, 850, 205, 0.29, 12.0, 2100, "chromium-molybdenum, 30 HRC"),
        _row(
            "stainless-austenitic",
            600,
            280,
            195,
            0.29,
            17.0,
            2100,
            "18-8 sheet, annealed; hardens as it is worked",
        ),
        _row("stainless-ferritic", 480, 300, 200, 0.29, 10.5, 1900, "17 % chromium sheet"),
        _row("aluminium-soft", 90, 35, 69, 0.33, 23.5, 500, "pure, annealed"),
        _row("aluminium-5052-h32", 230, 190, 70, 0.33, 23.8, 600, "sheet"),
        _row("aluminium-6061-t6", 310, 275, 69, 0.33, 23.6, 700, "cracks on tight bends"),
        _row("copper-annealed", 220, 70, 117, 0.34, 17.0, 1100, ""),
        _row("brass-half-hard", 400, 250, 105, 0.34, 20.0, 800, "63/37 sheet"),
        _row("bronze-bearing", 300, 150, 100, 0.34, 18.0, 800, "cast bushing"),
        _row("grey-iron", 220, 150, 105, 0.26, 11.0, 1100, "yield figure nominal: it breaks first"),
        _row("titanium-grade-2", 430, 320, 105, 0.34, 8.6, 1400, "commercially pure"),
    )
}


def material(name: str) -> Material:
    """Look a material up; BadInput lists the names."""
    try:
        return MATERIALS[name.strip().lower().replace(" ", "-").replace("_", "-")]
    except KeyError:
        raise BadInput(f"there is no material {name!r}; choose one of {', '.join(MATERIALS)}.") from None
