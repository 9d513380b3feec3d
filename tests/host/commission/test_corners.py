"""Lags, rates and the changeover are read off strokes with spikes, friction and a swinging line."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import TransferFunction, lsim

from steadyram.commission.calibrate import Point, without_stuck
from steadyram.commission.capability import can_hold, wide_code_forces_N
from steadyram.commission.characterise import refuse_vague
from steadyram.commission.corners import Window, fit_corners, fit_shape, noise_N
from steadyram.commission.dynamics import Shape
from steadyram.commission.lags import lag_of, sd_uncertainty
from steadyram.commission.measured import Characteristics
from steadyram.commission.plausible import refuse_contradictions
from steadyram.commission.pulse_response import Series, find_response
from steadyram.commission.rises import Rates, Rise, fit_rise, together
from steadyram.errors import CheckFailed

NOISE_N = 100.0


@pytest.mark.parametrize(
    "shape", [Shape(2.0), Shape(3.0, 12.0), Shape(2.0, 8.0, 40.0, 0.3), Shape(3.0, 5.0, 25.0, 1.4, 6.0)]
)
def test_the_closed_form_of_a_corner_is_the_linear_system_solved(shape: Shape) -> None:
    # SciPy's lsim: transducer and line as a transfer function, driven by the flow's integral and the line's drop.
    t = np.arange(-60.0, 250.0, 0.05)
    edge = max(shape.slew_ms, 0.05)
    flow = np.clip((t + edge / 2) / edge, 0.0, 1.0)
    drive = np.cumsum(flow) * 0.05 - flow * 0.025 + shape.lead_ms * flow
    poles = [shape.tau_ms, 1.0]
    if shape.line_hz > 0:
        omega = 2 * np.pi * shape.line_hz / 1000
        poles = list(np.polymul(poles, [1 / omega**2, 2 * shape.damping / omega, 1.0]))
    seen = lsim(TransferFunction([1.0], poles), drive, t - t[0])[1]
    assert np.abs(seen - shape.ramp(t)).max() < 0.04


def stroke(
    shape: Shape,
    begin_ms: float,
    end_ms: float,
    rate: float,
    seed: int,
    spike_N: float = 0.0,
    ramp_ms: float = 25.0,
) -> Window:
    """A stroke from 20 kN at rest; two samples spoilt after each coil's edge."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 350.0)
    cut = float(round(begin_ms + ramp_ms))
    y = (
        20e3
        + rate * (shape.ramp(t - begin_ms) - shape.ramp(t - cut - end_ms))
        + NOISE_N * rng.standard_normal(len(t))
    )
    for edge in (1, 9, int(cut) + 1, int(cut) + 9):
        y[edge : edge + 2] += spike_N * (1 if rng.random() < 0.5 else -1)
    return Window(t, y, cut)


def test_two_spoilt_samples_at_each_edge_move_a_lag_by_less_than_a_millisecond() -> None:
    shape = Shape(2.0, 6.0)
    spike = 4000.0  # 40 standard deviations of the noise
    fits = [fit_corners(stroke(shape, 45.0, 33.0, 280.0, s, spike), shape, NOISE_N) for s in range(20)]
    assert all(fit is not None for fit in fits)
    begins = [fit.begin_ms for fit in fits if fit is not None and fit.begin_ms is not None]
    assert abs(np.mean(begins) - 45.0) < 0.3
    assert np.max(np.abs(np.array(begins) - 45.0)) < 1.0
    assert np.max([abs(fit.end_ms - 33.0) for fit in fits if fit is not None]) < 1.0


def test_a_median_of_three_lets_a_spike_of_two_samples_pass() -> None:
    # Why the fits are robust instead: two neighbours are the majority of three.
    clean = np.full(30, 20e3)
    spoilt = clean.copy()
    spoilt[10:12] += 4000.0
    filtered = np.array([np.median(spoilt[i : i + 3]) for i in range(28)])
    assert filtered.max() - 20e3 == 4000.0


def test_noise_is_not_what_spikes_and_coarse_steps_make_of_it() -> None:
    rng = np.random.default_rng(3)
    y = np.round(NOISE_N * rng.standard_normal(400) / 85.0) * 85.0
    y[50:52] += 6000.0
    assert noise_N(y) == pytest.approx(np.hypot(NOISE_N, 85.0 / 12**0.5), rel=0.12)


def test_a_lines_swing_is_told_from_the_valves_lag() -> None:
    true = Shape(2.0, 8.0, 35.0, 0.25)
    windows = [stroke(true, 45.0 + 0.3 * s, 40.0 - 0.2 * s, 300.0, s, ramp_ms=60.0) for s in range(10)]
    found, error = fit_shape(windows, Shape(3.0), NOISE_N)
    assert found.line_hz == pytest.approx(35.0, rel=0.1)
    assert abs(found.delay_ms - true.delay_ms) < 2.0 * error


