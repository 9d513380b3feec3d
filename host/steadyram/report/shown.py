"""Figures of force or of depth for people: the user's unit of force, millimetres for depth; SI comes in."""

from __future__ import annotations

from collections.abc import Callable

from steadyram.config import Preferences
from steadyram.report.landing import Quantity
from steadyram.units import to_unit

Text = Callable[[float | None], str]


def forces(units: Preferences, digits: int = 4) -> Text:
    """A force (N) for people, with the unit's factor looked up once: a long report asks for very many."""
    factor = to_unit(1.0, "newton", units.force_unit)

    def force(value_N: float | None) -> str:
        return "–" if value_N is None else f"{value_N * factor:.{digits}g} {units.force_unit}"

    return force


def depth(value_m: float | None) -> str:
    """A depth for people: to the micrometre, which is the protocol's step."""
    return "–" if value_m is None else f"{value_m * 1e3:.3f} mm"


def small(value_m: float | None) -> str:
    """A difference or scatter of depths for people."""
    return "–" if value_m is None else f"{value_m * 1e3:.3g} mm"


class Shown:
    """How a quantity is shown.

    scale: SI to the unit shown; what: the value of a part in words; aim: what it is to be; value, fine, spread:
    texts of a value, of a mean, and of a difference or scatter.
    """

    def __init__(self, quantity: Quantity, units: Preferences) -> None:
        self.quantity = quantity
        if quantity == "force":
            self.unit, self.scale = units.force_unit, to_unit(1.0, "newton", units.force_unit)
            self.what, self.plural, self.aim = "peak", "peaks", "setpoint"
            self.value, self.fine, self.spread = forces(units), forces(units, 5), forces(units, 3)
        else:
            self.unit, self.scale = "mm", 1e3
            self.what, self.plural, self.aim = "depth", "depths", "target"
            self.value, self.fine, self.spread = depth, depth, small

    def named(self, relative: bool) -> str:
        """What a value is: of the part itself, or less what it was to be."""
        return f"{self.what} less {self.aim}" if relative else self.what

    def tip(self, shown: float) -> str:
        """A value that is in the unit shown already, for a tooltip."""
        return f"{shown:.4g}" if self.quantity == "force" else f"{shown:.3f}"
