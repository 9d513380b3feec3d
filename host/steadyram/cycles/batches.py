"""Which records make up a batch: one job's strokes on one device between two settings of its count to zero.

The count of parts never falls within a batch, and the first record after it was set to zero carries 0 or 1.
So only records that carry 0 or 1 can begin one, and an index on the count finds them among millions.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import Select, and_, func, select

from steadyram.cycles.store import CycleStore
from steadyram.cycles.store_schema import cycle
from steadyram.errors import BadInput

_LAST: Final = 2**63 - 1


@dataclass(frozen=True, slots=True)
class Batch:
    """One batch: `number` counts the job's batches on this device from 1; `last_seq` as far as is known."""

    uid: str
    job: int
    number: int
    first_seq: int
    last_seq: int


@dataclass(frozen=True, slots=True)
class BatchFacts:
    """A batch in a line: what the database can say without its records being read one by one."""

    batch: Batch
    strokes: int
    parts: int
    first_unix: int
    last_unix: int
    setpoint_low_N: float
    setpoint_high_N: float
    faults: int
    # Depths asked for; None where no stroke stopped on depth.
    target_low_m: float | None
    target_high_m: float | None


def jobs_run(store: CycleStore, uid: str) -> list[int]:
    """Slots of the jobs that a device has records of, 0 (no job) left out."""
    c = cycle.c
    found: list[int] = []
    with store.reading() as db:
        while True:
            # One seek a job instead of a pass over every record.
            after = found[-1] if found else 0
            slot = db.execute(select(func.min(c.job)).where(c.uid == uid, c.job > after)).scalar()
            if slot is None:
                return found
            found.append(int(slot))


def find_batches(store: CycleStore, uid: str, job: int) -> list[Batch]:
    """Batches of a job on a device, oldest first; none when it has no records."""
    c, earlier = cycle.c, cycle.alias("earlier")
    p = earlier.c
    # SQLite knows nothing of how many rows a key finds until it is told; left alone it reads the whole device.
    before = (
        select(p.count)
        .with_hint(earlier, "INDEXED BY cycle_by_job", "sqlite")
        .where(p.uid == c.uid, p.job == c.job, p.seq < c.seq)
        .order_by(p.seq.desc())
        .limit(1)
        .scalar_subquery()
    )
    begins = (
        select(c.seq)
        .with_hint(cycle, "INDEXED BY cycle_by_count", "sqlite")
        .where(c.uid == uid, c.job == job, c.count <= 1, before > c.count)
    )
    # One aggregate a query: each is then a single seek in the index, both together would be a pass.
    ends = [select(end(c.seq)).where(c.uid == uid, c.job == job) for end in (func.min, func.max)]
    with store.reading() as db:
        first, last = (db.execute(query).scalar() for query in ends)
        if first is None or last is None:
            return []
        starts = [int(first), *sorted(int(row[0]) for row in db.execute(begins))]
    stops = [start - 1 for start in starts[1:]] + [int(last)]
    return [
        Batch(uid, job, number, start, stop)
        for number, (start, stop) in enumerate(zip(starts, stops, strict=True), start=1)
    ]


def choose_batch(store: CycleStore, uid: str, job: int | None, number: int | None) -> Batch:
    """The batch that is meant: the newest job's, the newest one, unless told otherwise. Raises BadInput."""
    if job is None:
        job = newest_job(store, uid)
    batches = find_batches(store, uid, job)
    if not batches:
        raise BadInput(
            f"{store.path} has no records of job {job} of device {uid}; pull them or choose another."
        )
    if number is None:
        return batches[-1]
    if not 1 <= number <= len(batches):
        raise BadInput(f"Job {job} of device {uid} has batches 1 to {len(batches)}, not {number}.")
    return batches[number - 1]


def newest_job(store: CycleStore, uid: str) -> int:
    """Slot of the newest record that belongs to a job. Raises BadInput."""
    c = cycle.c
    # The sum keeps SQLite from choosing the index by job, which would have to be sorted first.
    query = select(c.job).where(c.uid == uid, c.job + 0 > 0).order_by(c.seq.desc()).limit(1)
    with store.reading() as db:
        found = db.execute(query).scalar()
    if found is None:
        raise BadInput(f"{store.path} has no records of a job of device {uid}; pull them first.")
    return int(found)


def batch_facts(store: CycleStore, batch: Batch) -> BatchFacts:
    """A batch in a line."""
    c = cycle.c
    query = select(
        func.count(),
        func.max(c.count),
        func.min(c.at_unix),
        func.max(c.at_unix),
        func.min(c.setpoint_n),
        func.max(c.setpoint_n),
        func.count().filter(c.fault > 0),
        func.min(c.target_um).filter(c.target_um > 0),
        func.max(c.target_um).filter(c.target_um > 0),
    ).where(within(batch))
    with store.reading() as db:
        strokes, parts, first, last, low, high, faults, least, most = db.execute(query).one()
    return BatchFacts(
        batch,
        strokes,
        parts or 0,
        first or 0,
        last or 0,
        float(low or 0),
        float(high or 0),
        faults,
        None if least is None else least / 1e6,
        None if most is None else most / 1e6,
    )


def seqs_between(store: CycleStore, uid: str, first: int, last: int) -> list[int]:
    """Numbers of all of a device's records from `first` to `last`, whatever their job."""
    c = cycle.c
    query: Select[Any] = select(c.seq).where(c.uid == uid, c.seq.between(first, last)).order_by(c.seq)
    with store.reading() as db:
        return [int(row[0]) for row in db.execute(query)]


def within(batch: Batch) -> Any:
    """The condition that a record of `cycle` belongs to the batch."""
    c = cycle.c
    return and_(c.uid == batch.uid, c.job == batch.job, c.seq.between(batch.first_seq, batch.last_seq))