def approach(low: float, high: float, turn_N: float | None, friction_N: float, seed: int) -> Window:
    """Free travel at friction for 300 ms, then the block."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 700.0)
    shape = Shape(3.0)
    contact = 300.0
    y = friction_N + low * shape.ramp(t - contact)
    if turn_N is not None:
        y += (high - low) * shape.ramp(t - contact - turn_N / low)
    y[t < 40.0] = 0.0
    return Window(t, y + NOISE_N * rng.standard_normal(len(t)), 600.0)


@pytest.mark.parametrize("friction_N", [500.0, 8000.0])
def test_the_rate_is_that_above_contact_whatever_the_friction(friction_N: float) -> None:
    # 8 kN is 4 % of what the press reaches: free travel taken for the rise made the rate several times too low.
    rise = fit_rise(
        approach(600.0, 600.0, None, friction_N, 1), Shape(3.0), friction_N, NOISE_N, 0.5 * friction_N
    )
    assert rise is not None
    assert rise.contact_ms == pytest.approx(300.0, abs=1.0)
    assert rise.low == pytest.approx(600.0, rel=0.01)


def test_two_stages_are_found_where_they_are_and_not_where_they_are_not() -> None:
    two = [
        fit_rise(approach(900.0, 250.0, 30e3, 2000.0, s), Shape(3.0), 2000.0, NOISE_N, 1500.0)
        for s in range(6)
    ]
    found = together([r for r in two if r is not None], 0.003, 100.0)
    assert found is not None
    assert found.stages == 2
    assert found.turn_N is not None
    assert found.turn_N == pytest.approx(32e3, rel=0.02)  # as indicated: 30 kN above free travel
    assert found.low == pytest.approx(900.0, rel=0.02)
    assert found.high == pytest.approx(250.0, rel=0.02)
    one = [
        fit_rise(approach(400.0, 400.0, None, 2000.0, s), Shape(3.0), 2000.0, NOISE_N, 1500.0)
        for s in range(6)
    ]
    single = together([r for r in one if r is not None], 0.003, 100.0)
    assert single is not None
    assert single.stages == 1
    assert single.turn_N is None


def test_a_lines_swing_at_contact_is_no_stage_of_the_pump() -> None:
    rng = np.random.default_rng(2)
    t = np.arange(0.0, 700.0)
    y = 2000.0 + 500.0 * Shape(2.0, 0.0, 30.0, 0.2).ramp(t - 300.0) + NOISE_N * rng.standard_normal(len(t))
    rise = fit_rise(Window(t, y, 600.0), Shape(3.0), 2000.0, NOISE_N, 1500.0)
    assert rise is not None
    assert rise.turn_N is None or rise.high > 0.95 * rise.low
    assert rise.high == pytest.approx(500.0, rel=0.03)


def test_a_rate_that_is_known_badly_is_refused_with_its_uncertainty() -> None:
    good = Rates(500.0, 500.0, 0.29, 0.1, None, None, 1, 9e4, 1e3, "one rate")
    refuse_vague(good)
    refuse_vague(replace(good, u_low=0.4, stages=2))
    with pytest.raises(CheckFailed, match="40% only"):
        refuse_vague(replace(good, u_low=0.4))
    with pytest.raises(CheckFailed, match="88% only"):
        refuse_vague(replace(good, u_high=0.88))


def test_a_lowest_point_at_which_the_ram_still_stuck_is_left_out() -> None:
    # 5 kN of friction: rising readings are 5 kN above the force on the block, falling ones as much below.
    rising = [Point(f, 6500.0 + (f + 5e3) / 6.0, True) for f in (31e3, 65e3, 110e3, 160e3)]
    falling = [Point(f, 6500.0 + (f - 5e3) / 6.0, False) for f in (120e3, 75e3, 35e3)]
    stuck = Point(6e3, 6500.0 + 7e3 / 6.0, True)
    moved = Point(6e3, 6500.0 + 11e3 / 6.0, True)
    assert without_stuck([stuck, *rising, *falling]) == [*rising, *falling]
    assert without_stuck([moved, *rising, *falling]) == [moved, *rising, *falling]


def test_strokes_that_disagree_on_a_changeover_leave_it_unknown_at_the_steepest_rate() -> None:
    rises = [Rise(900.0, 300.0, 20e3 + 15e3 * i, 500.0, 200, 0.0, 100e3, 300.0) for i in range(6)]
    found = together(rises, 0.003, 100.0)
    assert found is not None
    assert found.stages is None
    assert found.turn_N is None
    assert found.low == found.high == 900.0


def test_oil_that_warms_up_is_in_the_lags_uncertainty() -> None:
    rng = np.random.default_rng(5)
    times = np.linspace(0.0, 200.0, 20)
    lags = 60.0 - 0.05 * times + rng.standard_normal(20)
    found = lag_of(list(lags), 0.0, list(times))
    assert found is not None
    assert found.mean_ms == pytest.approx(50.0, abs=found.u_ms)
    assert found.drift_ms == pytest.approx(-10.0, abs=3.0)


@pytest.mark.parametrize(("pull_in", "dead", "limit"), [(8, -15.0, "relay"), (0, 12.0, "spool")])
def test_a_relay_is_told_from_a_spool_and_the_shortest_pulse_is_found(
    pull_in: int, dead: float, limit: str
) -> None:
    rng = np.random.default_rng(7)

    def run(width: int, pulses: int) -> Series:
        flow = max(0.0, width - dead) if width >= pull_in else 0.0
        return Series(width, pulses, flow + 0.05 * rng.standard_normal(), 0.05)

    found = find_response(run, dead_ms=dead + 1.0, slew_ms=0.0, u_rate=0.01)
    assert found.limit == limit
    assert found.least_ms == (8.0 if limit == "relay" else 13.0)
    assert found.dead_ms == pytest.approx(dead, abs=0.5)


def test_pulses_that_never_move_anything_are_unknown_not_zero() -> None:
    found = find_response(lambda w, n: Series(w, n, 0.0, 0.02), dead_ms=5.0, slew_ms=0.0, u_rate=0.01)
    assert found.least_ms is None
    assert found.dead_ms is None
    unknown = Characteristics().settings()
    assert unknown["pulse_least_us"] == -1
    assert unknown["pulse_dead_us"] == -1_000_000
    assert unknown["rate_low_u_ppt"] == -1
    assert unknown["breakaway_n"] == -1


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"changeover_N": 30e3, "rate_low_N_per_s": 2e5, "rate_high_N_per_s": 5e5}, "above the changeover"),
        ({"rate_slow_N_per_s": 9e5, "rate_slow_u": 0.02}, "which solenoid"),
        ({"close_lag_s": 0.4}, "longer than a solenoid valve takes"),
        (
            {"pulse_dead_s": 0.05, "pulse_dead_u_s": 0.001, "open_lag_u_s": 0.001, "close_lag_u_s": 0.001},
            "Pulses lose",
        ),
        # Three slow-feed presses whose valves scatter by 2.1, 3.5 and 2.8 ms came out so.
        ({"jitter_s": 0.0111, "jitter_u_s": 0.004}, "scattering by 11.1 ms"),
        ({"jitter_s": 0.0132, "jitter_u_s": 0.005}, "scattering by 13.2 ms"),
        ({"jitter_s": 0.0076, "jitter_u_s": 0.003}, "scattering by 7.6 ms"),
    ],
)
def test_results_that_contradict_each_other_are_refused_with_the_reason(
    more: dict[str, float], words: str
) -> None:
    plain = {"rate_low_N_per_s": 5e5, "rate_high_N_per_s": 5e5, "open_lag_s": 0.04, "close_lag_s": 0.03}
    refuse_contradictions(Characteristics(**plain))  # type: ignore[arg-type]
    with pytest.raises(CheckFailed, match=words):
        refuse_contradictions(Characteristics(**(plain | more)))  # type: ignore[arg-type]


def test_the_interval_of_a_scatter_holds_the_true_one() -> None:
    rng = np.random.default_rng(77)
    own = 0.5
    held = 0
    for _ in range(400):
        seen = rng.normal(0.0, math.hypot(2.1, own), 12)
        sd = float(np.std(seen, ddof=1))
        jitter, u = math.sqrt(max(0.0, sd**2 - own**2)), sd_uncertainty(sd, 12, own**2)
        held += jitter - u <= 2.1 <= jitter + u
    assert held >= 0.95 * 400


def test_each_setpoint_asked_gets_one_sentence() -> None:
    measured = Characteristics(
        open_lag_s=0.04, close_lag_s=0.033, jitter_s=0.0014, rate_low_N_per_s=3e5, rate_high_N_per_s=3e5,
        noise_N=100.0, pulse_least_s=0.008, pulse_dead_s=0.005, rate_low_u=0.02, rate_high_u=0.02,
    )  # fmt: skip
    small, large, above = can_hold(measured, [5e3, 80e3, 200e3], 170e3, 68.0)
    assert not small.holds
    assert small.sentence.startswith("Cannot hold 5 kN")
    assert large.holds
    assert large.sentence.startswith("Can hold 80 kN")
    assert not above.holds
    assert "capacity" in above.sentence


def test_a_setpoint_on_a_wide_code_is_refused_and_the_external_converter_advised() -> None:
    measured = Characteristics(
        rate_low_N_per_s=1e4,
        rate_high_N_per_s=1e4,
        jitter_s=0.001,
        noise_N=20.0,
        pulse_least_s=0.002,
        pulse_dead_s=0.001,
    )
    wide = wide_code_forces_N(lambda counts: (counts - 6554) * 4.0, 16)
    assert len(wide) == 4
    assert wide_code_forces_N(float, 1) == []
    (on,) = can_hold(measured, [wide[0]], 200e3, 400.0, wide)
    (beside,) = can_hold(measured, [wide[0] + 8e3], 200e3, 400.0, wide)
    assert not on.holds
    assert "external 16-bit converter" in on.sentence
    assert beside.holds
