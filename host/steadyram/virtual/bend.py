"""Air bending as an elastic-plastic strip: force against punch travel, and the angle that is left after release.

Not the controller's formulas (`steadyram.bending`): here the sheet's moment is integrated over its thickness from
a hardening law, its shape between die and punch from that moment, and springback from the moment over the bending
stiffness, section by section.

Assumptions, all textbook (Marciniak, Duncan & Hu, Mechanics of Sheet Metal Forming; Hosford & Caddell, Metal
Forming: from memory): plane strain along the bend; plane sections; neutral axis in the middle, no thinning; Swift
hardening, equal in tension and compression; each section only ever loads, then unloads elastically (no reverse
yielding); the sheet wraps round the punch tip once it is as curved as the tip; Coulomb friction on the die's
shoulders, its lever of half a thickness left out; depth counted from a punch that touches flat sheet.

Shape in closed form. The reaction N at the shoulder, tilted by the friction angle l, has the lever u, so M = N u.
With psi the sheet's direction against that of u, d(psi)/ds = k(M) and du/ds = cos(psi), hence
sin(psi) = C(M)/N - sin(l) with C(M) the integral of curvature over moment. The rest is quadrature.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from steadyram.errors import BadInput
from steadyram.press.pressfile import Work
from steadyram.press.strip_materials import STRIP_MATERIALS, StripMaterial
from steadyram.virtual.work import Part

__all__ = ["STRIP_MATERIALS", "BentStrip", "StripMaterial", "StripTooling"]

Array = npt.NDArray[np.float64]

_PLANE_STRAIN = 2.0 / math.sqrt(3.0)
_STRAINS = 100
_BISECTIONS = 6
_ROUNDS = 16
# Half bend angles of the tables: close together while the sheet is elastic, then to far past any air bend.
_HALF_RAD = np.radians(np.concatenate([np.geomspace(0.1, 3.0, 20), np.linspace(3.0, 65.0, 78)[1:]]))
# Where a fall of force is levelled, this much of the peak is added from touch to bottom, so that the curve rises.
_LEVEL_RISE = 1e-3


@dataclass(frozen=True)
class StripTooling:
    """The true tooling: opening between the beginnings of the shoulders' roundings, radii (m), angle of the V (rad)."""

    opening_m: float
    punch_radius_m: float
    shoulder_radius_m: float
    die_angle_rad: float = math.radians(60.0)
    friction: float = 0.1


def moment_of(material: StripMaterial, thickness_m: float, curvature_per_m: Array) -> Array:
    """Bending moment per width (N) of a strip in plane strain at curvatures (1/m, more than zero)."""
    stiffness = material.modulus_Pa / (1.0 - material.poisson**2)
    outer = curvature_per_m * thickness_m / 2.0
    strain, stress = _flow(material, stiffness, float(np.max(outer)))
    # M = (2/k^2) * integral of stress * strain over strain, up to the outer fibre's k t/2; its elastic part is exact.
    plastic = stiffness * strain[0] ** 3 / 3.0 + _cumulative(stress * strain, strain)
    first = np.where(outer <= strain[0], stiffness * outer**3 / 3.0, np.interp(outer, strain, plastic))
    return np.asarray(2.0 * first / curvature_per_m**2)


def _flow(material: StripMaterial, stiffness: float, largest: float) -> tuple[Array, Array]:
    """Total strain along the sheet and its stress, from first yield past `largest`."""
    e0 = (material.yield_Pa / material.coefficient_Pa) ** (1.0 / material.exponent)
    first = _PLANE_STRAIN * material.yield_Pa / stiffness
    plastic = np.concatenate([[0.0], np.geomspace(first / 1000.0, max(2.0 * largest, first), 4 * _STRAINS)])
    stress = _PLANE_STRAIN * material.coefficient_Pa * (e0 + _PLANE_STRAIN * plastic) ** material.exponent
    return plastic + stress / stiffness, stress


def _cumulative(values: Array, over: Array) -> Array:
    """Trapezoidal integral from the first node to each, along the last axis."""
    steps = 0.5 * (values[..., 1:] + values[..., :-1]) * np.diff(over)
    return np.concatenate([np.zeros((*values.shape[:-1], 1)), np.cumsum(steps, axis=-1)], axis=-1)


def coil_factor(rng: np.random.Generator, spread: float) -> float:
    """Strength of a coil over its nominal, anywhere within plus and minus `spread` alike."""
    return 1.0 + spread * float(rng.uniform(-1.0, 1.0))


