"""Line, transducer, pressure drop, switching spikes, wide codes and ripple: against closed forms and SciPy."""

from __future__ import annotations

import math
import statistics

import numpy as np
import pytest
from plant_setup import LOW, RANGE, at_stop, plant_of, run, step_until
from scipy.integrate import quad, solve_ivp
from scipy.linalg import expm

from steadyram.virtual.sensing import SPIKE_DECAY_S, WideCodes, line_step, transition
from steadyram.virtual.work import Part


@pytest.mark.parametrize("damping", [0.1, 0.3, 1.0, 8.0])
@pytest.mark.parametrize("lag_s", [0.0, 0.0005, 0.002])
@pytest.mark.parametrize("dt_s", [1e-6, 0.0004, 0.001])
def test_the_line_moves_by_the_exponential_of_its_matrix(damping: float, lag_s: float, dt_s: float) -> None:
    w, rate = 2 * math.pi * 60, 1 / lag_s if lag_s else 0.0
    matrix = np.array([[0, w, 0], [-w, -2 * damping * w, 0], [rate, 0, -rate]])
    assert np.allclose(transition(60, damping, lag_s, dt_s), expm(matrix * dt_s), rtol=1e-10, atol=1e-12)


@pytest.mark.parametrize(("frequency", "damping"), [(20, 0.2), (40, 0.3), (100, 0.7), (5, 4.0)])
def test_step_response_of_the_line_has_the_textbook_form(frequency: float, damping: float) -> None:
    state, phi = (0.0, 0.0, 0.0), transition(frequency, damping, 0.0, 0.001)
    w = 2 * math.pi * frequency
    for n in range(1, 60):
        state = line_step(state, 1.0, 1.0, 0.001, frequency, damping, 0.0, phi)
        t = n * 0.001
        if damping < 1:
            wd = w * math.sqrt(1 - damping**2)
            ringing = math.cos(wd * t) + damping * w / wd * math.sin(wd * t)
            expected = 1 - math.exp(-damping * w * t) * ringing
        else:
            root = math.sqrt(damping**2 - 1)
            a, b = w * (damping - root), w * (damping + root)
            expected = 1 - (b * math.exp(-a * t) - a * math.exp(-b * t)) / (b - a)
        assert state[2] == pytest.approx(expected, abs=1e-9)


def test_line_and_transducer_of_the_press_agree_with_the_equations_integrated() -> None:
    plant = plant_of(transducer__line_frequency="40 Hz", transducer__line_damping=0.3, work__gap="1 mm",
                     pump__changeover=None, pump__flow_high_stage=None, valve__slew="8 ms")  # fmt: skip
    plant.load_part(Part((), 150e6, 0.001))
    plant.command(True, False, False)
    times, pressures, sensed = [0.0], [0.0], [0.0]
    for n in range(260):
        if n == 180:
            plant.command(False, False, False)
        plant.step()
        times.append(plant.time_s)
        pressures.append(plant.pressure_Pa)
        sensed.append(plant.sensed_Pa)
    w = 2 * math.pi * 40

    def rhs(t: float, y: list[float]) -> list[float]:
        p = float(np.interp(t, times, pressures))
        return [y[1], w * w * (p - y[0]) - 0.6 * w * y[1], (y[0] - y[2]) / 0.002]

    solved = solve_ivp(rhs, (0, times[-1]), [0, 0, 0], t_eval=times, max_step=5e-4, rtol=1e-7, atol=1.0)
    assert max(pressures) > 3e6
    # Events inside a millisecond bend the plant's own pressure; the interpolation here does not see that.
    assert np.max(np.abs(solved.y[2] - sensed)) < 2e-3 * max(pressures)
    # The line rings: the reading passes the pressure that is held.
    assert max(sensed) > 1.01 * pressures[-1]


