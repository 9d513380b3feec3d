"""Machine classes by ISO 7500-1, lower limit factor by ASTM E74, the one per cent of ASTM E4.

ISO 7500-1 limits were read in a secondary table labelled ISO 7500-1:2018 and the multipliers of
resolution in a page of the national adoption of ISO 7500-1:1999; the paid standards themselves were
not read. Definitions of q, b, v, f0, a and the E74 formulas are from memory.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from steadyram.errors import BadInput

# class: (q, b, v, f0, a) in per cent, multiplier of the resolution for the lower limit
ISO_CLASSES: dict[float, tuple[float, float, float, float, float, float]] = {
    0.5: (0.5, 0.5, 0.75, 0.05, 0.25, 400.0),
    1.0: (1.0, 1.0, 1.5, 0.1, 0.5, 200.0),
    2.0: (2.0, 2.0, 3.0, 0.2, 1.0, 100.0),
    3.0: (3.0, 3.0, 4.5, 0.3, 1.5, 67.0),
}
NAMES = ("q", "b", "v", "f0", "a")
LLF_FACTOR = 2.4
CLASS_A_MULTIPLE = 400.0
CLASS_AA_MULTIPLE = 2000.0
E4_LIMIT_PERCENT = 1.0


def parameter_class(name: str, value_percent: float) -> float | None:
    """Best class whose limit `value_percent` keeps, None if none does. The edge itself passes."""
    column = NAMES.index(name)
    size = abs(value_percent)
    return next((c for c, row in ISO_CLASSES.items() if size <= row[column]), None)


def machine_class(
    q: float | None = None,
    b: float | None = None,
    v: float | None = None,
    f0: float | None = None,
    a: float | None = None,
) -> float | None:
    """Worst class of the parameters given (per cent); None if any is outside class 3."""
    found = [
        parameter_class(name, value)
        for name, value in zip(NAMES, (q, b, v, f0, a), strict=True)
        if value is not None
    ]
    if not found:
        raise BadInput("a class needs at least one parameter.")
    return None if any(c is None for c in found) else max(c for c in found if c is not None)


def lower_limit(resolution: float, machine: float) -> float:
    """Lowest force at which a class may be claimed: multiplier times the resolution (same unit)."""
    return ISO_CLASSES[machine][5] * resolution


@dataclass(frozen=True)
class LowerLimitFactor:
    """ASTM E74: s in deflection units; the rest in force units. Class starts are None if not reached."""

    s: float
    llf: float
    class_a_from: float
    class_aa_from: float


def lower_limit_factor(
    forces: Sequence[float],
    deflections: Sequence[float],
    residuals: Sequence[float],
    degree: int,
    resolution: float,
) -> LowerLimitFactor:
    """Lower limit factor of a calibration.

    forces: applied (> 0); deflections: readings less zero; residuals: deflections less the fitted
    curve; degree: of that polynomial; resolution: in force units. LLF = 2.4 s, turned into force by
    the mean force over deflection, not below the resolution; the loading range does not go below
    the lowest calibrated force. Raises BadInput when too few points remain.
    """
    n = len(residuals)
    if n - degree - 1 < 1:
        raise BadInput("a lower limit factor needs more points than the polynomial has coefficients.")
    s = math.sqrt(sum(d * d for d in residuals) / (n - degree - 1))
    used = [(f, d) for f, d in zip(forces, deflections, strict=True) if d != 0.0]
    ratio = sum(f / d for f, d in used) / len(used)
    llf = max(LLF_FACTOR * s * ratio, resolution)
    lowest = min(forces)
    return LowerLimitFactor(s, llf, max(CLASS_A_MULTIPLE * llf, lowest), max(CLASS_AA_MULTIPLE * llf, lowest))


def e4_passes(errors_by_run: Sequence[Sequence[float]]) -> bool:
    """ASTM E4: every error within ±1.0 %, and runs at a force not more than 1.0 % apart.

    errors_by_run: for each force, the relative errors in per cent of its runs.
    """
    return all(
        all(abs(e) <= E4_LIMIT_PERCENT for e in level) and max(level) - min(level) <= E4_LIMIT_PERCENT
        for level in errors_by_run
    )
