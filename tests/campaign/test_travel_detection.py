"""A small part of the travel campaign, and the committed figures of the whole."""

import json
from pathlib import Path

import numpy as np
import pytest
from tests.campaign.detection import wilson
from tests.campaign.provenance import digest_of
from tests.campaign.travel_detection import JUDGES, KINDS, METHODS, PARTS, SAID, TRIED, TUNED, tally
from tests.campaign.travel_sim import TravelShift, in_series, shift

from steadyram.cycles.travel_signature import TravelStroke, travel_signature
from steadyram.virtual.work import Part

RESULTS = Path(__file__).parent / "travel_detection.json"


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
    # Limits that only a broken judgement passes.
    assert rates["missed"]["count"] <= 1
    assert rates["false_alarms"]["count"] <= 2


def test_committed_figures_are_of_presses_kept_apart():
    assert not {line.name for line in TUNED} & {line.name for line in TRIED}
    told = json.loads(RESULTS.read_text(encoding="utf-8"))
    assert told["judges"] == digest_of(*JUDGES), "what judges has changed: run the travel campaign again"
    tried = told["tried"]
    assert set(tried["by_press"]) == {line.name for line in TRIED}
    assert tried["cycles_judged"] >= 1500
    for method in METHODS:
        counted = 0
        for press in ("sound", "drifting"):
            part = tried[method][press]
            table = part["confusion"]
            assert list(table) == list(KINDS)
            counted += sum(sum(row.values()) for row in table.values())
            missed = sum(table[kind]["good"] + table[kind]["not judged"] for kind in PARTS)
            assert part["missed"]["count"] == missed
            assert part["missed"]["of"] == sum(sum(table[kind].values()) for kind in PARTS)
            loud = sum(table["good"][said] for said in SAID if said not in ("good", "not judged"))
            assert part["false_alarms"]["count"] == loud
            low, high = wilson(loud, part["false_alarms"]["of"])
            assert part["false_alarms"]["interval_95"] == [round(low, 4), round(high, 4)]
        assert counted == tried["cycles_judged"]


def test_committed_figures_are_better_than_force_against_time():
    tried = json.loads(RESULTS.read_text(encoding="utf-8"))["tried"]
    time, travel = tried["time"]["all"], tried["travel"]["all"]
    # Both of the same parts; apart by more than chance.
    assert travel["missed"]["interval_95"][1] < time["missed"]["interval_95"][0]
    assert travel["rightly_named"]["interval_95"][0] > time["rightly_named"]["interval_95"][1]
    for kind in PARTS:
        assert travel["by_kind"][kind]["missed"]["share"] <= time["by_kind"][kind]["missed"]["share"]
