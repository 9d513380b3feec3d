"""The benchmark of a million cycles, with fewer: all ways give one answer, and the batch page is quick."""

from __future__ import annotations

from pathlib import Path

from tests.benchmarks.store_million import run


def test_the_benchmark_runs_and_its_ways_agree(tmp_path: Path) -> None:
    # `run` itself holds the answers of csv, sqlite3, pandas and the store against one another.
    found = run(8000, tmp_path)
    assert (
        found["batch_page"]["find_the_newest_batch_s"] + found["batch_page"]["read_its_500_records_s"] < 1.0
    )
    assert found["report"]["bytes"] < 3_000_000
