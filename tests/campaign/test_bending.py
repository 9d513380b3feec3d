"""A small part of the bending study."""

import numpy as np
import pytest
from tests.campaign.bending import CELLS, TOLERANCE_DEG, errors_deg, figures, limit_deg


@pytest.mark.parametrize("name", ["mild-steel", "aluminium-6061-t6"])
def test_a_small_part_comes_right(name):
    cell = CELLS[3]
    errors = np.array([errors_deg(name, cell, seed, anew=False, strokes_most=1) for seed in range(8)])
    found = figures(errors)
    # Eight coils: seven inside, none far out, and the first part of none overbent by more than the tolerance.
    assert found["third_within"] >= 7 / 8
    assert found["third_worst_deg"] < 2 * TOLERANCE_DEG
    assert errors[:, 0].max() < TOLERANCE_DEG
    assert np.sqrt((errors[:, 2] ** 2).mean()) < np.sqrt((errors[:, 0] ** 2).mean()) / 5


def test_runs_come_again_to_the_last_digit():
    twice = [errors_deg("mild-steel", CELLS[2], 3, anew=True, strokes_most=3) for _ in range(2)]
    assert twice[0] == twice[1]


def test_limit_is_the_stop_alone():
    fine, coarse = (limit_deg("mild-steel", (1e-3, 8e-3, sigma)) for sigma in (5e-6, 15e-6))
    assert coarse == pytest.approx(3 * fine)
    assert 1.96 * fine < TOLERANCE_DEG < 1.96 * coarse
