"""The plant's bend against closed forms, an integration of its own along the sheet, and the balance of energy."""

import math
import time
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from steadyram.errors import BadInput
from steadyram.press.pressfile import read_press
from steadyram.virtual.bend import (
    STRIP_MATERIALS,
    BentStrip,
    StripMaterial,
    StripTooling,
    coil_factor,
    moment_of,
    part_factor,
)
from steadyram.virtual.plant import Plant

SMOOTH = StripTooling(16e-3, 1e-3, 2e-3, friction=0.0)
ROUGH = StripTooling(16e-3, 1e-3, 2e-3)
STEEL = STRIP_MATERIALS["mild-steel"]
NEARLY_IDEAL = StripMaterial("ideal", 250e6, 251e6, 1e-3, 205e9, 0.3, "made up")


def stiffness(material, thickness):
    return material.modulus_Pa / (1 - material.poisson**2) * thickness**3 / 12


def test_moment_of_an_elastic_strip():
    assert moment_of(STEEL, 2e-3, np.array([0.1]))[0] == pytest.approx(
        0.1 * stiffness(STEEL, 2e-3), rel=1e-12
    )


def test_moment_of_an_ideally_plastic_strip():
    # Between first yield and the hinge: M = Mp (1 - (k1/k)^2 / 3) with Mp = (2/sqrt 3) Y t^2/4.
    hinge = 2 / math.sqrt(3) * 250e6 * 2e-3**2 / 4
    first = 2 / math.sqrt(3) * 250e6 * (1 - 0.3**2) / 205e9 * 2 / 2e-3
    for times in (2.0, 5.0, 30.0):
        found = moment_of(NEARLY_IDEAL, 2e-3, np.array([times * first]))[0]
        assert found == pytest.approx(hinge * (1 - 1 / (3 * times**2)), rel=0.01)


def test_first_touch_is_a_beam_on_two_supports():
    strip = BentStrip(STEEL, 2e-3, 0.3, SMOOTH)
    expected = 48 * stiffness(STEEL, 2e-3) * 0.3 / 16e-3**3
    assert strip.elastic_N_m == pytest.approx(expected, rel=0.01)


def test_nothing_is_left_of_an_elastic_touch():
    strip = BentStrip(STEEL, 1e-3, 0.3, StripTooling(40e-3, 1e-3, 1e-3))
    assert strip.released_at(0.1e-3) == pytest.approx(0.0, abs=1e-6)
    assert strip.loaded_at(0.1e-3) > 0.005


@pytest.mark.parametrize("name", STRIP_MATERIALS)
def test_work_of_the_punch_is_the_work_of_bending(name):
    """Without friction, force times travel is the integral of moment over curvature, over the length of the sheet."""
    material, t = STRIP_MATERIALS[name], 2e-3
    strip = BentStrip(material, t, 1.0, SMOOTH)
    end = int(np.argmin(abs(strip.loaded_rad - math.radians(90))))
    work = np.trapezoid(strip.force_N[: end + 1], strip.depth_m[: end + 1])

    radius = SMOOTH.punch_radius_m + t / 2
    curvature = np.concatenate([[0.0], np.geomspace(1e-3, 1 / radius, 4000)])
    moment = np.concatenate([[0.0], moment_of(material, t, curvature[1:])])
    energy = np.concatenate([[0.0], np.cumsum(0.5 * (moment[1:] + moment[:-1]) * np.diff(curvature))])
    reaction = strip.force_N[end] / 2 / math.cos(strip.loaded_rad[end] / 2)
    complementary = moment * curvature - energy
    half = strip.loaded_rad[end] / 2
    free = complementary <= reaction * math.sin(half)
    turned = math.asin(min(complementary[free][-1] / reaction, 1.0))
    along = moment[free] / reaction
    # ds = du / cos(psi), sin(psi) = C/N; what is wrapped round the punch is bent to its radius.
    bent = np.trapezoid(energy[free] / np.sqrt(1 - (complementary[free] / reaction) ** 2), along)
    wrapped = max(0.0, half - turned) * radius * energy[free][-1]
    assert work == pytest.approx(2 * (bent + wrapped), rel=0.01)


@pytest.mark.parametrize("tooling", [SMOOTH, ROUGH])
@pytest.mark.parametrize("name", ["stainless-304", "aluminium-6061-t6"])
def test_shape_by_integration_along_the_sheet(name, tooling):
    material, t = STRIP_MATERIALS[name], 2e-3
    strip = BentStrip(material, t, 1.0, tooling)
    at = int(np.argmin(abs(strip.loaded_rad - math.radians(60))))
    half, slip = strip.loaded_rad[at] / 2, math.atan(tooling.friction)
    reaction = strip.force_N[at] / 2 / math.cos(half - slip)
    radius = tooling.punch_radius_m + t / 2
    curvature = np.concatenate([[0.0], np.geomspace(1e-3, 1 / radius, 3000)])
    moment = np.concatenate([[0.0], moment_of(material, t, curvature[1:])])

    def along(_s, state):
        x, y, direction, _ = state
        # Lever of the reaction, which leans from the sheet's normal at the shoulder by the friction angle.
        lever = x * math.cos(half - slip) + y * math.sin(half - slip)
        here = np.interp(reaction * lever, moment, curvature)
        return [math.cos(direction), math.sin(direction), -here, min(reaction * lever, moment[-1])]

    def level(_s, state):
        return state[2]

    level.terminal = True
    # From the shoulder inwards: x towards the middle, y downwards, direction from level.
    found = solve_ivp(along, (0, 0.1), [0, 0, half, 0], events=level, rtol=1e-9, atol=1e-12, max_step=2e-5)
    x, y, _, area = found.y[:, -1]
    shoulder = tooling.shoulder_radius_m + t / 2
    assert x == pytest.approx(tooling.opening_m / 2 - shoulder * math.sin(half), rel=2e-3)
    depth = t / 2 + tooling.shoulder_radius_m - shoulder * math.cos(half) + y
    assert strip.depth_m[at] == pytest.approx(depth, rel=3e-3)
    released = 2 * (half - area / stiffness(material, t))
    assert strip.released_rad[at] == pytest.approx(released, abs=math.radians(0.1))


