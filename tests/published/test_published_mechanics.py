"""Press-work mechanics.

Groover, Fundamentals of Modern Manufacturing: formula and K status C; examples from memory ("sure"
and "fairly"), recomputed. Punching exam items: C. Lame: formula C; cases D, R. Shop rule for forced
fits: C (two reprints), its origin from memory. Beam and hydraulics: textbooks, from memory (sure), R.
Nuts: public tables C; three press readings of a shop: common practice, no source, a marked check only.
"""

import json
import math

import pytest
from click.testing import CliRunner

from steadyram.cli.force import force
from steadyram.press.force_bend import bend_force
from steadyram.press.force_clinch import clinch_force, thread_diameter_m
from steadyram.press.force_fit import Ring, fit_pressure, press_fit_force
from steadyram.press.force_punch import punch_force
from steadyram.press.materials import MATERIALS, material
from steadyram.units import parse, to_unit

STEEL = Ring(207e9, 0.292)


def cli(*arguments: str) -> dict:
    result = CliRunner().invoke(force, [*arguments, "--json"])
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


@pytest.mark.parametrize(
    ("ts", "t", "w", "d", "die", "expected", "tolerance"),
    [
        (450, 3.2, 44.5, 25, "v", 10908.9792, 0.5),  # textbook prints 10909 N (from memory, sure)
        (450, 3.2, 44.5, 25, "wiping", 2706.7392, 1e-3),  # D
        (600, 4.75, 35, 40, "v", 15754.2656, 0.5),  # textbook exercise (from memory, fairly)
        (600, 4.75, 35, 28, "wiping", 5584.21875, 0.5),  # textbook exercise (from memory, fairly)
    ],
)
def test_bending(ts, t, w, d, die, expected, tolerance):
    found = cli(
        "bend", "--tensile", f"{ts} MPa", "--thickness", f"{t} mm", "--length", f"{w} mm",
        "--opening", f"{d} mm", "--die", die,
    )  # fmt: skip
    assert found["force_N"] == pytest.approx(expected, abs=tolerance)
    assert "Groover" in found["source"]
    assert found["low_N"] < found["force_N"] < found["high_N"]


@pytest.mark.parametrize(
    ("thickness", "opening", "tonf"), [(0.25, 2.0, 15.3), (0.25, 2.5, 11.5), (0.5, 4.0, 30.0)]
)
def test_air_bends_of_public_charts(thickness, opening, tonf):
    """C: tons a foot for mild steel of 60,000 psi in charts of two press-brake sellers (names left out)."""
    found = cli(
        "bend", "--tensile", "60000 psi", "--thickness", f"{thickness} in", "--length", "12 in",
        "--opening", f"{opening} in", "--die", "v",
    )  # fmt: skip
    assert found["force_N"] == pytest.approx(tonf * 8896.443230521, rel=0.05)
    assert found["low_N"] < tonf * 8896.443230521 < found["high_N"]


def test_bending_scales():
    base = bend_force(450e6, 3e-3, 0.04, 0.025, "v").force_N
    assert bend_force(450e6, 6e-3, 0.04, 0.025, "v").force_N == pytest.approx(4 * base, rel=1e-12)
    assert bend_force(450e6, 3e-3, 0.04, 0.05, "v").force_N == pytest.approx(base / 2, rel=1e-12)
    assert bend_force(450e6, 3e-3, 0.08, 0.025, "v").force_N == pytest.approx(2 * base, rel=1e-12)


def test_punching_groover_disc():
    found = cli("punch", "--shear", "310 MPa", "--thickness", "3.2 mm", "--perimeter", f"{math.pi * 150} mm")
    assert found["force_N"] == pytest.approx(467468.987, abs=1.0)


@pytest.mark.parametrize(
    ("s", "t", "d", "punch_shear", "expected"),
    [(300, 1.5, 20, 0.0, 28274.334), (400, 3, 10, 0.0, 37699.112), (400, 3, 10, 2.0, 22619.467)],
)
def test_punching_exam_items(s, t, d, punch_shear, expected):
    found = punch_force(s * 1e6, t * 1e-3, math.pi * d * 1e-3, punch_shear * 1e-3, 0.4)
    assert found.force_N == pytest.approx(expected, abs=1e-3)
    assert found.force_N / 1e3 == pytest.approx(round(expected / 1e3, 1), abs=0.05)
    assert found.figures["stripping_low_N"] < found.figures["stripping_N"] < found.figures["stripping_high_N"]