def test_a_clogged_snubber_lags_by_twice_its_damping_over_omega() -> None:
    plant = plant_of(transducer__line_frequency="20 Hz", transducer__line_damping=2.0, pump__changeover=None,
                     pump__flow_high_stage="0.2 L/min", pump__flow_low_stage="0.2 L/min")  # fmt: skip
    plant.load_part(Part((), 150e6, 0.0001))
    plant.command(True, False, False)
    step_until(plant, lambda: plant.force_N > 0)
    run(plant, 0.5)
    before = plant.pressure_Pa
    plant.step()
    rate = (plant.pressure_Pa - before) / 0.001
    behind = 2 * 2.0 / (2 * math.pi * 20) + 0.002
    assert (plant.pressure_Pa - plant.sensed_Pa) / rate == pytest.approx(behind, rel=1e-4)


@pytest.mark.parametrize("slew", ["0 ms", "10 ms"])
def test_a_transducer_at_the_pump_reads_the_drop_while_oil_flows(slew: str) -> None:
    plant = plant_of(transducer__line_drop="4 bar", transducer__lag="0 ms", valve__slew=slew)
    plant.load_part(Part((), 150e6, 0.1))
    plant.command(True, False, False)
    run(plant, 0.3)
    assert plant.sensed_Pa - plant.pressure_Pa == pytest.approx(4e5, rel=1e-9)
    plant.command(False, False, True)
    run(plant, 0.3)
    assert plant.sensed_Pa - plant.pressure_Pa == pytest.approx(4e5 * 0.4 / 7, rel=1e-9)
    plant.command(False, False, False)
    run(plant, 0.3)
    assert plant.sensed_Pa == plant.pressure_Pa


def test_a_relief_valve_that_takes_all_the_oil_leaves_no_drop() -> None:
    plant = at_stop(transducer__line_drop="4 bar", transducer__lag="0 ms")
    plant.command(True, False, False)
    run(plant, 8.0)
    assert plant.sensed_Pa == plant.pressure_Pa == pytest.approx(3300 * 6894.757293168, rel=1e-9)


def test_each_edge_of_both_coils_puts_a_spike_on_the_reading() -> None:
    plant = plant_of(transducer__switching_spike="1 %", valve__relay_delay="8.25 ms")
    quiet = plant.step()
    plant.command(True, False, False)
    shift = [(count - quiet) / (0.8 * 65535) for count in run(plant, 0.02)]
    # The relay's coil at the command, the solenoid's when the contact closes 8.25 ms later.
    first, second = 0.01 * math.exp(-0.001 / SPIKE_DECAY_S), 0.01 * math.exp(-0.00075 / SPIKE_DECAY_S)
    assert abs(shift[0]) == pytest.approx(first, abs=2e-5)
    assert shift[2] == pytest.approx(shift[0] * math.exp(-2), abs=2e-5)
    assert abs(shift[8]) == pytest.approx(second, abs=4e-5)
    assert max(map(abs, shift[14:])) < 1e-4


def test_spikes_have_either_sign_and_a_coil_that_never_pulled_in_makes_one_of_its_own_only() -> None:
    plant = plant_of(transducer__switching_spike="1 %", valve__pull_in=0.7)
    quiet = plant.step()
    signs = []
    for _ in range(40):
        plant.command(True, False, False)
        begun = run(plant, 0.002)
        plant.command(False, False, False)
        let_go = run(plant, 0.03)
        signs.append(math.copysign(1, begun[0] - quiet))
        # The contact never closes: nothing at 8 ms, nor 8 ms after the release.
        assert max(abs(c - quiet) for c in let_go[4:]) <= 0.01 * 0.8 * 65535 * math.exp(-4)
    assert 8 < sum(s > 0 for s in signs) < 32


