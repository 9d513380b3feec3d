"""Depth, flat length, springback, load and shims, each against something other than its own formula."""

import math

import pytest

from steadyram.bending import geometry, springback
from steadyram.bending.allowance import allowance, bend_allowance_m, flat_length_m, handbook_k, textbook_k
from steadyram.bending.crowning import Bed, crowning, stop_depth_m, true_depth_m
from steadyram.bending.plan import plan_bend
from steadyram.bending.sheet import sheet_of
from steadyram.bending.tonnage import bend_load
from steadyram.bending.tooling import Tooling
from steadyram.errors import BadInput
from steadyram.press.force_beam import bed_deflection

TOOLING = Tooling(
    opening="16 mm", punch_radius="1 mm", shoulder_radius="2 mm", die_angle="60 deg", rating="600 kN/m"
)
SHEET = sheet_of(2e-3, "mild-steel-cold-rolled")
BED = Bed(span="600 mm", inertia="1500 cm^4")


def tangent_depth(half, opening, radius, thickness, shoulder):
    """By construction: lay the leg's upper face through both tangent points and read off the arc's lowest point."""
    ux, uy = math.cos(half), math.sin(half)
    px = opening / 2 - (shoulder + thickness) * uy
    py = -shoulder + (shoulder + thickness) * ux
    # On the inside arc the face touches at (r sin a, yc - r cos a); slide along the leg to that x.
    x = radius * uy
    y = py - (px - x) / ux * uy
    lowest = y + radius * ux - radius
    return thickness - lowest


@pytest.mark.parametrize("bend_deg", [5, 45, 90, 110])
@pytest.mark.parametrize("radius", [1e-3, 2.56e-3])
def test_depth_by_construction(bend_deg, radius):
    depth = geometry.depth_for_angle_m(TOOLING, 2e-3, radius, math.radians(bend_deg))
    assert depth == pytest.approx(
        tangent_depth(math.radians(bend_deg / 2), 16e-3, radius, 2e-3, 2e-3), rel=1e-12
    )
    assert geometry.angle_for_depth_rad(TOOLING, 2e-3, radius, depth) == pytest.approx(math.radians(bend_deg))
    step = 1e-6
    gained = geometry.angle_for_depth_rad(TOOLING, 2e-3, radius, depth + step) - math.radians(bend_deg)
    slope = geometry.slope_rad_m(TOOLING, 2e-3, radius, math.radians(bend_deg))
    assert slope == pytest.approx(gained / step, rel=1e-3)


def test_thin_sheet_over_sharp_tools_is_a_triangle():
    sharp = Tooling(opening="20 mm", punch_radius="0.001 mm", die_angle="30 deg")
    depth = geometry.depth_for_angle_m(sharp, 1e-9, 1e-9, math.radians(90))
    assert depth == pytest.approx(10e-3, rel=1e-6)


def test_what_the_die_cannot_do_is_refused():
    shallow = TOOLING.model_copy(update={"die_angle": math.radians(88)})
    with pytest.raises(BadInput, match="sharper or wider die"):
        plan_bend(shallow, SHEET, 0.3, math.radians(100))
    near = plan_bend(shallow, SHEET, 0.3, math.radians(90))
    assert any("cannot overbend" in line for line in near.warnings)
    assert geometry.angle_for_depth_rad(TOOLING, 2e-3, 1e-3, 1.0) == geometry.steepest_rad(
        TOOLING, 2e-3, 1e-3
    )
    assert geometry.angle_for_depth_rad(TOOLING, 2e-3, 1e-3, -1.0) == 0.0


def test_legs_have_the_length_of_the_sheet():
    """Arc and straight leg to the shoulder, measured on the drawing."""
    half, radius = math.radians(45), 2e-3
    leg = geometry.leg_m(TOOLING, 2e-3, radius, 2 * half)
    depth = geometry.depth_for_angle_m(TOOLING, 2e-3, radius, 2 * half)
    centre = 2e-3 - depth + radius
    start = (radius * math.sin(half), centre - radius * math.cos(half))
    end = (8e-3 - 4e-3 * math.sin(half), -2e-3 + 4e-3 * math.cos(half))
    assert leg == pytest.approx((radius + 1e-3) * half + math.dist(start, end), rel=1e-9)


def test_flat_length_from_outside_lengths_and_from_tangents():
    found = allowance(math.radians(60), 3e-3, 2e-3, 0.42)
    # Straight parts 20 and 30 mm beyond the tangent points.
    outside = [20e-3 + found.setback_m, 30e-3 + found.setback_m]
    assert flat_length_m(outside, [found]) == pytest.approx(50e-3 + found.allowance_m, rel=1e-12)
    with pytest.raises(BadInput, match="2 flanges"):
        flat_length_m([0.02], [found])
    with pytest.raises(BadInput):
        allowance(math.pi, 3e-3, 2e-3, 0.42)
    with pytest.raises(BadInput, match="K-factor"):
        allowance(1.0, 3e-3, 2e-3, 1.2)


def test_a_neutral_fibre_in_the_middle_is_the_middle_arc():
    assert bend_allowance_m(math.pi / 2, 3e-3, 2e-3, 0.5) == pytest.approx(2 * math.pi * 4e-3 / 4)


