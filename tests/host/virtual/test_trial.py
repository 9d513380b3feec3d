"""The trial: same bytes on both runtimes, the documented keys, the bars of the cutoff on one press, refusals."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from steadyram.errors import BadInput
from steadyram.press.limits import limit_sigma_N
from steadyram.press.pressfile import read_press
from steadyram.virtual.trial import run_trial

ROOT = Path(__file__).parents[3]
PRESS = ROOT / "tests/presses/workshop-20.toml"
TONF_N = 8896.443230521


@pytest.fixture(scope="module")
def learned():
    return run_trial(PRESS, 8 * TONF_N, 14, seed=11, runtime="cpython")


def test_both_runtimes_give_the_same_document():
    pytest.importorskip("micropython_unix")
    here = run_trial(PRESS, 3 * TONF_N, 3, seed=4, runtime="cpython")
    there = run_trial(PRESS, 3 * TONF_N, 3, seed=4, runtime="micropython")
    assert there["runtime"] == "micropython"
    assert json.dumps(here | {"runtime": ""}) == json.dumps(there | {"runtime": ""})


def test_the_document_keeps_its_schema(learned):
    schema = json.loads((ROOT / "protocol/schemas/trial.schema.json").read_text())
    jsonschema.validate(learned, schema)
    assert learned["limit_sigma_N"] == limit_sigma_N(read_press(PRESS), 8 * TONF_N)


def test_learned_parts_reach_the_bars(learned):
    sigma, setpoint = learned["limit_sigma_N"], 8 * TONF_N
    errors = np.array([row["peak_N"] for row in learned["cycles"]]) - setpoint
    assert errors[0] <= max(3 * sigma, 0.02 * setpoint)
    assert np.percentile(np.abs(errors[4:]), 95) <= max(1.5 * 1.96 * sigma, 0.012 * setpoint)
    assert learned["faults"] == []
    assert all(row["stop"] == "setpoint" for row in learned["cycles"])


def test_a_plain_threshold_overshoots_far_more(learned):
    plain = run_trial(PRESS, 8 * TONF_N, 4, seed=11, cutoff="threshold", runtime="cpython")
    over = np.mean([row["peak_N"] - 8 * TONF_N for row in plain["cycles"]])
    ours = np.mean([max(0.0, row["peak_N"] - 8 * TONF_N) for row in learned["cycles"][4:]])
    assert over > 0.05 * 8 * TONF_N
    assert over > 25 * ours


def test_a_change_in_mid_batch_is_landed_again():
    found = run_trial(
        PRESS,
        8 * TONF_N,
        14,
        seed=11,
        runtime="cpython",
        changes=["work.plateau=+30%@8", "oil.bulk_modulus=-30%@8"],
    )
    sigma, setpoint = found["limit_sigma_N"], 8 * TONF_N
    errors = np.array([row["peak_N"] for row in found["cycles"]]) - setpoint
    assert errors[7:].max() <= max(0.05 * setpoint, 4 * sigma)
    assert np.abs(errors[10:]).max() <= max(1.5 * 1.96 * sigma, 0.012 * setpoint)


def test_a_fault_is_told_and_the_next_cycle_runs():
    found = run_trial(PRESS, 8 * TONF_N, 3, seed=2, runtime="cpython", faults=["sensor-open@2"])
    assert [fault["cycle"] for fault in found["faults"]] == [2]
    assert found["cycles"][2]["stop"] == "setpoint"


def test_below_the_smallest_holdable_setpoint_is_warned_of():
    told: list[str] = []
    found = run_trial(PRESS, 1 * TONF_N, 1, seed=1, runtime="cpython", warn=told.append)
    assert found["warnings"] == told
    assert "smallest" in told[0]


@pytest.mark.parametrize("tonf", [25.0, 0.00001])
def test_a_setpoint_that_cannot_be_run_is_refused(tonf):
    with pytest.raises(BadInput, match="setpoint"):
        run_trial(PRESS, tonf * TONF_N, 1, runtime="cpython")


@pytest.mark.parametrize(
    "change", ["work.plateau", "work.plateau=+30%", "nothing.here=1 mm@2", "work.plateau=5 mm@2"]
)
def test_a_bad_change_is_refused_before_anything_runs(change):
    with pytest.raises(BadInput):
        run_trial(PRESS, 3 * TONF_N, 3, runtime="cpython", changes=[change])
