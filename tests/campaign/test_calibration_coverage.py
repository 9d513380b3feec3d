"""A small part of the coverage study."""

import pytest
from tests.campaign.calibration_coverage import Chain, PlantChain, campaign


@pytest.mark.parametrize("kind", [Chain, PlantChain])
def test_a_small_part_covers(kind):
    found = campaign(40, 1, chain_kind=kind)
    # 40 presses: the standard error of the coverage is some two per cent.
    assert found["coverage"] >= 0.90
    assert 0.5 <= found["excess_of_scaled_uncertainty"] <= 2.0
    assert found["monte_carlo_disagrees"] <= 0.12 * found["monte_carlo_levels"]
