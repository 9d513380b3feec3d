"""The measurement model of a reference: from what it shows to the force on the work, and its budget lines.

Every command uses this one model: analysis, certificate, verification and daily check. A load cell under the
ram shows the force itself. A gauge on the line shows a pressure p, and statics give the force on the work:

    F = A p - F_s   (rising; + F_s falling)

with A the piston area and F_s the seal friction. An accuracy class is a limit of error in per cent of range
(as in EN 837-1 and ASME B40.100; from memory), so it enters as a rectangle, the same at every pressure.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, NewType, Protocol

from steadyram.metrology.budget import GIVEN, Component
from steadyram.metrology.header import Header, Reference

Newton = NewType("Newton", float)
Pascal = NewType("Pascal", float)
Direction = Literal["rising", "falling"]

# A tilted or rough seat of a load cell; where the cell was re-seated between the runs, they show it by themselves.
SEAT = "seat of the reference"
# Lines that depend on the press and not on the instrument: a comparison of two readings on one press
# that were both turned into force by them is free of their errors.
OF_THE_PRESS = ("piston area", "assumed friction")


class Measurement(Protocol):
    """What the rest of the package needs of a reference."""

    @property
    def si_unit(self) -> str:
        """Pint's name of the reading's unit in SI."""
        ...

    def force(self, reading: float, direction: Direction = "rising") -> Newton:
        """Force on the work at a reading (N or Pa by the reference's kind)."""
        ...

    def reading(self, force: Newton, direction: Direction = "rising") -> float:
        """Reading at a force on the work; the inverse of `force`."""
        ...

    def components(self, force: Newton) -> list[Component]:
        """Lines of the budget that the reference brings at a rising force; newtons."""
        ...


def _instrument(reference: Reference, reading: float, to_force: float) -> list[Component]:
    """Lines that both kinds have. to_force: newtons per unit of the reading."""
    gauge = reference.kind == "gauge"
    expanded = math.hypot(reading * reference.expanded_percent / 100.0, reference.expanded_abs)
    limit = reference.class_percent / 100.0 * reference.range
    drift = abs(reading) * reference.drift_percent / 100.0
    # A load cell's indication is a difference of two readings, at rest and under load, each in steps.
    steps = 1.0 if gauge else 2.0
    root3 = math.sqrt(3.0)
    unit, times = ("Pa", f" × {to_force:.6g} m²") if gauge else ("N", " × 1")
    factor = reference.coverage_factor
    return [
        Component(
            "reference certificate",
            to_force * expanded / factor,
            "B",
            basis=f"U = {expanded:.4g} {unit} at k = {factor:g}{times} (its certificate)",
        ),
        Component(
            "reference class",
            to_force * limit / root3,
            "B",
            shape="rectangular",
            basis=f"±{reference.class_percent:g} % of {reference.range:.5g} Pa{times}{GIVEN}",
        ),
        Component(
            "reference drift",
            to_force * drift / root3,
            "B",
            shape="rectangular",
            basis=f"±{reference.drift_percent:g} % of the reading{times}{GIVEN}",
        ),
        Component(
            "reference resolution",
            to_force * reference.resolution * math.sqrt(steps / 12.0),
            "B",
            shape="rectangular" if gauge else "triangular",
            basis=f"±{reference.resolution / 2:g} {unit}{times}"
            + ("" if gauge else ", at rest and under load"),
        ),
    ]


def instrument_uncertainty(reference: Reference, reading: float) -> float:
    """Return the standard uncertainty of a reading of the instrument alone (N or Pa by its kind)."""
    return math.sqrt(sum(line.u**2 for line in _instrument(reference, reading, 1.0)))


def _present(lines: list[Component]) -> list[Component]:
    return [line for line in lines if line.u > 0.0]


@dataclass(frozen=True)
class LoadCell:
    """A load cell under the ram: its reading is the force on the work."""

    reference: Reference
    si_unit: str = "newton"

    def force(self, reading: float, direction: Direction = "rising") -> Newton:
        """Force on the work at a reading (N)."""
        return Newton(reading)

    def reading(self, force: Newton, direction: Direction = "rising") -> float:
        """Reading (N) at a force on the work."""
        return float(force)

    def components(self, force: Newton) -> list[Component]:
        """Lines of the budget at a force, newtons; none that are zero."""
        percent = self.reference.seat_percent or 0.0
        seat = abs(force) * percent / 100.0 / math.sqrt(3.0)
        basis = f"±{percent:g} % of the force × 1{GIVEN}"
        return _present(
            [
                *_instrument(self.reference, force, 1.0),
                Component(SEAT, seat, "B", shape="rectangular", basis=basis),
            ]
        )


@dataclass(frozen=True)
class PressureGauge:
    """A gauge on the line: area_m2 with area_u_percent (standard), friction_N with friction_u_N (standard)."""

    reference: Reference
    area_m2: float
    area_u_percent: float
    friction_N: float
    friction_u_N: float
    si_unit: str = "pascal"

    def force(self, reading: float, direction: Direction = "rising") -> Newton:
        """Force on the work at a pressure (Pa)."""
        sign = 1.0 if direction == "rising" else -1.0
        return Newton(reading * self.area_m2 - sign * self.friction_N)

    def reading(self, force: Newton, direction: Direction = "rising") -> float:
        """Pressure (Pa) at a force on the work."""
        sign = 1.0 if direction == "rising" else -1.0
        return (force + sign * self.friction_N) / self.area_m2

    def components(self, force: Newton) -> list[Component]:
        """Lines of the budget at a rising force, newtons; none that are zero."""
        pressure = self.reading(force)
        place = self.area_m2 * self.reference.place / math.sqrt(3.0)
        return _present(
            [
                *_instrument(self.reference, pressure, self.area_m2),
                Component(
                    "place of the gauge",
                    place,
                    "B",
                    shape="rectangular",
                    basis=f"±{self.reference.place:g} Pa × {self.area_m2:.6g} m²{GIVEN}",
                ),
                Component(
                    "piston area",
                    abs(pressure) * self.area_m2 * self.area_u_percent / 100.0,
                    "B",
                    basis=f"u = {self.area_u_percent:g} % of {self.area_m2:.6g} m² × {pressure:.5g} Pa{GIVEN}",
                ),
                Component(
                    "assumed friction",
                    self.friction_u_N,
                    "B",
                    basis=f"u = {self.friction_u_N:g} N × 1{GIVEN}",
                ),
            ]
        )


def measurement_of(header: Header) -> Measurement:
    """Return the measurement model that a header describes."""
    if header.reference.kind == "load-cell":
        return LoadCell(header.reference)
    return PressureGauge(
        header.reference,
        header.area_m2,
        header.area_u_percent,
        header.assumed_friction_N,
        header.assumed_friction_u_N,
    )
