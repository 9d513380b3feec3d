"""The bed bows under a bend: what that takes off the depth, and the shims that make the die straight again.

The bed is the beam of `steadyram.press.force_beam`: two supports, the force in the middle. Shims go between bed
and die, from nothing at the ends of the part to the full bow over it at the middle; under load the die then lies
straight, and the bend's angle is the same all along. What the punch's own beam bows is not in it.
"""

from __future__ import annotations

from dataclasses import dataclass

from steadyram.bending.quantities import Inertia, Length, Modulus, Table
from steadyram.errors import BadInput
from steadyram.press.force_beam import BEAM_SOURCE, bed_deflection, bend_angle_error_rad, bow_over_part
from steadyram.press.force_bend import positive

_STATIONS = 4


class Bed(Table):
    """The bed between its supports: span (m), second moment of area (m^4), modulus (Pa)."""

    span: Length
    inertia: Inertia
    modulus: Modulus = 200e9

    def deflection_m(self, force_N: float) -> float:
        """Bow (m) at mid-span; 0 without a force."""
        if force_N <= 0.0:
            return 0.0
        return bed_deflection(force_N, self.span, self.modulus, self.inertia).deflection_m


@dataclass(frozen=True)
class Shim:
    """Height of the shim (m) at a distance (m) from the middle of the bed, to both sides."""

    from_middle_m: float
    height_m: float


@dataclass(frozen=True)
class Crowning:
    """Bow of the bed (m), its part under the die, the shims, and the angle error (rad) at the middle without them."""

    deflection_m: float
    bow_over_part_m: float
    shims: tuple[Shim, ...]
    angle_error_rad: float | None
    source: str = BEAM_SOURCE


def crowning(bed: Bed, force_N: float, part_m: float, opening_m: float | None = None) -> Crowning:
    """Shims for a part of length `part_m` in the middle of the bed under `force_N`.

    opening_m: of the die, for the angle error. Raises BadInput for a part longer than the bed's span.
    """
    positive(force=force_N, part_length=part_m)
    if part_m > bed.span:
        raise BadInput(
            f"the part is {part_m * 1e3:.4g} mm long and the bed spans {bed.span * 1e3:.4g} mm between its supports; "
            f"bend it elsewhere."
        )
    deflection = bed.deflection_m(force_N)
    bow = bow_over_part(deflection, bed.span, part_m)
    shims = tuple(
        # A part twice as long as this station's distance bows by less over its length: the rest is the shim.
        Shim(part_m / 2.0 * k / _STATIONS, bow - bow_over_part(deflection, bed.span, part_m * k / _STATIONS))
        for k in range(_STATIONS + 1)
    )
    error = bend_angle_error_rad(bow, opening_m) if opening_m is not None else None
    return Crowning(deflection, bow, shims, error)


def stop_depth_m(depth_m: float, force_N: float, bed: Bed | None, shim_m: float = 0.0) -> float:
    """Where the ram has to stop for the punch to be `depth_m` (m) past touch: the bed's bow is added, a shim taken off.

    The ram's position counts from a touch without load; `shim_m` is that at the middle of the bed when it was put in
    after the touch was taken, 0 otherwise.
    """
    return depth_m + (bed.deflection_m(force_N) if bed is not None else 0.0) - shim_m


def true_depth_m(reached_m: float, force_N: float, bed: Bed | None, shim_m: float = 0.0) -> float:
    """The punch's depth past touch (m) from where the ram stopped and the force it then had."""
    return reached_m - (bed.deflection_m(force_N) if bed is not None else 0.0) + shim_m