@pytest.mark.parametrize(("bits", "width"), [(12, 8.0), (12, 9.5), (10, 3.0), (16, 8.0)])
def test_four_codes_are_wide_and_both_ends_of_the_range_stay(bits: int, width: float) -> None:
    codes = 1 << bits
    converter = WideCodes(bits, width)
    fine = 64
    found = np.bincount([converter.code((i + 0.5) / fine) for i in range(codes * fine)], minlength=codes)
    widths = found / fine
    wide = [codes // 8 - 1, 3 * codes // 8 - 1, 5 * codes // 8 - 1, 7 * codes // 8 - 1]
    assert wide == [511, 1535, 2559, 3583] or bits != 12
    assert widths[wide] == pytest.approx([width] * 4, abs=2.1 / fine)
    others = np.delete(widths, wide)
    assert others == pytest.approx((codes - 4 * width) / (codes - 4), abs=2.1 / fine)
    assert len(found) == codes
    assert converter.code(0.0) == 0 and converter.code(codes - 0.5) == codes - 1  # noqa: PT018


def test_the_plant_converts_through_its_wide_codes() -> None:
    seen = []
    for width in (1, 8):
        plant = plant_of(
            adc__bits=12, adc__wide_codes=width, transducer__lag="0 ms", transducer__zero_error="12 psi"
        )
        for share in np.linspace(0.3415, 0.3455, 2000):
            plant._zero_share = float(share)
            seen.append((width, plant._convert() >> 4))
    # 0.1 + 0.8 * 0.343 of 4095 is about 1533: the sweep covers 13 steps around code 1535.
    share_of = {w: statistics.mean(code == 1535 for width, code in seen if width == w) for w in (1, 8)}
    assert share_of[1] == pytest.approx(1 / 13.1, abs=0.01)
    assert share_of[8] == pytest.approx(8 / 13.1, abs=0.02)


def test_ripple_lets_in_the_integral_of_its_wave_and_nothing_in_the_mean() -> None:
    plant = plant_of(pump__ripple="5 %", pump__ripple_frequency="90 Hz")
    plant.load_part(Part((), 150e6, 0.1))
    plant.command(True, False, False)
    run(plant, 0.1)
    begin, t0 = plant.u, plant.time_s
    for n in range(1, 40):
        plant.step()
        wave = quad(lambda t: 1 + 0.05 * math.sin(2 * math.pi * 90 * t), t0, t0 + n * 0.001, epsabs=1e-13)[0]
        assert plant.u - begin == pytest.approx(LOW * wave, rel=1e-9)
    run(plant, 0.4 - 0.039)
    assert plant.u - begin == pytest.approx(0.4 * LOW, rel=1e-9)


def test_ripple_and_slew_together_agree_with_quadrature() -> None:
    plant = plant_of(
        pump__ripple="5 %", pump__ripple_frequency="150 Hz", valve__slew="20 ms", valve__overlap="20 %"
    )
    plant.load_part(Part((), 150e6, 0.1))
    plant.command(True, False, False)
    run(plant, 0.020)
    plant.command(False, False, False)
    run(plant, 0.1)

    def flow(t: float) -> float:
        # Sent open from 38 to 53 ms: up to three quarters of its travel, and back.
        travel = (t - 0.038) / 0.02 if t < 0.053 else 0.75 - (t - 0.053) / 0.02
        return max(0.0, (travel - 0.2) / 0.8) * (1 + 0.05 * math.sin(2 * math.pi * 150 * t))

    expected = LOW * quad(flow, 0.038, 0.068, points=[0.042, 0.053, 0.064], limit=200, epsabs=1e-12)[0]
    # What fills the dead band at the top is not seen in u.
    assert plant.u + plant.dead_band - plant.deficit == pytest.approx(expected, rel=1e-8)


def test_the_zero_of_a_transducer_is_the_files_when_it_does_not_wander() -> None:
    plant = plant_of(transducer__zero_error="50 psi")
    assert plant.step() / 65536 == pytest.approx(0.1 + 0.8 * 50 * 6894.757 / RANGE, abs=2e-5)
