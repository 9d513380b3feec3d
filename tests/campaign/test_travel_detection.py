"""A small part of the travel campaign."""

import numpy as np
import pytest
from tests.campaign.travel_detection import TRIED, TUNED, tally
from tests.campaign.travel_sim import TravelShift, in_series, shift

from steadyram.cycles.travel_signature import TravelStroke, travel_signature
from steadyram.virtual.work import Part


def test_two_parts_in_series_give_way_one_after_the_other():
    one = Part(((1e-3, 1000.0), (5e-3, 1100.0)), 1e6, 0.0)
    two = Part(((1e-3, 2000.0), (5e-3, 2200.0)), 1e6, 0.0)
    # At 2000 N the first has gone 5 mm and 900 N more at 1 kN/mm, the second 1 mm.
    expected = [(1.5e-3, 1000.0), (5.55e-3, 1100.0), (6.9e-3, 2000.0), (11.1e-3, 2200.0)]
    assert np.array(in_series(one, two)) == pytest.approx(np.array(expected))


def test_contact_is_read_where_the_part_is():
    made = TravelShift(TRIED[1], 201)
    samples = [made.cycle("good") for _ in range(8)]
    off = [
        travel_signature(TravelStroke(each.stroke, each.travel_m, each.lag_s, each.contact_m)).contact_m
        - each.gap_m
        for each in samples[1:]
    ]
    # Its scatter counts; what all of them are off by is learned with the job.
    assert np.std(off) < 15e-6
    assert abs(np.mean(off)) < 60e-6


def test_a_small_part_tells_apart():
    found = tally(shift(TRIED[1], 202, learn=16, mixed=50, spell=0))
    assert found.simulated == 66
    rates = found.rates("travel", [False])
    assert rates["missed"]["of"] >= 5
    # The same strokes judged by force against time alone: never fewer missed or falsely called.
    assert found.rates("time", [False])["missed"]["count"] >= rates["missed"]["count"]
    # Limits that only a broken judgement passes.
    assert rates["missed"]["count"] <= 1
    assert rates["false_alarms"]["count"] <= 2


def test_presses_tried_are_not_those_tuned_on():
    assert not {line.name for line in TUNED} & {line.name for line in TRIED}
