"""A small part of the coverage study."""

import pytest
from tests.campaign.calibration_coverage import Chain, PlantChain, campaign


@pytest.mark.parametrize("kind", [Chain, PlantChain])
def test_a_small_part_covers(kind):
    found = campaign(40, 1, chain_kind=kind)
    # 40 presses: the standard error of the coverage is some two per cent.
    assert found["coverage"] >= 0.90
    assert 0.5 <= found["excess_of_scaled_uncertainty"] <= 2.0
    # Where it is wider by more than the digits of U show; the wider is stated.
    assert found["monte_carlo_wider_by_5_percent"] <= 0.08 * found["monte_carlo_levels"]