def part_factor(rng: np.random.Generator, sigma: float) -> float:
    """Strength of one part over its coil's: normal, cut off at three sigma."""
    return 1.0 + sigma * float(np.clip(rng.standard_normal(), -3.0, 3.0))


def strip_of(work: Work, coil_draw: float = 0.0, part_draw: float = 0.0) -> BentStrip:
    """A strip of a press file's bent work; the draws are standard normal, of the coil and of the part.

    The coil's strength lies anywhere within its scatter alike (the draw's place among all draws), a part's about its
    coil's by the normal law, cut off at three sigma.
    """
    place = math.erf(coil_draw / math.sqrt(2.0))
    factor = (1.0 + work.coil_scatter * place) * (1.0 + work.scatter * min(3.0, max(-3.0, part_draw)))
    assert work.material is not None
    return BentStrip(
        STRIP_MATERIALS[work.material].stronger(max(0.05, factor)),
        work.thickness,
        work.length,
        StripTooling(work.opening, work.punch_radius, work.shoulder_radius, work.die_angle),
    )


class BentStrip:
    """One sheet over one die: tables of depth (m), force (N for the bend's length), loaded and released angle (rad).

    Depth is the punch's travel past first touch. Angles are bend angles: 0 is flat, pi/2 a right angle. The tables
    end where the sheet lies on the flanks of the V; beyond, the die is a stop.
    Raises BadInput when sheet, punch and opening do not go together.
    """

    def __init__(
        self, material: StripMaterial, thickness_m: float, length_m: float, tooling: StripTooling
    ) -> None:
        room = tooling.opening_m / 2.0 - tooling.punch_radius_m - tooling.shoulder_radius_m - thickness_m
        if min(thickness_m, length_m, tooling.punch_radius_m) <= 0.0 or tooling.shoulder_radius_m < 0.0:
            raise BadInput("thickness, length and punch radius of a bend must be more than zero.")
        if room <= 0.0:
            raise BadInput("the sheet and the punch do not fit between the die's shoulders; open the die.")
        self.material, self.thickness_m, self.length_m, self.tooling = (
            material,
            thickness_m,
            length_m,
            tooling,
        )
        self._solve()

    def _solve(self) -> None:
        t, tool, material = self.thickness_m, self.tooling, self.material
        wrap_radius = tool.punch_radius_m + t / 2.0
        stiffness = material.modulus_Pa / (1.0 - material.poisson**2) * t**3 / 12.0
        first = (
            2.0 * _PLANE_STRAIN * material.yield_Pa * (1.0 - material.poisson**2) / material.modulus_Pa / t
        )
        curvature = np.concatenate(
            [
                np.geomspace(first / 300.0, first, 50, endpoint=False),
                np.geomspace(first, max(1.0 / wrap_radius, 1.001 * first), _STRAINS),
            ]
        )
        moment = np.concatenate([[0.0], moment_of(material, t, curvature)])
        curvature = np.concatenate([[0.0], curvature])
        complementary = _cumulative(curvature, moment)

        friction_rad = math.atan(tool.friction)
        # Up to the flanks of the V, or to where the punch's rounding meets the shoulder's and no straight leg is left.
        steepest = min(
            (math.pi - tool.die_angle_rad) / 2.0,
            math.asin(
                min(1.0, 0.98 * tool.opening_m / 2.0 / (wrap_radius + tool.shoulder_radius_m + t / 2.0))
            ),
        )
        half = np.append(_HALF_RAD[0.999 * steepest > _HALF_RAD], steepest)
        wanted = tool.opening_m / 2.0 - (tool.shoulder_radius_m + t / 2.0) * np.sin(half)

        def miss(log_reaction: Array) -> Array:
            reaction = scale * np.exp(log_reaction)
            return np.asarray(
                self._shape(reaction, half, friction_rad, moment, complementary, wrap_radius)[0] - wanted
            )

        # The farther the reaction, the smaller: bisection to within reach, then false position (Illinois).
        scale = moment[-1] / tool.opening_m
        low, high = np.full_like(half, -14.0), np.full_like(half, 6.0)
        at_low, at_high = miss(low), miss(high)
        for step in range(_ROUNDS):
            middle = (
                0.5 * (low + high)
                if step < _BISECTIONS
                else high - at_high * (high - low) / (at_high - at_low)
            )
            found = miss(middle)
            above = found > 0.0
            at_high = np.where(above, at_high * 0.5 if step >= _BISECTIONS else at_high, found)
            at_low = np.where(above, found, at_low * 0.5 if step >= _BISECTIONS else at_low)
            low, high = np.where(above, middle, low), np.where(above, high, middle)
        reaction = scale * np.exp(middle)
        _, drop, area = self._shape(reaction, half, friction_rad, moment, complementary, wrap_radius)

        depth = t / 2.0 + tool.shoulder_radius_m - (tool.shoulder_radius_m + t / 2.0) * np.cos(half) + drop
        force = 2.0 * reaction * np.cos(half - friction_rad) * self.length_m
        released = np.maximum(2.0 * (half - area / stiffness), 0.0)
        self.depth_m = np.concatenate([[0.0], depth])
        self.force_N = np.concatenate([[0.0], force])
        self.loaded_rad = np.concatenate([[0.0], 2.0 * half])
        self.released_rad = np.concatenate([[0.0], np.maximum.accumulate(released)])

    def force_at(self, depth_m: float) -> float:
        """Force (N) on the punch at a depth on the way down; the last of the table beyond it."""
        return float(np.interp(depth_m, self.depth_m, self.force_N))

    def released_at(self, depth_m: float) -> float:
        """Bend angle (rad) left after a stroke to `depth_m` and release; the deepest stroke of a part counts."""
        return float(np.interp(depth_m, self.depth_m, self.released_rad))

    def loaded_at(self, depth_m: float) -> float:
        """Bend angle (rad) between the straight ends of the sheet while the punch is at `depth_m`."""
        return float(np.interp(depth_m, self.depth_m, self.loaded_rad))

    @property
    def bottom_m(self) -> float:
        """Depth at which the sheet lies on the die's flanks."""
        return float(self.depth_m[-1])

    @property
    def elastic_N_m(self) -> float:
        """Stiffness of the first elastic touch (N/m), which unloading follows closely enough."""
        return float(self.force_N[1] / self.depth_m[1])

    def work_curve(self, *, rising: bool = True) -> tuple[tuple[float, float], ...]:
        """Corners (travel past contact m, force N) from the first past zero to the die's flanks.

        rising: levels the fall of force past its peak (some 45 degrees of bend), for a plant that wants a curve
        that never falls; False gives the force as it is.
        """
        force = self.force_N
        if rising:
            force = (
                np.maximum.accumulate(force) + _LEVEL_RISE * float(force.max()) * self.depth_m / self.bottom_m
            )
        return tuple(zip(self.depth_m[1:].tolist(), force[1:].tolist(), strict=True))

    def part(self, gap_m: float) -> Part:
        """As a part under the plant's ram, `gap_m` (m) below its top; it unloads with the elastic touch's stiffness.

        The plant's force must rise: see `work_curve`. A stroke past the die's flanks goes on at that stiffness.
        """
        return Part(self.work_curve(), self.elastic_N_m, gap_m)

    @staticmethod
    def _shape(
        reaction: Array,
        half: Array,
        friction_rad: float,
        moment: Array,
        complementary: Array,
        wrap_radius: float,
    ) -> tuple[Array, Array, Array]:
        """Horizontal and vertical extent of half the sheet's middle line (m), and the integral of M ds (N m / m)."""
        tilt = half - friction_rad
        # Complementary energy that turns the sheet from the shoulder's direction to the level middle.
        full = reaction * (np.sin(tilt) + math.sin(friction_rad))
        end = np.minimum(np.interp(full, complementary, moment), moment[-1])
        sine = np.clip(complementary[None, :] / reaction[:, None] - math.sin(friction_rad), -0.999, 0.999)
        cosine = np.sqrt(1.0 - sine**2)
        sideways = _cumulative(sine / cosine, moment)
        under = _cumulative(moment / cosine, moment)
        place = np.interp(end, moment, np.arange(len(moment)))
        lower = np.minimum(place.astype(int), len(moment) - 2)
        share = place - lower
        rows = np.arange(len(reaction))

        def at_end(table: Array) -> Array:
            return np.asarray(table[rows, lower] * (1.0 - share) + table[rows, lower + 1] * share)

        u, v, area = end / reaction, at_end(sideways) / reaction, at_end(under) / reaction
        turned = np.arcsin(
            np.clip(np.minimum(full, complementary[-1]) / reaction - math.sin(friction_rad), -1, 1)
        )
        wrapped = np.maximum(tilt - turned, 0.0)  # angle round the punch tip
        return (
            u * np.cos(tilt) + v * np.sin(tilt) + wrap_radius * np.sin(wrapped),
            u * np.sin(tilt) - v * np.cos(tilt) + wrap_radius * (1.0 - np.cos(wrapped)),
            area + moment[-1] * wrap_radius * wrapped,
        )
