"""The plant against textbook closed forms, and against the same equations integrated by SciPy.

Sources, with their status:
- rise of pressure at a dead end, dP/dt = beta Q / V: definition of the bulk modulus, fluid-power textbooks
  (e.g. Merritt, Hydraulic Control Systems, 1967, continuity equation); from memory.
- F = P A less friction; springs in series, 1/k = sum 1/k_i: statics, any textbook.
- first-order lag behind a ramp, y = r (t - tau (1 - exp(-t/tau))): system dynamics textbooks; from memory.
- valve pulse of width w lets oil through for w + close - open: the project's own contract for the plant.
"""

from __future__ import annotations

import math
import statistics
import tomllib
from typing import Any

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from steadyram.press.limits import series_stiffness_N_m
from steadyram.press.pressfile import PressFile, build_press
from steadyram.virtual.default_press import default_press
from steadyram.virtual.plant import STEP_S, Plant
from steadyram.virtual.work import Part

QUIET = {
    "valve.jitter": "0 ms",
    "valve.leak_down": "0 1/s",
    "transducer.noise": "0 %",
    "transducer.gain_error": "0 %",
    "transducer.zero_error": "0 psi",
}


def press_with(**changes: Any) -> PressFile:
    """The built-in press without jitter, noise, leak and sensor error, with keys changed (table__key=...)."""
    tables = tomllib.loads(default_press().read_text())
    wanted = {**QUIET, **{key.replace("__", "."): value for key, value in changes.items()}}
    for key, value in wanted.items():
        table, name = key.split(".")
        tables[table][name] = value
    return build_press(tables, "test")


def step_until(plant: Plant, condition: Any, most: int = 20000) -> None:
    for _ in range(most):
        if condition():
            return
        plant.step()
    raise AssertionError("the plant did not get there")


def dead_end(**changes: Any) -> Plant:
    """A press whose frame and work do not give (1e14 N/m), extending against the stop."""
    press = press_with(
        **(
            {"frame__stiffness": "1e11 N/m", "pump__changeover": "700 psi", "oil__trapped_volume": "8 L"}
            | changes
        )
    )
    plant = Plant(press)
    plant.load_part(Part((), 1e14, 0.001))
    plant.command(True, False, False)
    return plant


@pytest.mark.parametrize(("low", "flow_m3_s"), [(True, 7e-3 / 60), (False, 2e-3 / 60)])
def test_dead_end_pressure_rises_at_beta_q_over_v(low: bool, flow_m3_s: float) -> None:
    plant = dead_end()
    changeover = plant.press.pump.changeover
    assert changeover is not None
    step_until(plant, lambda: plant.force_N > 0 and (low or plant.pressure_Pa > changeover))
    p0 = plant.pressure_Pa
    for _ in range(50):
        plant.step()
    rate = (plant.pressure_Pa - p0) / (50 * STEP_S)
    assert low == (plant.pressure_Pa < changeover)
    # The frame's 1e11 N/m against the oil's 1e7 leaves one part in ten thousand.
    assert rate == pytest.approx(1.2e9 * flow_m3_s / 8e-3, rel=2e-4)


def test_force_is_pressure_times_area_less_friction() -> None:
    plant = dead_end()
    step_until(plant, lambda: plant.force_N > 20_000)
    area = math.pi / 4 * (4 * 0.0254) ** 2
    assert plant.force_N == pytest.approx(plant.pressure_Pa * area - 600.0, rel=1e-12)


def test_relief_caps_the_pressure() -> None:
    plant = dead_end(oil__trapped_volume="0.8 L")
    for _ in range(20_000):
        plant.step()
    assert plant.pressure_Pa == pytest.approx(3300 * 6894.757293168, rel=1e-9)


def test_stiffnesses_add_in_series() -> None:
    press = press_with(work__kind="dead-stop", work__stiffness="150 kN/mm")
    plant = Plant(press)
    plant.command(True, False, False)
    step_until(plant, lambda: plant.force_N > 10_000)
    f0, u0 = plant.force_N, plant.u
    for _ in range(20):
        plant.step()
    area = press.cylinder.area_m2
    measured = (plant.force_N - f0) / ((plant.u - u0) / area)
    oil = 1.2e9 * area**2 / 0.8e-3
    expected = 1 / (1 / oil + 1 / 200e6 + 1 / 150e6)
    assert measured == pytest.approx(expected, rel=1e-9)
    assert series_stiffness_N_m(press) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("tau_s", [0.001, 0.002, 0.02])