@pytest.mark.parametrize(
    ("shear", "thickness", "perimeter", "expected_kN", "digits_kN"),
    [
        # C: worked problem of an engineering-mechanics course, hole of 20 mm: 549.8 kN.
        ("350 MPa", "25 mm", f"{math.pi * 20} mm", 549.8, 0.05),
        # C: examples beside a public punching chart (a seller's, name left out): 11.3 and 3.2 short tons.
        ("50000 psi", "0.036 in", f"{math.pi * 4} in", 11.3 * 8.896443, 0.45),
        ("60000 psi", "0.135 in", f"{math.pi / 4} in", 3.2 * 8.896443, 0.45),
    ],
)
def test_punching_of_public_examples(shear, thickness, perimeter, expected_kN, digits_kN):
    found = cli("punch", "--shear", shear, "--thickness", thickness, "--perimeter", perimeter)
    assert found["force_N"] / 1e3 == pytest.approx(expected_kN, abs=digits_kN)


@pytest.mark.parametrize("nu", [0.0, 0.292, 0.45])
def test_lame_solid_shaft_loses_poissons_ratio(nu):
    ring = Ring(207e9, nu)
    assert fit_pressure(0.04, 0.08, 0.04e-3, ring, ring) == pytest.approx(77.625e6, rel=1e-12)


@pytest.mark.parametrize(
    ("d", "do", "di", "length", "expected"),
    [(40, 80, 0.04, 50, 58527.871), (50, 100, 0.05, 60, 87791.807)],
)
def test_lame_force(d, do, di, length, expected):
    found = cli(
        "press-fit", "--modulus", "207000 MPa", "--diameter", f"{d} mm", "--hub-diameter", f"{do} mm",
        "--interference", f"{di} mm", "--length", f"{length} mm", "--friction", "0.12",
    )  # fmt: skip
    assert found["force_N"] == pytest.approx(expected, rel=1e-6)
    assert found["pressure_Pa"] == pytest.approx(77.625e6, rel=1e-12)


def test_lame_identities():
    wide = fit_pressure(0.04, 4000.0, 0.04e-3, STEEL, STEEL)
    assert wide == pytest.approx(207e9 * 0.04e-3 / (2 * 0.04), rel=1e-8)
    assert fit_pressure(0.04, 0.04 * (1 + 1e-9), 0.04e-3, STEEL, STEEL) < 1e3
    base = press_fit_force(0.04, 0.08, 4e-5, 0.05, STEEL, STEEL).force_N
    assert press_fit_force(0.04, 0.08, 8e-5, 0.05, STEEL, STEEL).force_N == pytest.approx(2 * base, rel=1e-12)
    assert press_fit_force(0.04, 0.08, 4e-5, 0.10, STEEL, STEEL).force_N == pytest.approx(2 * base, rel=1e-12)
    doubled = press_fit_force(0.04, 0.08, 4e-5, 0.05, STEEL, STEEL, friction=0.24).force_N
    assert doubled == pytest.approx(2 * base, rel=1e-12)
    hollow = fit_pressure(0.04, 0.08, 0.04e-3, STEEL, STEEL, shaft_bore_m=0.02)
    assert 0.0 < hollow < 77.625e6


def test_warming_the_hub_takes_the_interference_away():
    # 12e-6/K * 40 mm * 50 K = 24 um of the 40 um (R).
    warm = press_fit_force(0.04, 0.08, 4e-5, 0.05, Ring(207e9, 0.292, 12e-6, 50.0), STEEL)
    assert warm.figures["interference_left_m"] == pytest.approx(16e-6, rel=1e-9)


def test_shop_rule_is_an_order_of_magnitude_only():
    # Forced fits: P = A a F / 2 tons; d 4 in, L 6 in, a 0.006 in, F 115 gives 26.012387 tons (D, R).
    # Lame with a friction of 0.041 agrees; a usual 0.12 gives three times as much: no validation.
    area = math.pi * 4 * 6
    assert area == pytest.approx(75.398224, rel=1e-7)
    rule = area * 0.006 * 115 / 2
    assert rule == pytest.approx(26.012387, rel=1e-6)
    ring = Ring(parse("30e6 psi", "pascal"), 0.29)
    inch = 0.0254
    found = press_fit_force(4 * inch, 8 * inch, 0.006 * inch, 6 * inch, ring, ring)
    tons = to_unit(found.force_N, "newton", "tonf")
    assert 1.0 < tons / rule < 5.0
    assert 0.12 * rule / tons == pytest.approx(0.041, abs=0.001)


def test_beam():
    found = cli(
        "bed-deflection", "--force", "10 kN", "--span", "1 m", "--modulus", "200 GPa",
        "--inertia", f"{0.05**4 / 12!r} m^4",
    )  # fmt: skip
    assert found["deflection_m"] == pytest.approx(2.0e-3, rel=1e-9)
    assert found["stiffness_N_per_m"] == pytest.approx(5e6, rel=1e-9)
    # Peak stress F L / 4 / (b h^2 / 6) = 120 MPa.
    assert pytest.approx(120e6, rel=1e-9) == 10e3 * 1.0 / 4 / (0.05**3 / 6)


