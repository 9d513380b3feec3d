"""The table of hazards has no gap, and a seeded part of its campaign breaks no invariant."""

import copy
import random
import sys

import pytest
from tests.campaign import hazards
from tests.campaign.hazards_inject import INJECT
from tests.campaign.provenance import ROOT

sys.path.insert(0, str(ROOT / "protocol"))
from hazards_page import check


@pytest.fixture(scope="module")
def table():
    return hazards.hazards()


def test_every_cell_has_a_row_or_a_reason_and_every_row_its_figure(table):
    assert check(table) == []
    gap = copy.deepcopy(table)
    row = next(row for row in gap["hazard"] if row.get("residual") and row["force"] > 1.1)
    del row["residual"]
    assert any("no residual" in each for each in check(gap))
    gap = copy.deepcopy(table)
    gap["hazard"] = [row for row in gap["hazard"] if row["thing"] != "transducer"]
    assert any("neither a row nor a reason" in each for each in check(gap))
    gap = copy.deepcopy(table)
    gap["hazard"][0]["figure"] = ""
    assert check(gap)


def test_what_is_not_injected_names_the_test_that_tries_it(table):
    injected = {f"{row['thing']}:{row['guide']}" for row in table["hazard"] if "test" not in row}
    assert injected == set(INJECT)
    for row in table["hazard"]:
        if "test" in row:
            assert (ROOT / row["test"]).exists(), row


@pytest.mark.slow
def test_a_seeded_part_breaks_no_invariant(table):
    allowed = hazards.figures(table)
    one = hazards.singles(2, ("workshop-20-fine",), 9)
    two = hazards.pairs(3, ("workshop-20-fine",), 8)
    many = hazards.drawn(4, 30, ("workshop-20-fine",))
    assert hazards.judged([*one, *two, *many], allowed) == []
    assert {name for row in one for name in row["faults"]} >= {"reading-still", "sensor-low"}


def test_the_oracle_sees_a_core_that_ignores_its_pedal():
    """Break it once: a feed without a pedal newly pressed, a stroke beyond its figure."""
    rig = hazards.make("workshop-20-fine", 3)
    kept = rig.core.step
    rig.core.step = lambda counts, word, place: (
        kept(counts, word, place) | (1 if 40 < rig.ms - start < 60 else 0)
    )
    start = rig.ms
    with pytest.raises(hazards.Violation, match="newly pressed"):
        rig.run(100)
    row = {
        "press": "p",
        "hazards": [],
        "phase": "rest",
        "worst": 1.2,
        "healthy": 1.0,
        "violation": "",
        "strokes": 1,
    }
    assert hazards.judged([row], {})[0]["violation"].startswith("3:")


def test_a_blocked_port_in_a_learned_job_stays_within_its_figure(table):
    figure = hazards.figures(table)["transducer:stuck mid-value"]
    rig = hazards.make("workshop-20", 6)
    for phase in hazards.PHASES:
        row = hazards.strokes(rig, ["transducer:stuck mid-value"], phase, random.Random(2))
        assert row["worst"] <= figure, (phase, row)
        assert not row["violation"]