def test_default_k_factors_say_where_they_are_from():
    assert handbook_k("copper-annealed")[0] == pytest.approx(0.35, abs=0.001)
    assert handbook_k("mild-steel-hot-rolled")[0] == pytest.approx(0.41, abs=0.003)
    assert handbook_k("stainless-austenitic")[0] == pytest.approx(0.45, abs=0.003)
    assert "Machinery's Handbook" in handbook_k("anything")[1]
    assert textbook_k(3e-3, 2e-3)[0] == 0.33
    assert textbook_k(4e-3, 2e-3)[0] == 0.5


def test_springback_there_and_back():
    sprung = springback.before_release(SHEET, 2.5e-3, math.radians(90))
    again = springback.after_release(SHEET, 2.5e-3, sprung.loaded_rad)
    assert again.released_rad == pytest.approx(math.radians(90), rel=1e-12)
    # Arc length of the middle fibre stays.
    assert again.loaded_rad * 3.5e-3 == pytest.approx(again.released_rad * (again.released_radius_m + 1e-3))
    with pytest.raises(BadInput, match="spring back altogether"):
        springback.radius_ratio(1.0, SHEET.yield_Pa, SHEET.modulus_Pa, 2e-3)


def test_load_against_rating_and_capacity():
    plain = bend_load(TOOLING, SHEET, 0.3)
    assert plain.allowed
    assert plain.warnings == ()
    assert plain.line_load_N_m * 0.3 == pytest.approx(plain.estimate.force_N)
    assert not bend_load(TOOLING, SHEET, 0.3, 0.9 * plain.estimate.force_N).allowed
    assert "upper end" in bend_load(TOOLING, SHEET, 0.3, 1.1 * plain.estimate.force_N).warnings[0]
    assert "close to" in bend_load(TOOLING, SHEET, 0.3, 1.4 * plain.estimate.force_N).warnings[0]
    weak = TOOLING.model_copy(update={"rating": 0.5 * plain.line_load_N_m})
    assert not bend_load(weak, SHEET, 0.3).allowed
    assert (
        "rating is not given"
        in bend_load(TOOLING.model_copy(update={"rating": None}), SHEET, 0.3).warnings[0]
    )


def test_shims_fill_the_bow_exactly():
    found = crowning(BED, 80e3, 0.4, 16e-3)
    deflection = bed_deflection(80e3, 0.6, 200e9, 1.5e-5).deflection_m
    assert found.deflection_m == pytest.approx(deflection)

    def curve(from_middle):
        # Macaulay: y(x) = F x (3 L^2 - 4 x^2) / (48 E I) from a support.
        x = 0.3 - from_middle
        return 80e3 * x * (3 * 0.6**2 - 4 * x**2) / (48 * 200e9 * 1.5e-5)

    for shim in found.shims:
        assert shim.height_m + (deflection - curve(shim.from_middle_m)) == pytest.approx(
            deflection - curve(0.2)
        )
    assert found.shims[0].height_m == pytest.approx(found.bow_over_part_m)
    assert found.shims[-1].height_m == pytest.approx(0.0, abs=1e-12)
    with pytest.raises(BadInput, match="bend it elsewhere"):
        crowning(BED, 80e3, 0.7)


def test_bow_comes_out_of_the_depth_and_back():
    stop = stop_depth_m(5e-3, 80e3, BED, 0.02e-3)
    assert stop == pytest.approx(5e-3 + BED.deflection_m(80e3) - 0.02e-3)
    assert true_depth_m(stop, 80e3, BED, 0.02e-3) == pytest.approx(5e-3, rel=1e-12)
    assert BED.deflection_m(0.0) == 0.0


def test_plan_hangs_together():
    plan = plan_bend(TOOLING, SHEET, 0.3, math.radians(90), bed=BED, capacity_N=200e3)
    assert plan.stop_m == pytest.approx(plan.depth_m + BED.deflection_m(plan.load.estimate.force_N))
    assert plan.springback.released_rad == pytest.approx(math.radians(90))
    assert plan.warnings == ()
    sharper = plan_bend(TOOLING, SHEET, 0.3, math.radians(90), radius_m=1e-3)
    assert sharper.depth_m > plan.depth_m
    with pytest.raises(BadInput, match="wider die"):
        plan_bend(TOOLING, sheet_of(9e-3, "mild-steel-cold-rolled"), 0.3, 1.0)
    with pytest.raises(BadInput, match="protractor"):
        plan_bend(TOOLING, SHEET, 0.3, math.pi)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"opening": "16"}, "no unit"),
        ({"opening": 16}, "text with its unit"),
        ({"punch_radius": "0 mm"}, "sharp punch"),
        ({"punch_radius": "9 mm"}, "does not fit"),
        ({"die_angle": "170 deg"}, "20 to 150"),
        ({"rating": "5 kN"}, "wrong kind"),
        ({"nose": "1 mm"}, "Extra inputs"),
    ],
)
def test_tooling_refuses(change, said):
    good = {"opening": "16 mm", "punch_radius": "1 mm"}
    with pytest.raises(ValueError, match=said):
        Tooling.model_validate(good | change)


def test_sheet_refuses():
    with pytest.raises(BadInput, match="give a material"):
        sheet_of(2e-3, yield_Pa=1e8, tensile_Pa=2e8)
    with pytest.raises(BadInput, match="exchanged"):
        sheet_of(2e-3, yield_Pa=3e8, tensile_Pa=2e8, modulus_Pa=2e11)
    assert "partly" in sheet_of(2e-3, "brass-half-hard", yield_Pa=2e8).source
