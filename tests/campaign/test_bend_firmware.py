"""A small part of the bending campaign with the whole firmware."""

from tests.campaign.bend_firmware import SHEETS, TOLERANCE_DEG, coils, limit_deg


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
