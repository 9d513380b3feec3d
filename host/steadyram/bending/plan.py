"""The plan of one air bend: depth, radius, springback, flat length, load and what to look out for."""

from __future__ import annotations

import math
from dataclasses import dataclass

from steadyram.bending import geometry, springback
from steadyram.bending.allowance import Allowance, allowance, handbook_k
from steadyram.bending.crowning import Bed, Crowning, crowning, stop_depth_m
from steadyram.bending.sheet import Sheet
from steadyram.bending.springback import Springback, SpringbackBand
from steadyram.bending.tonnage import BendLoad, bend_load
from steadyram.bending.tooling import Tooling
from steadyram.errors import BadInput

CAUTION = (
    "A plan, not a guarantee: bend scrap of the same sheet first and measure. Keep hands and fingers away from punch, "
    "die and the rising sheet; steadyram is not a safety-rated control and replaces no guard, two-hand control or "
    "emergency stop; local rules come first."
)
# Openings of so many thicknesses are usual. Common practice, no source.
_USUAL = (6.0, 12.0)
_PART_OF_EDGE = 1.0  # thicknesses of flange that should still lie on the shoulder at the end


@dataclass(frozen=True)
class BendPlan:
    """A planned bend. Lengths m, angles rad (bend angles), forces N.

    depth_m: of the punch past first touch; stop_m: of the ram, the bed's bow under the expected force added.
    """

    tooling: Tooling
    sheet: Sheet
    length_m: float
    bend_rad: float
    springback: Springback
    springback_band: SpringbackBand
    depth_m: float
    stop_m: float
    slope_rad_m: float
    allowance: Allowance
    load: BendLoad
    least_flange_m: float
    crowning: Crowning | None
    warnings: tuple[str, ...]

    def document(self) -> dict[str, object]:
        """As a JSON-ready mapping; `included_angle_rad` and its kin are what a protractor shows."""
        found: dict[str, object] = {
            "included_angle_rad": math.pi - self.bend_rad,
            "bend_angle_rad": self.bend_rad,
            "depth_m": self.depth_m,
            "stop_depth_m": self.stop_m,
            "angle_per_depth_rad_per_m": self.slope_rad_m,
            "loaded_included_angle_rad": math.pi - self.springback.loaded_rad,
            "springback_rad": self.springback.springback_rad,
            "springback_low_rad": self.springback_band.low_rad,
            "springback_high_rad": self.springback_band.high_rad,
            "loaded_radius_m": self.springback.loaded_radius_m,
            "inside_radius_m": self.springback.released_radius_m,
            "k_factor": self.allowance.k_factor,
            "bend_allowance_m": self.allowance.allowance_m,
            "outside_setback_m": self.allowance.setback_m,
            "bend_deduction_m": self.allowance.deduction_m,
            "least_flange_m": self.least_flange_m,
            "force_N": self.load.estimate.force_N,
            "low_N": self.load.estimate.low_N,
            "high_N": self.load.estimate.high_N,
            "line_load_N_per_m": self.load.line_load_N_m,
            "allowed": self.load.allowed,
            "thickness_m": self.sheet.thickness_m,
            "length_m": self.length_m,
            "opening_m": self.tooling.opening,
            "material": self.sheet.name,
            "material_source": self.sheet.source,
        }
        if self.crowning is not None:
            found["bed_deflection_m"] = self.crowning.deflection_m
            found["shim_at_middle_m"] = self.crowning.bow_over_part_m
        return found | {
            "formula": geometry.FORMULA,
            "sources": {
                "radius": geometry.RADIUS_SOURCE,
                "springback": springback.SOURCE,
                "k_factor": self.allowance.k_source,
                "force": self.load.estimate.source,
            },
            "warnings": list(self.warnings),
            "caution": CAUTION,
        }


def plan_bend(
    tooling: Tooling,
    sheet: Sheet,
    length_m: float,
    bend_rad: float,
    *,
    radius_m: float | None = None,
    k_factor: float | None = None,
    bed: Bed | None = None,
    capacity_N: float | None = None,
) -> BendPlan:
    """Plan an air bend to the released bend angle `bend_rad`.

    radius_m: inside radius under load where it is known from a part; None takes the rule's. k_factor: None takes the
    handbook's for the material. Raises BadInput for what this tooling cannot bend.
    """
    if not 0.0 < bend_rad < math.pi:
        raise BadInput(
            "the included angle must lie between 0 and 180 deg; give what a protractor is to show."
        )
    if sheet.thickness_m >= tooling.opening / 2.0:
        raise BadInput("the sheet is thicker than half the die's opening; take a wider die.")
    radius = geometry.inside_radius_m(tooling) if radius_m is None else radius_m
    sprung = springback.before_release(sheet, radius, bend_rad)
    depth = geometry.depth_for_angle_m(tooling, sheet.thickness_m, radius, sprung.loaded_rad)
    k, k_source = (k_factor, "as given") if k_factor is not None else handbook_k(sheet.name)
    load = bend_load(tooling, sheet, length_m, capacity_N)
    force = load.estimate.force_N
    leg = geometry.leg_m(tooling, sheet.thickness_m, radius, sprung.loaded_rad)
    band = springback.springback_band(sheet, radius, sprung.loaded_rad, leg)
    shims = crowning(bed, force, length_m, tooling.opening) if bed is not None else None
    return BendPlan(
        tooling,
        sheet,
        length_m,
        bend_rad,
        sprung,
        band,
        depth,
        stop_depth_m(depth, force, bed),
        geometry.slope_rad_m(tooling, sheet.thickness_m, radius, sprung.loaded_rad)
        * bend_rad
        / sprung.loaded_rad,
        allowance(bend_rad, sprung.released_radius_m, sheet.thickness_m, k, k_source),
        load,
        leg + _PART_OF_EDGE * sheet.thickness_m,
        shims,
        (*load.warnings, *_shape_warnings(tooling, sheet, sprung)),
    )


def _shape_warnings(tooling: Tooling, sheet: Sheet, sprung: Springback) -> list[str]:
    found = []
    ratio = tooling.opening / sheet.thickness_m
    if not _USUAL[0] <= ratio <= _USUAL[1]:
        found.append(
            f"the opening is {ratio:.3g} thicknesses; {_USUAL[0]:g} to {_USUAL[1]:g} are usual (common practice), and "
            f"depth and force drift outside"
        )
    room = geometry.steepest_rad(tooling, sheet.thickness_m, sprung.loaded_radius_m) - sprung.loaded_rad
    if room < math.radians(3.0):
        found.append(
            f"only {math.degrees(room):.2g} deg are left before the sheet lies on the die: if it springs back "
            f"further than planned, this die cannot overbend it"
        )
    return found