@pytest.mark.parametrize(
    ("thread", "name", "low", "high"),
    [
        ("M4", "mild-steel-cold-rolled", 17, 28),
        ("M6", "mild-steel-cold-rolled", 26, 38),
        ("M8", "mild-steel-cold-rolled", 26, 38),
        ("M12", "mild-steel-cold-rolled", 44, 70),
        ("M4", "aluminium-5052-h32", 11, 14),
        ("M6", "aluminium-5052-h32", 17, 32),
    ],
)
def test_published_installation_forces(thread, name, low, high):
    """C: public tables of two nut makers (names left out), kN."""
    found = cli("clinch", "--thread", thread, "--thickness", "2 mm", "--material", name)
    ring, head = found["bands"]
    assert (head["low_N"], head["high_N"]) == pytest.approx((low * 1e3, high * 1e3), rel=1e-9)
    assert found["size_by_N"] == pytest.approx(high * 1e3)
    assert found["low_N"] <= ring["low_N"]
    assert found["start_N"] < head["low_N"]
    assert all(band["source"] and band["status"] and band["hardware"] for band in found["bands"])


@pytest.mark.parametrize(
    ("thread", "hole", "head"), [("M4", 5.41, 7.87), ("M6", 8.75, 11.05), ("M8", 10.5, 12.65)]
)
def test_published_forces_against_the_plasticity_of_the_whole_head(thread, hole, head):
    """Shoulder's area times flow stress times 2.97 (Prandtl, von Mises) lies in the band, or within 15 % of it.

    Hole and head diameters (mm) of such nuts: from memory, fairly. Nothing was fitted.
    """
    row = material("mild-steel-cold-rolled")
    found = clinch_force(thread_diameter_m(thread), row.yield_Pa, row.tensile_Pa, 2e-3)
    area = math.pi / 4 * (head**2 - hole**2) * 1e-6
    force = 2.97 * (row.yield_Pa + row.tensile_Pa) / 2 * area
    band = found.bands[1]
    assert 0.85 * band.low_N < force < 1.15 * band.high_N


def test_a_distributors_span_lies_within_both_bands():
    """C: a distributor's page: 2 to 10 kN for such nuts by size and sheet, thus far below the makers' tables."""
    row = material("mild-steel-cold-rolled")
    small = clinch_force(thread_diameter_m("M3"), row.yield_Pa, row.tensile_Pa, 2e-3)
    large = clinch_force(thread_diameter_m("M8"), row.yield_Pa, row.tensile_Pa, 2e-3)
    assert small.low_N < 2e3 < 10e3 < large.high_N
    assert large.bands[1].low_N > 10e3


@pytest.mark.parametrize("steel", ["mild-steel-hot-rolled", "mild-steel-cold-rolled"])
@pytest.mark.parametrize(("thread", "tonf"), [("1/2-13", 2.2), ("3/8-16", 1.0), ("1/4-20", 0.63)])
def test_three_press_readings_of_a_shop(thread, tonf, steel):
    """Common practice, no source. The ring's assumed width was once chosen with these in view: no evidence for it.

    Kept to notice when the narrow ring's band leaves them.
    """
    row = material(steel)
    found = clinch_force(thread_diameter_m(thread), row.yield_Pa, row.tensile_Pa, 0.25 * 0.0254)
    low, high = (to_unit(v, "newton", "tonf") for v in (found.bands[0].low_N, found.bands[0].high_N))
    assert low < tonf < high
    assert high / low < 4.0  # wide, but not so wide that it says nothing


def test_a_measured_ring_narrows_the_band_and_scales_the_force():
    row = material("mild-steel-cold-rolled")
    narrow, wide = (
        clinch_force(0.006, row.yield_Pa, row.tensile_Pa, 2e-3, ring_m=width) for width in (0.3e-3, 0.6e-3)
    )
    assumed = clinch_force(0.006, row.yield_Pa, row.tensile_Pa, 2e-3)
    assert wide.figures["ring_force_N"] == pytest.approx(2 * narrow.figures["ring_force_N"], rel=1e-12)
    # 2.2 x 275 MPa x pi x 8.1 mm x 0.3 mm (R).
    assert narrow.figures["ring_force_N"] == pytest.approx(2.2 * 275e6 * math.pi * 8.1e-3 * 0.3e-3, rel=1e-12)
    ratio = [e.bands[0].high_N / e.bands[0].low_N for e in (narrow, assumed)]
    assert ratio[0] < ratio[1]


def test_every_material_row_is_plausible_and_named_honestly():
    from steadyram.press.materials import SOURCE

    assert "from memory" in SOURCE
    for row in MATERIALS.values():
        assert row.yield_Pa < row.tensile_Pa
        assert row.shear_Pa == pytest.approx(0.7 * row.tensile_Pa)
        assert 20e9 < row.modulus_Pa < 250e9
