"""Measured figures against true ones: inside, outside, wrong in silence, unknown."""

from __future__ import annotations

import pytest
from plant_setup import press_of

from steadyram.virtual.commissioning_check import check_measured, count_verdicts
from steadyram.virtual.drawn_press import true_figures

PRESS = press_of(valve__warm_up="50 %", valve__slew="10 ms", valve__overlap="20 %", valve__pull_in=0.7)
TRUE = true_figures(PRESS)
RIGHT = {
    "open_lag_us": round(1e6 * TRUE.open_lag_s),
    "close_lag_us": round(1e6 * TRUE.close_lag_s),
    "lag_u_us": 500,
    "rate_low_n_s": round(TRUE.rate_low_N_per_s),
    "rate_low_u_ppt": 20,
    "rate_high_n_s": round(TRUE.rate_high_N_per_s),
    "rate_high_u_ppt": 20,
    "rate_slow_n_s": round(TRUE.rate_slow_N_per_s),
    "rate_slow_u_ppt": 20,
    "changeover_n": round(TRUE.changeover_N),
    "pulse_least_us": round(1e6 * TRUE.pulse_least_s),
    "pulse_dead_us": round(1e6 * TRUE.pulse_dead_s),
}


def verdicts(**changes: int) -> dict[str, str]:
    return {each.name: each.verdict for each in check_measured(PRESS, RIGHT | changes)}


def test_the_truth_is_inside() -> None:
    assert set(verdicts().values()) == {"inside"}
    assert len(verdicts()) == 8


@pytest.mark.parametrize(
    ("factor", "verdict"), [(1.015, "inside"), (1.05, "outside"), (1.2, "wrong"), (0.5, "wrong")]
)
def test_a_rate_is_held_against_its_stated_uncertainty(factor: float, verdict: str) -> None:
    assert verdicts(rate_high_n_s=round(factor * TRUE.rate_high_N_per_s))["rate_high"] == verdict


def test_a_lag_of_cold_oil_is_inside_and_one_beyond_it_is_not() -> None:
    cold = true_figures(PRESS, 1.5).open_lag_s
    assert cold == pytest.approx(TRUE.open_lag_s + 0.015)
    assert verdicts(open_lag_us=round(1e6 * cold))["open_lag"] == "inside"
    assert verdicts(open_lag_us=round(1e6 * cold + 3000))["open_lag"] == "outside"
    assert verdicts(open_lag_us=round(1e6 * TRUE.open_lag_s - 9000))["open_lag"] == "wrong"


def test_what_was_not_found_is_unknown() -> None:
    found = verdicts(rate_low_n_s=0, changeover_n=0, pulse_least_us=-1, pulse_dead_us=-1_000_000)
    assert [found[k] for k in ("rate_low", "changeover", "pulse_least", "pulse_dead")] == ["unknown"] * 4


def test_a_changeover_that_is_not_there_is_wrong() -> None:
    single = press_of(pump__changeover=None, pump__flow_high_stage=None)
    found = {each.name: each.verdict for each in check_measured(single, RIGHT)}
    assert found["changeover"] == "wrong"


def test_verdicts_are_counted_by_figure() -> None:
    counted = count_verdicts(
        [check_measured(PRESS, RIGHT), check_measured(PRESS, RIGHT | {"rate_low_n_s": 1})]
    )
    assert counted["rate_low"] == {"inside": 1, "outside": 0, "wrong": 1, "unknown": 0}
    assert counted["open_lag"]["inside"] == 2
