"""Unit strings of tooling and bend lists, each within what is plausible, as pydantic types."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict

from steadyram.quantity_field import quantity, within

_EXAMPLES = {
    "meter": "'16 mm'",
    "radian": "'90 deg'",
    "pascal": "'250 MPa'",
    "newton/meter": "'600 kN/m'",
    "dimensionless": "'0.4'",
    "newton": "'10 kN'",
    "meter**4": "'1500 cm^4'",
}


def _quantity(si_unit: str, low: float, high: float) -> Callable[[Any], float]:
    read = quantity(si_unit, _EXAMPLES[si_unit])
    return lambda value: within(read(value), value, low, high, si_unit)


Length = Annotated[float, BeforeValidator(_quantity("meter", 0.0, 10.0))]
Radius = Annotated[float, BeforeValidator(_quantity("meter", 0.0, 0.2))]
Opening = Annotated[float, BeforeValidator(_quantity("meter", 1e-3, 0.5))]
Thickness = Annotated[float, BeforeValidator(_quantity("meter", 1e-4, 0.05))]
Angle = Annotated[float, BeforeValidator(_quantity("radian", 0.0, math.pi))]
LineLoad = Annotated[float, BeforeValidator(_quantity("newton/meter", 1e3, 1e8))]
Strength = Annotated[float, BeforeValidator(_quantity("pascal", 1e7, 5e9))]
Modulus = Annotated[float, BeforeValidator(_quantity("pascal", 1e9, 1e12))]
Ratio = Annotated[float, BeforeValidator(_quantity("dimensionless", 0.0, 1.0))]
Inertia = Annotated[float, BeforeValidator(_quantity("meter**4", 1e-12, 1.0))]


class Table(BaseModel):
    """Base of the file's tables: no unknown keys, no infinities, nothing changed afterwards."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)
