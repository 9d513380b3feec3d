"""A small part of the coverage study, and the committed figures of the whole."""

import json
from pathlib import Path

from tests.campaign.calibration_coverage import campaign

RESULTS = Path(__file__).parent / "calibration_coverage.json"


def test_a_small_part_covers():
    found = campaign(60, 1)
    # 60 presses: the standard error of the coverage is some two per cent.
    assert found["coverage"] >= 0.90
    assert 0.5 <= found["excess_of_scaled_uncertainty"] <= 2.0
    assert found["monte_carlo_disagrees"] <= 0.05 * found["monte_carlo_levels"]


def test_committed_figures_meet_the_requirement():
    told = json.loads(RESULTS.read_text())
    assert told["runs"] >= 1000
    assert told["coverage"] >= 0.93
    assert told["excess_of_scaled_uncertainty"] <= 2.0
    assert all(part["excess"] <= 2.0 and part["coverage"] >= 0.93 for part in told["by_part_of_range"])