@pytest.mark.parametrize("name", STRIP_MATERIALS)
@pytest.mark.parametrize(("t", "opening"), [(1e-3, 8e-3), (3e-3, 24e-3), (2e-3, 24e-3), (6e-3, 50e-3)])
def test_tables_rise_as_they_must(name, t, opening):
    strip = BentStrip(STRIP_MATERIALS[name], t, 0.3, StripTooling(opening, 1e-3, t))
    for table in (strip.depth_m, strip.loaded_rad):
        assert np.all(np.diff(table) > 0)
    assert np.all(np.diff(strip.released_rad) >= 0)
    assert np.all(strip.released_rad <= strip.loaded_rad)
    assert np.all(strip.force_N[1:] > 0)
    levelled = np.array([force for _, force in strip.work_curve()])
    assert np.all(np.diff(levelled) > 0)
    assert levelled.max() == pytest.approx(strip.force_N.max(), rel=2e-3)
    assert [force for _, force in strip.work_curve(rising=False)] == strip.force_N[1:].tolist()


def test_springback_is_what_a_shop_knows():
    """A degree or two in mild steel, two to four in stainless, more in hard aluminium (rules of thumb, no source)."""
    left = {}
    for name in ("mild-steel", "stainless-304", "aluminium-5052-h32", "aluminium-6061-t6"):
        strip = BentStrip(STRIP_MATERIALS[name], 2e-3, 0.3, ROUGH)
        depth = float(np.interp(math.pi / 2, strip.released_rad, strip.depth_m))
        left[name] = math.degrees(strip.loaded_at(depth)) - 90
    assert 0.5 < left["mild-steel"] < 2.5
    assert 2.0 < left["stainless-304"] < 4.5
    assert left["mild-steel"] < left["stainless-304"] < left["aluminium-6061-t6"] < 7.0


def test_stronger_sheet_springs_back_more_at_the_same_depth():
    soft, hard = (BentStrip(STEEL.stronger(f), 2e-3, 0.3, ROUGH) for f in (0.9, 1.1))
    assert hard.released_at(5.5e-3) < soft.released_at(5.5e-3)
    assert hard.force_at(3e-3) == pytest.approx(soft.force_at(3e-3) * 1.1 / 0.9, rel=0.01)


def test_scatter_comes_from_the_generator_passed():
    draws = [
        (coil_factor(rng, 0.1), part_factor(rng, 0.01))
        for rng in (np.random.default_rng(5) for _ in range(2))
    ]
    assert draws[0] == draws[1]
    many = [coil_factor(np.random.default_rng(seed), 0.1) for seed in range(200)]
    assert 0.9 <= min(many) < 0.92
    assert 1.08 < max(many) <= 1.1


def test_a_part_is_ready_soon():
    # The processor's time, not the wall's: what else the machine does is not this one's doing.
    start = time.process_time()
    for _ in range(5):
        BentStrip(STEEL, 2e-3, 0.3, ROUGH)
    # 50 ms is the aim; four times as long here, for a slow machine.
    assert (time.process_time() - start) / 5 < 0.2


def test_sheet_too_thick_for_the_die_is_refused():
    with pytest.raises(BadInput, match="open the die"):
        BentStrip(STEEL, 8e-3, 0.3, ROUGH)


def test_the_plant_bends_it():
    """Under the plant's ram: stopped at a position, let go, and the angle is that of the deepest travel."""
    press = read_press(Path(__file__).parents[2] / "presses" / "bench-4.toml")
    strip = BentStrip(STRIP_MATERIALS["aluminium-5052-h32"], 1.5e-3, 0.1, StripTooling(12e-3, 1e-3, 1.5e-3))
    plant = Plant(press, seed=3)
    plant.load_part(strip.part(4e-3))
    plant.command(True, False, False)
    while plant.position_m < 4e-3 + 3e-3:
        plant.step()
    plant.command(False, False, False)
    for _ in range(200):
        plant.step()
    x = plant.deepest_travel_m()
    assert x > 2.9e-3
    curve = np.array(strip.work_curve())
    assert plant.force_max == pytest.approx(float(np.interp(x, curve[:, 0], curve[:, 1])), rel=1e-3)
    assert plant.force_max == pytest.approx(
        strip.force_at(x), rel=0.25
    )  # the levelled curve overstates a fall
    plant.command(False, True, False)
    for _ in range(3000):
        plant.step()
    assert plant.force_N == 0.0
    assert plant.deepest_travel_m() == x
    assert 0.0 < strip.released_at(x) < strip.loaded_at(x)
