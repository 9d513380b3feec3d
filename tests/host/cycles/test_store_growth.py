"""How many bytes a record takes in a store: what the page on records says."""

from __future__ import annotations

from pathlib import Path
from random import Random

import pytest
from tests.host.cycles.samples import identity, record

from steadyram.cycles.store import CycleStore
from steadyram.link.records import Trace, TravelTrace

POINTS, CHUNK = 256, 50


def points(source: Random) -> tuple[int, ...]:
    return tuple(min(65535, 20_000 * i // POINTS + source.randrange(40)) for i in range(POINTS))


def size_after(path: Path, first: int, last: int, what: str) -> int:
    """Bytes of a store after records from `first` to before `last` were added."""
    source = Random(first)
    with CycleStore(path) as store:
        for start in range(first, last, CHUNK):
            seqs = range(start, start + CHUNK)
            store.add_cycles(identity("p1"), [record(seq) for seq in seqs], 7)
            if what != "records":
                store.add_traces("p1", [(seq, Trace(seq, 0.004, 1.0, points(source))) for seq in seqs])
            if what == "travel":
                store.add_travels(
                    "p1", [(seq, TravelTrace(seq, 0.004, 1e-6, points(source))) for seq in seqs]
                )
    return path.stat().st_size


@pytest.mark.parametrize(("what", "bytes_each"), [("records", 180), ("traces", 760), ("travel", 1350)])
def test_a_record_takes_as_many_bytes_as_the_page_says(tmp_path: Path, what: str, bytes_each: int) -> None:
    began = size_after(tmp_path / "c.db", 1, 101, what)
    grown = (size_after(tmp_path / "c.db", 101, 401, what) - began) / 300
    assert grown == pytest.approx(bytes_each, rel=0.15)