def test_sensor_is_a_first_order_lag_behind_a_ramp(tau_s: float) -> None:
    plant = dead_end(transducer__lag=f"{tau_s} s", oil__trapped_volume="0.8 L", pump__changeover="3300 psi")
    step_until(plant, lambda: plant.force_N > 10_000)
    # From here a ramp; what the lag remembers of before is part of the closed form.
    p0, s0, t = plant.pressure_Pa, plant.sensed_Pa, 0.0
    plant.step()
    rate = (plant.pressure_Pa - p0) / STEP_S
    for _ in range(30):
        t = t + STEP_S
        decay = math.exp(-t / tau_s)
        expected = p0 + rate * (t - tau_s * (1 - decay)) + (s0 - p0) * decay
        assert plant.sensed_Pa == pytest.approx(expected, rel=1e-6)
        plant.step()


def test_count_follows_from_pressure_and_reading_range() -> None:
    """10 % of full scale at zero, 90 % at range, then gain and zero error; 12 bits on the 16-bit scale."""
    plant = dead_end(transducer__lag="0 ms", transducer__gain_error="1.5 %", transducer__zero_error="12 psi")
    step_until(plant, lambda: plant.force_N > 30_000)
    counts = plant.step()
    range_Pa = 5000 * 6894.757293168
    share = plant.pressure_Pa / range_Pa * 1.015 + 12 / 5000
    assert counts == round((0.1 + 0.8 * share) * 4095) << 4


def test_leak_down_is_exponential() -> None:
    plant = dead_end(valve__leak_down="2 %/s", oil__trapped_volume="0.8 L")
    step_until(plant, lambda: plant.force_N > 50_000)
    plant.command(False, False, False)
    step_until(plant, lambda: not plant.extend.pending)
    p0 = plant.pressure_Pa
    for _ in range(5000):
        plant.step()
    assert plant.pressure_Pa == pytest.approx(p0 * math.exp(-0.02 * 5.0), rel=1e-6)


@pytest.mark.parametrize("width_ms", [3, 5, 20, 50])
def test_pulse_lets_oil_through_for_width_plus_close_less_open(width_ms: int) -> None:
    plant = dead_end(pump__changeover="3300 psi")
    step_until(plant, lambda: plant.force_N > 5_000)
    plant.command(False, False, False)
    step_until(plant, lambda: not plant.extend.pending)
    u0 = plant.u
    plant.command(True, False, False)
    for _ in range(width_ms):
        plant.step()
    plant.command(False, False, False)
    for _ in range(200):
        plant.step()
    # Open takes 30 ms, close 25 ms: 3 ms is 2 ms too short to let anything through.
    open_s = max(0.0, (width_ms + 25 - 30) / 1000)
    assert plant.u - u0 == pytest.approx(open_s * 7e-3 / 60, abs=1e-15, rel=1e-6)


def test_valve_delays_scatter_as_stated() -> None:
    """Relay and spool each draw `jitter`: the sum's standard deviation is sqrt(2) times it."""
    plant = Plant(press_with(valve__jitter="1 ms"), seed=3)
    delays = []
    for on in [True, False] * 1000:
        plant.command(on, False, False)
        delays.append(plant.extend.pending[-1][0] - plant.time_s - (0.038 if on else 0.033))
        step_until(plant, lambda: not plant.extend.pending)
    # 2000 draws: the estimate's own standard deviation is 1.6 %.
    assert statistics.stdev(delays) == pytest.approx(math.sqrt(2) * 0.001, rel=0.06)
    assert statistics.mean(delays) == pytest.approx(0.0, abs=0.00015)


def test_hand_pump_delivers_its_stroke_volume_in_each_stroke() -> None:
    tables = tomllib.loads(default_press().read_text())
    tables["valve"]["leak_down"] = "0 1/s"
    tables["pump"] = {"relief": "3300 psi", "strokes": "60 /min", "stroke_volume": "2 cm**3"}
    plant = Plant(build_press(tables, "test"))
    plant.command(True, False, False)
    step_until(plant, lambda: plant.u > 0 and plant.step_index % 1000 == 0)
    u0 = plant.u
    for _ in range(3000):
        plant.step()
    assert plant.force_N == 0.0
    assert plant.u - u0 == pytest.approx(3 * 2e-6, rel=1e-6)


def test_coasting_motor_lets_half_its_time_of_flow_through() -> None:
    """A flow that falls in a straight line to nothing within t carries Q t / 2."""
    plant = Plant(press_with(pump__coast_down="200 ms"))
    plant.command(True, False, False)
    for _ in range(100):
        plant.step()
    plant.command(False, False, False)
    step_until(plant, lambda: not plant.extend.pending)
    closed_s = plant.motor_off_s
    u0 = plant.u
    for _ in range(400):
        plant.step()
    # The step in which the spool closed has coasted up to its end already.
    before = 0.001 * plant.step_index - 0.4 - closed_s
    gone = 7e-3 / 60 * (before - before**2 / 0.4)
    assert plant.u - u0 == pytest.approx(7e-3 / 60 * 0.1 - gone, rel=1e-3)


