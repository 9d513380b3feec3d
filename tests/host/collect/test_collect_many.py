"""The campaign of four presses, shortened: real PostgreSQL, real mosquitto, real processes, every cycle once."""

from __future__ import annotations

from pathlib import Path

import pytest
from tests.campaign.collect_many import PRESSES, run
from tests.host.cycles.real_servers import mosquitto_missing, postgres_missing


@pytest.mark.slow
def test_every_cycle_once_though_a_press_is_killed_and_the_database_restarted(tmp_path: Path) -> None:
    if postgres_missing() or mosquitto_missing():
        pytest.skip(postgres_missing() or mosquitto_missing())
    result = run(12.0, tmp_path)
    assert [row["press"] for row in result["presses"]] == list(PRESSES)
    for row in result["presses"]:
        assert row["cycles_on_device"] >= 2
        assert row["cycles_in_store"] == row["cycles_on_device"]
        assert (row["missing"], row["unknown_to_device"], row["differing"]) == ([], [], [])
        assert (row["not_at_broker"], row["traces_missing"]) == ([], 0)
    assert result["live_messages"] > 20
    assert result["up_by_metrics"] == sorted(row["uid"] for row in result["presses"])
    said = "\n".join(result["collector_said"])
    assert "went away" in said
    assert "cannot be used" in said
