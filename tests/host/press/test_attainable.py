"""The attainable limit against cases that have a closed form, and how it follows the press.

Closed forms: one closing at a rate k Q/A lands with a normal error of the closing's jitter, with the uniform phase of
a 1 ms step: 1.96 standard deviations hold 95 %. Where no pulse can be shorter than a good part of the approach, the
last pulse decides alone, by the jitter of its two edges.
"""

from __future__ import annotations

import json
import math
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from steadyram.cli import main
from steadyram.press.attainable import _Curves, attainable, attainable_p95_N
from steadyram.press.limits import limit_sigma_N, rise_rate_N_s
from steadyram.press.pressfile import PressFile, build_press
from steadyram.virtual.default_press import default_press
from steadyram.virtual.plant import Plant

FORCE_N = 30_000.0
PLAIN: dict[str, Any] = {
    "work.kind": "dead-stop",
    "work.scatter": "0 %",
    "transducer.noise": "0 %",
    "transducer.zero_wander": "0 %",
    "cylinder.friction_scatter": "0 %",
    "adc.bits": 16,
    "pump.changeover": None,
    "pump.flow_high_stage": "1.5 L/min",
    "pump.flow_low_stage": "1.5 L/min",
    "valve.slow_feed": None,
    "valve.slew": "0 ms",
    "valve.pull_in": 0.0,
    "transducer.line_frequency": None,
}


def press_of(**changes: Any) -> PressFile:
    tables = tomllib.loads(default_press().read_text())
    for key, value in {**PLAIN, **{k.replace("__", "."): v for k, v in changes.items()}}.items():
        table, name = key.split(".")
        if value is None:
            tables[table].pop(name, None)
        else:
            tables[table][name] = value
    return build_press(tables, "test")


def test_one_closing_lands_within_196_sigma() -> None:
    press = press_of()
    found = attainable(press, FORCE_N, budget_s=0.0, parts=8000)
    assert found is not None
    assert found.pulses == 0
    # The phase of the step is uniform, so a little less than a normal error of the same deviation.
    assert found.p95_N == pytest.approx(1.96 * limit_sigma_N(press, FORCE_N), rel=0.04)
    assert abs(found.mean_error_N) < 0.2 * limit_sigma_N(press, FORCE_N)


def test_one_closing_scales_with_jitter() -> None:
    found = [attainable(press_of(valve__jitter=f"{j} ms"), FORCE_N, budget_s=0.0) for j in (1, 2)]
    assert found[0] is not None
    assert found[1] is not None
    expected = math.sqrt((2 * 4 + 1 / 12) / (2 * 1 + 1 / 12))
    assert found[1].p95_N / found[0].p95_N == pytest.approx(expected, rel=0.06)


def test_many_pulses_without_a_time_limit_land_within_the_last_ones_jitter() -> None:
    # The valve closes 12 ms later than it opens: every pulse lets in 13 ms of flow or more, each edge has its jitter.
    press = press_of(valve__open_delay="25 ms", valve__close_delay="37 ms", valve__jitter="0.7 ms")
    found = attainable(press, FORCE_N, budget_s=60.0, parts=6000)
    assert found is not None
    last = 1.96 * rise_rate_N_s(press, FORCE_N) * 2 * 0.7e-3
    once = 1.96 * limit_sigma_N(press, FORCE_N)
    assert found.p95_N <= min(last, once) * 1.05
    assert found.p95_N > 0.5 * min(last, once)


def test_short_pulses_and_time_beat_one_closing() -> None:
    press = press_of(valve__open_delay="37 ms", valve__close_delay="25 ms")
    figures = [attainable(press, FORCE_N, budget_s=b) for b in (0.0, 0.25, 3.0)]
    p95 = [each.p95_N for each in figures if each is not None]
    assert len(p95) == 3
    assert p95[0] > 1.2 * p95[1]
    assert p95[1] >= 0.98 * p95[2]


def test_friction_and_zero_of_the_stroke_stay_in_the_error() -> None:
    press = press_of(cylinder__friction_scatter="20 %", cylinder__seal_friction="3 kN", valve__jitter="0.1 ms",
                     pump__flow_low_stage="0.2 L/min", pump__flow_high_stage="0.2 L/min")  # fmt: skip
    found = attainable(press, FORCE_N, parts=8000)
    assert found is not None
    assert found.p95_N == pytest.approx(1.96 * 600, rel=0.05)


def test_a_slow_feed_lands_closer() -> None:
    without = attainable(press_of(), FORCE_N)
    with_slow = attainable(press_of(valve__slow_feed="0.15 L/min"), FORCE_N)
    assert without is not None
    assert with_slow is not None
    assert with_slow.p95_N < 0.4 * without.p95_N
    assert "slow feed" in with_slow.policy


@pytest.mark.parametrize("kind", ["clinch", "dimple", "press-fit", "dead-stop"])
def test_the_curves_are_those_of_the_plant(kind: str) -> None:
    press = press_of(work__kind=kind)
    plant = Plant(press)
    curves = _Curves(press, np.array([press.work.plateau]), np.array([press.work.travel]))
    plant.load_part(plant.part)
    for force in (500.0, 5e3, 14e3, 15.5e3, 2e4, 6e4):
        oil = plant._virgin_u(force) - plant.u_contact
        assert float(curves.oil(np.array([force]))[0]) == pytest.approx(oil, rel=1e-6, abs=1e-12)
        assert float(curves.force(np.array([oil]))[0]) == pytest.approx(force, rel=1e-6, abs=2.0)


def test_what_the_oracle_does_not_know_is_unknown() -> None:
    bursts = press_of(pump__strokes="12 /min", pump__stroke_volume="2 mL", pump__flow_low_stage=None,
                      pump__flow_high_stage=None)  # fmt: skip
    assert attainable_p95_N(bursts, FORCE_N) is None


def test_the_same_case_gives_the_same_figure() -> None:
    press = press_of(work__kind="clinch", work__scatter="4 %")
    assert attainable(press, FORCE_N) == attainable(press, FORCE_N)


def test_size_and_trial_tell_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["size", "--press", str(default_press()), "--smallest", "30 kN", "--json"])
    sized = json.loads(capsys.readouterr().out)["attainable_p95_N"]
    main(["trial", "--press", str(default_press()), "--setpoint", "30 kN", "--cycles", "1", "--cutoff", "threshold",
          "--runtime", "cpython", "--json"])  # fmt: skip
    tried = json.loads(capsys.readouterr().out)["attainable_p95_N"]
    assert sized == tried
    assert 0 < sized < 3000
