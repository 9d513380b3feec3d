"""Every change that bears on a batch is shown: during it, and before it since the batch before or the installation."""

from __future__ import annotations

from pathlib import Path

import pytest
from tests.host.cycles.test_cycles_pull import connect, ready_bench
from tests.host.device.test_device_sets import job

from steadyram.config import Preferences
from steadyram.cycles.pull import pull
from steadyram.cycles.store import CycleStore
from steadyram.link.records import Change, CycleRecord
from steadyram.report.changes import change_history
from steadyram.report.gather import change_gaps, gather
from steadyram.report.page import render

HOSTILE = "<script>x</script>"


def record(seq: int, boot: int, at_ms: int) -> CycleRecord:
    """A record of which only number and time matter."""
    return CycleRecord({"seq": seq, "boot": boot, "at_ms": at_ms})


def change(seq: int, boot: int, at_ms: int, what: str = "x") -> Change:
    return Change(seq, {"boot": str(boot), "at_ms": str(at_ms), "what": what})


CHANGES = [change(1, 1, 10), change(2, 1, 500), change(3, 2, 5), change(4, 2, 150), change(5, 2, 900)]


def test_from_the_batch_before_to_the_end() -> None:
    records = [record(8, 2, 100), record(9, 2, 200)]
    found = change_history(CHANGES, records, record(7, 1, 400))
    assert [c.seq for c in found.before] == [2, 3]
    assert [c.seq for c in found.during] == [4]
    assert (found.since_seq, found.since, found.missing) == (7, "record 7", ())


def test_without_a_batch_before_everything_since_the_installation() -> None:
    found = change_history(CHANGES, [record(8, 2, 100)], None)
    assert [c.seq for c in found.all] == [1, 2, 3]
    assert found.since_seq == 0


@pytest.mark.parametrize(
    ("kept", "previous", "missing"),
    [
        ([3, 4], None, ((1, 2),)),
        ([1, 4], None, ((2, 3),)),
        # When the lost one was made is not known: it may belong here.
        ([2, 3, 4], record(7, 1, 400), ((1, 1),)),
        ([1, 4], record(7, 1, 400), ((2, 3),)),
        ([5], None, ()),
    ],
)
def test_changes_that_the_store_lacks_are_gaps(
    kept: list[int], previous: CycleRecord | None, missing: tuple[tuple[int, int], ...]
) -> None:
    found = change_history([c for c in CHANGES if c.seq in kept], [record(9, 2, 200)], previous)
    assert found.missing == missing
    assert len(change_gaps(found)) == len(missing)


def test_a_report_shows_what_was_changed_before_its_first_stroke(tmp_path: Path) -> None:
    bench = ready_bench(tmp_path / "flash")
    device = connect(bench, 2)
    device.push_jobs([job(1, "small nut"), job(2, HOSTILE)])
    for _ in range(3):
        bench.stroke(9000)
    device.use_job(2)
    device.push_jobs([job(1, "small nut", dwell_ms=700), job(2, HOSTILE)])
    for _ in range(2):
        bench.stroke(9000)
    with CycleStore(tmp_path / "c.db") as store:
        pull(connect(bench, 3), store)
        later = gather(store, "b3nch001", first=4)
        whole = gather(store, "b3nch001")
    said = {c.fields["what"]: (c.fields["from"], c.fields["to"]) for c in later.changes.before}
    assert said["active"] == ("1", "2")
    assert said["jobs.1.dwell_ms"][1] == "700"
    assert later.changes.since == "record 3"
    # The installation is before record 3, and shown where the report begins with the first record.
    assert not any(c.fields["what"].startswith("calibration") for c in later.changes.all)
    assert any(c.fields["what"].startswith("settings") for c in whole.changes.before)
    assert any(c.fields["what"] == "jobs.2.name" for c in whole.changes.before)
    assert [c.seq for c in whole.changes.all] == list(range(1, len(whole.changes.all) + 1))
    page = render(whole, Preferences(), made_unix=1)
    # A push is one row, with its keys in it.
    pushed = [run for run in whole.changes.runs if run.place == "before"]
    assert 1 < len(pushed) < len(whole.changes.before) == sum(len(run.changes) for run in pushed)
    assert page.count("before record 1</td>") == len(pushed)
    assert "from the board's first entry" in page or "from the board&#39;s first entry" in page
    assert HOSTILE not in page
