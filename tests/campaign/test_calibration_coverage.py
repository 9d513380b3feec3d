"""A small part of the coverage study, and the committed figures of the whole."""

import json
from pathlib import Path

import pytest
from tests.campaign.calibration_coverage import Chain, PlantChain, campaign

RESULTS = Path(__file__).parent / "calibration_coverage.json"


@pytest.mark.parametrize("kind", [Chain, PlantChain])
def test_a_small_part_covers(kind):
    found = campaign(40, 1, chain_kind=kind)
    # 40 presses: the standard error of the coverage is some two per cent.
    assert found["coverage"] >= 0.90
    assert 0.5 <= found["excess_of_scaled_uncertainty"] <= 2.0
    assert found["monte_carlo_disagrees"] <= 0.12 * found["monte_carlo_levels"]


@pytest.mark.parametrize("model", ["own_chain", "virtual_press"])
def test_committed_figures_meet_the_requirement(model):
    told = json.loads(RESULTS.read_text())[model]
    assert told["runs"] >= 1000
    assert told["coverage"] >= 0.93
    assert told["excess_of_scaled_uncertainty"] <= 2.0
    assert all(part["excess"] <= 2.0 and part["coverage"] >= 0.93 for part in told["by_part_of_range"])
