"""A small part of the bending campaign with the whole firmware, and the committed figures of all of it."""

import json
from pathlib import Path

from tests.campaign.bend_firmware import SHEETS, TOLERANCE_DEG, coils, limit_deg, summary

RESULTS = Path(__file__).parent / "bend_firmware.json"


def test_one_coil_comes_right_on_its_third_part():
    (row,) = coils("high-strength-low-alloy", 1, 11)
    assert len(row["errors_deg"]) == 3
    first, _, third = map(abs, row["errors_deg"])
    assert third <= TOLERANCE_DEG
    # The plan alone does not do it, and never by bending too far.
    assert first > 4 * TOLERANCE_DEG
    assert row["errors_deg"][0] < 0


def test_the_stop_can_hold_these_sheets():
    for sheet in SHEETS:
        assert 1.96 * limit_deg("aluminium-6061-t6", sheet) < TOLERANCE_DEG / 5


def test_committed_figures_meet_the_requirement():
    told = json.loads(RESULTS.read_text(encoding="utf-8"))
    assert len(told["materials"]) >= 6
    for metal in told["materials"]:
        assert metal["coils"] >= 8
        # What is told of a metal is what its rows say.
        assert {key: metal[key] for key in ("coils", "third_within", "third_worst_deg")} == {
            key: value
            for key, value in summary(metal["rows"]).items()
            if key in ("coils", "third_within", "third_worst_deg")
        }
        assert metal["third_within"] == 1.0, metal["material"]
        assert metal["third_worst_deg"] <= TOLERANCE_DEG
        strengths = [strength for row in metal["rows"] for strength in row["strengths"]]
        # The coils really differ, and parts of one coil too.
        assert max(strengths) - min(strengths) > 0.1
        assert all(max(row["strengths"]) > min(row["strengths"]) for row in metal["rows"])
    assert told["all"]["first_mean_deg"] < -1.0
    assert told["provenance"]["core"]
