"""Punch and V die of an air bend, and what load they are rated for."""

from __future__ import annotations

import math

from pydantic import model_validator

from steadyram.bending.quantities import Angle, LineLoad, Opening, Radius, Table

_DIE_MOST = math.radians(150.0)
_DIE_LEAST = math.radians(20.0)


class Tooling(Table):
    """A punch over a V die, lengths in metres, angles in radians, rating in newtons per metre of bend.

    opening: between the points where the shoulders' roundings leave the die's top face.
    shoulder_radius: of those roundings; punch_radius: of the punch's tip; die_angle: included angle of the V.
    rating: the lower one of punch and die, as stamped on them; None when it is not known.
    """

    opening: Opening
    punch_radius: Radius
    shoulder_radius: Radius = 0.0
    die_angle: Angle = math.radians(85.0)
    rating: LineLoad | None = None

    @model_validator(mode="after")
    def _fits(self) -> Tooling:
        if self.punch_radius <= 0.0:
            raise ValueError("punch_radius is 0; even a sharp punch has some 0.2 mm, and a bend needs it")
        if not _DIE_LEAST <= self.die_angle <= _DIE_MOST:
            raise ValueError(
                f"die_angle is {math.degrees(self.die_angle):.4g} deg, and V dies have 20 to 150 deg"
            )
        if self.punch_radius + self.shoulder_radius >= self.opening / 2.0:
            raise ValueError("the punch does not fit between the shoulders; check opening and radii")
        return self
