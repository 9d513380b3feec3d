"""Presses drawn at random: the same seed the same press, every key on, figures that follow from the press."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from plant_setup import press_of, pulse, run
from test_plant_kind import UNKIND

from steadyram.cli import main
from steadyram.press.pressfile import build_press, read_press
from steadyram.virtual.bench_presses import DrawnJob, DrawnResult, press_of_seed, summary
from steadyram.virtual.drawn_press import draw_setpoint_N, to_toml, true_figures
from steadyram.virtual.plant import Plant
from steadyram.virtual.work import Part


def test_a_seed_gives_its_press_and_another_seed_another_one() -> None:
    assert press_of_seed(5) == press_of_seed(5)
    assert press_of_seed(5) != press_of_seed(6)


def test_every_drawn_press_can_be_built_and_is_unkind() -> None:
    off_by_draw = {"adc.wide_codes", "transducer.line_drop"}
    capacities = []
    for seed in range(1000, 1150):
        tables = press_of_seed(seed)
        model = build_press(tables, "drawn")
        capacities.append(model.capacity_N)
        for table, keys in UNKIND.items():
            for key in set(keys) - {k for k in keys if f"{table}.{k}" in off_by_draw}:
                assert key in tables[table], f"{table}.{key}"
        assert 0.003 * 0.9 < model.cylinder.seal_friction / model.capacity_N < 0.045
        assert model.transducer.range >= 1.1 * model.pump.relief
    # Log-uniform from 4 to 60 short tons: the median is their geometric mean.
    assert np.median(capacities) == pytest.approx(math.sqrt(4 * 60) * 8896, rel=0.35)
    assert min(capacities) < 6 * 8896
    assert max(capacities) > 45 * 8896


def test_a_written_press_file_reads_as_the_drawn_press(tmp_path: Path) -> None:
    main(["bench", "presses", "--draw", "3", "--seed", "70", "--files", str(tmp_path)])
    for seed in (70, 71, 72):
        tables = press_of_seed(seed)
        assert read_press(tmp_path / f"drawn-{seed}.toml") == build_press(tables, "drawn")
        assert (tmp_path / f"drawn-{seed}.toml").read_text() == to_toml(tables)


def test_setpoints_lie_between_the_smallest_and_85_per_cent() -> None:
    rng = np.random.default_rng(1)
    drawn = [draw_setpoint_N(rng, 5e3, 1e5) for _ in range(400)]
    assert 5e3 <= min(drawn) <= max(drawn) <= 0.85e5
    assert np.median(drawn) == pytest.approx(math.sqrt(5e3 * 0.85e5), rel=0.15)


@pytest.mark.parametrize("slew", ["0 ms", "12 ms"])
def test_true_lags_and_pulses_are_those_of_the_plant(slew: str) -> None:
    model = press_of(valve__slew=slew, valve__overlap="20 %", valve__pull_in=0.7)
    true = true_figures(model)
    plant = Plant(model)
    plant.load_part(Part((), 150e6, 0.12))
    # What flows once the ram moves, beyond the oil that fills the dead band.
    plant.command(True, False, False)
    run(plant, 0.2)
    flow = model.pump.flow_m3_s(0.0)
    fed = plant.u + plant.dead_band - plant.deficit
    assert fed == pytest.approx(flow * (0.2 - true.open_lag_s), rel=1e-9)
    plant.command(False, False, False)
    run(plant, 0.2)
    assert plant.u - (fed - plant.dead_band + plant.deficit) == pytest.approx(
        flow * true.close_lag_s, rel=1e-9
    )
    least = math.ceil(1000 * true.pulse_least_s - 1e-9)
    assert pulse(plant, least - 1) == 0.0
    assert pulse(plant, least + 1) > 0.0
    assert pulse(plant, 60) == pytest.approx(flow * (0.060 - true.pulse_dead_s), rel=1e-9)


def test_true_rates_are_those_of_a_block_without_give() -> None:
    model = press_of(work__gap="1 mm")
    true = true_figures(model)
    plant = Plant(model)
    plant.load_part(Part((), 1e11, 0.001))
    plant.command(True, False, False)
    while plant.force_N <= 0.0:
        plant.step()
    for rate, until in ((true.rate_low_N_per_s, true.changeover_N - 3000), (true.rate_high_N_per_s, 1e5)):
        if plant.force_N > until:
            raise AssertionError("the stage was passed")
        begin = plant.force_N
        run(plant, 0.005)
        assert (plant.force_N - begin) / 0.005 == pytest.approx(rate, rel=3e-3)
        while plant.force_N <= true.changeover_N:
            plant.step()


def job(**changes: object) -> DrawnJob:
    figures = {
        "kind": "clinch", "setpoint_N": 1e4, "capacity_share": 0.1, "limit_sigma_N": 50.0, "attainable_p95_N": 80.0,
        "over_attainable": 1.25, "band_N": 150.0,
        "p95_abs_error_N": 100.0, "mean_error_N": 0.0, "first_over_N": 0.0, "first_allowed_N": 200.0,
        "overshoot_N": 1.0, "threshold_overshoot_N": 900.0, "added_s": 0.1, "cycles": 30, "scrapped": 0,
        "pulses_mean": 1.0, "pulses_most": 3, "first_pulses": 9, "faults": {}, "stops": {}, "missed": (),
        "errors": (),
    }  # fmt: skip
    return DrawnJob(**(figures | changes))  # type: ignore[arg-type]


def test_the_summary_counts_jobs_by_cause() -> None:
    results = [
        DrawnResult(1, 1e5, 1e3, jobs=[job(), job(missed=("fault", "p95"), faults={"no-rise": 3})]),
        DrawnResult(2, 1e5, 1e3, refused="commissioning: no clear rise"),
        DrawnResult(3, 1e5, 1e3, jobs=[job(missed=("p95", "scrap"), scrapped=2, first_over_N=300.0)]),
    ]
    counted = summary(results)
    assert counted["presses_refused"] == 1
    assert (counted["jobs"], counted["jobs_reach_every_bar"]) == (3, 1)
    assert counted["missed"] == {"p95": 2, "fault": 1, "scrap": 1}
    assert counted["first_cause"] == {"fault": 1, "p95": 1}
    assert counted["faults"] == {"no-rise": 3}
    assert counted["over_attainable_median"] == 1.25
    assert (counted["parts"], counted["parts_scrapped"], counted["first_parts_over"]) == (90, 2, 1)


def test_the_bench_runs_a_drawn_press_and_obeys_its_schema(capsys: pytest.CaptureFixture[str]) -> None:
    from jsonschema import Draft202012Validator

    main(
        [
            "bench",
            "presses",
            "--draw",
            "1",
            "--seed",
            "6",
            "--jobs",
            "1",
            "--cycles",
            "6",
            "--workers",
            "1",
            "--json",
        ]
    )
    found = json.loads(capsys.readouterr().out)
    path = Path(__file__).parents[3] / "protocol" / "schemas" / "bench-presses.schema.json"
    Draft202012Validator(json.loads(path.read_text())).validate(found)
    (press,) = found["presses"]
    assert press["seed"] == 6
    assert press["refused"] or len(press["jobs"]) == 1
