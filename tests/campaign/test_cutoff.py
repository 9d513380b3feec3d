"""A small part of the cutoff campaign, and the causes that it tells."""

from __future__ import annotations

import pytest
from tests.campaign import cutoff

from steadyram.press.limits import limit_sigma_N
from steadyram.virtual.bench import bench_press


def test_a_valve_that_closes_later_than_it_opens_is_landed_all_the_same() -> None:
    # The shortest pulse lets through 16 ms of full flow, three times the band: what a feed leaves must be room for it.
    scores = bench_press(
        cutoff.PRESSES / "slowclose-20.toml",
        seed=11,
        kinds=["clinch"],
        setpoints=3,
        cycles=20,
        threshold_cycles=3,
    )
    for each in scores[1:]:
        # (Sixteen parts tell 95 % of them coarsely; seen: 1.4 to 2.3 bands from seed to seed, all of it short of the
        # setpoint. Attainable: 0.7.)
        assert each.p95_abs_error_N < 2.5 * each.band_N
        assert each.overshoot_N < each.band_N
        assert each.first_over_N <= each.first_allowed_N


@pytest.mark.parametrize(
    ("kind", "setpoint_kN", "why"),
    [
        ("clinch", 15.0, cutoff.PLATEAU),
        ("clinch", 20.0, cutoff.KNEE),
        ("dead-stop", 20.0, cutoff.PULSE),
    ],
)
def test_causes_are_told_from_the_press_file(kind: str, setpoint_kN: float, why: str) -> None:
    press = cutoff.model_of("slowclose-20", kind)
    force = 1000.0 * setpoint_kN
    assert cutoff.reason(press, kind, force, limit_sigma_N(press, force)) == why


def test_a_knee_that_some_parts_have_below_the_setpoint_is_told() -> None:
    # 80 kN, 4 % apart from part to part: one part in five has it below 77.6 kN.
    press = cutoff.model_of("die-20", "press-fit")
    assert cutoff.reason(press, "press-fit", 77_600.0, limit_sigma_N(press, 77_600.0)) == cutoff.KNEE
    assert cutoff.reason(press, "press-fit", 60_000.0, limit_sigma_N(press, 60_000.0)) == cutoff.OTHER