def test_open_centre_loses_the_force_at_once() -> None:
    tables = tomllib.loads(default_press().read_text())
    tables["valve"]["load_holding"] = False
    plant = Plant(build_press(tables, "test"))
    plant.command(True, False, False)
    step_until(plant, lambda: plant.force_N > 10_000)
    plant.command(False, False, False)
    step_until(plant, lambda: not plant.extend.pending)
    plant.step()
    assert plant.force_N == 0.0


def test_return_is_faster_by_the_ratio_of_areas() -> None:
    plant = Plant(press_with())
    plant.command(True, False, False)
    for _ in range(200):
        plant.step()
    plant.command(False, True, False)
    for _ in range(60):
        plant.step()
    x0 = plant.position_m
    for _ in range(10):
        plant.step()
    # 7 L/min into the annulus of a 4 in bore with a 2 in rod.
    annulus_m2 = math.pi / 4 * (0.1016**2 - 0.0508**2)
    assert (x0 - plant.position_m) / 0.010 == pytest.approx(7e-3 / 60 / annulus_m2, rel=1e-6)


def integrate(press: PressFile, seconds: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The stroke as ordinary differential equations in pressure, ram travel and sensed pressure.

    Written from the physics, not from the plant: continuity of the oil, balance of forces, the work's curve.
    Returns times (s), forces on the work (N) and sensed pressures (Pa) at every millisecond.
    """
    area = press.cylinder.area_m2
    friction = press.cylinder.seal_friction
    beta, volume = press.oil.bulk_modulus, press.oil.trapped_volume
    p, t = press.work.plateau, press.work.travel
    opens_s = press.valve.relay_delay + press.valve.open_delay

    def work_stiffness(force: float) -> float:
        if force < p:
            return p / (t / 5)
        return 0.1 * p / (0.8 * t) if force < 1.1 * p else press.work.stiffness

    def force_of(pressure: float, travel: float) -> float:
        return max(0.0, pressure * area - friction) if travel >= press.work.gap else 0.0

    def flow(pressure: float, now: float) -> float:
        if now < opens_s:
            return 0.0
        assert press.pump.flow_low_stage is not None
        assert press.pump.flow_high_stage is not None
        assert press.pump.changeover is not None
        return press.pump.flow_low_stage if pressure < press.pump.changeover else press.pump.flow_high_stage

    def rates(now: float, state: np.ndarray) -> list[float]:
        pressure, travel, sensed = state
        q = flow(pressure, now)
        if pressure * area < friction:
            dp, v = beta / volume * q, 0.0
        elif travel < press.work.gap:
            dp, v = 0.0, q / area
        else:
            give = 1 / work_stiffness(force_of(pressure, travel)) + 1 / press.frame.stiffness
            # dP/dt = beta/V (Q - A v) with v = give A dP/dt
            dp = beta / volume * q / (1 + beta / volume * area * area * give)
            v = give * area * dp
        return [dp, v, (pressure - sensed) / press.transducer.lag]

    times = np.arange(0, round(seconds / STEP_S) + 1) * STEP_S
    # The right-hand side has kinks; short steps keep what is lost at each below the tolerance looked for.
    solved = solve_ivp(
        rates,
        (0.0, times[-1]),
        [0.0, 0.0, 0.0],
        t_eval=times,
        max_step=5e-5,
        rtol=1e-8,
        atol=[1.0, 1e-9, 1.0],
    )
    forces = np.array([force_of(a, b) for a, b in zip(solved.y[0], solved.y[1], strict=True)])
    return times, forces, solved.y[2]


def test_stroke_agrees_with_the_differential_equations() -> None:
    press = press_with()
    times, forces, sensed = integrate(press, 0.55)
    plant = Plant(press)
    plant.command(True, False, False)
    mine, felt = [plant.force_N], [plant.sensed_Pa]
    for _ in times[1:]:
        plant.step()
        mine.append(plant.force_N)
        felt.append(plant.sensed_Pa)
    # The stroke must have gone through approach, plateau, knee and changeover to be worth comparing.
    assert forces[-1] > 45_000
    assert np.max(np.abs(np.array(mine) - forces)) < 1e-4 * forces[-1]
    # Within a step the sensor sees a straight line, also where pressure has a kink in mid-step: less than one
    # step of a 12-bit converter (10.5 kPa).
    assert np.max(np.abs(np.array(felt) - sensed)) < 2e-3 * sensed[-1]
