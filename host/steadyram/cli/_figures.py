"""Figures of a document in words: what a key with its unit says, in units that people read."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final

from steadyram.config import Preferences
from steadyram.units import show

# Ending of a key: how its SI figure is written. Longest first.
_ENDINGS: Final[dict[str, tuple[str, float]]] = {
    "_N_per_m": ("kN/mm", 1e-6),
    "_per_K": ("per K", 1.0),
    "_share": ("%", 100.0),
    "_rad": ("degrees", 180.0 / math.pi),
    "_m2": ("mm²", 1e6),
    "_Hz": ("Hz", 1.0),
    "_J": ("J", 1.0),
    "_m": ("mm", 1e3),
    "_s": ("ms", 1e3),
    "_A": ("A", 1.0),
    "_V": ("V", 1.0),
}


def in_words(key: str, value: object, units: Preferences, labels: Mapping[str, str] | None = None) -> str:
    """ "range_Pa", 2.76e7 -> "range 27.6 MPa"; `labels` has better words for some keys."""
    stem, text = key, ""
    if isinstance(value, bool):
        text = "yes" if value else "no"
    elif value is None:
        text = "none"
    elif isinstance(value, int | float):
        stem, text = _quantity(key, float(value), units)
    else:
        text = str(value)
    label = (labels or {}).get(key, stem.replace("_", " "))
    return f"{label} {text}" if label else text


def _quantity(key: str, value: float, units: Preferences) -> tuple[str, str]:
    if key.endswith("_N"):
        return key[:-2], units.force(value, 3)
    if key.endswith("_Pa"):
        return key[:-3], units.pressure(value, 3)
    if key.endswith("_N_per_s"):
        return key[:-8], f"{show(value, 'newton', units.force_unit, 3)} a second"
    for ending, (unit, per_si) in _ENDINGS.items():
        if key.endswith(ending):
            return key[: -len(ending)], f"{value * per_si:.4g} {unit}"
    return key, f"{value:.4g}"
