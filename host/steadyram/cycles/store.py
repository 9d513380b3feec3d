"""The store of cycle records on the computer: each record once, in SQLite or PostgreSQL.

A record is known by (device uid, sequence number). Records arrive in transactions of one chunk each, in
rising order, so a process killed at any moment leaves whole chunks and the next pull goes on after them.
Settings, jobs and calibrations are kept by digest, so that a record can be traced to what was in force.
Any number of processes and threads may write at once; a `CycleStore` may be shared by threads.
"""

from __future__ import annotations

import json
import sys
import threading
from array import array
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Literal, Self

from sqlalchemy import Connection, Table, and_, func, insert, select, text
from sqlalchemy.dialects import postgresql, sqlite

from steadyram.cycles import store_schema as t
from steadyram.cycles.seal import cycle_content, seal_row
from steadyram.cycles.store_engine import explained, open_engine, shown, writing
from steadyram.errors import BadInput, CheckFailed
from steadyram.link.definition import definition
from steadyram.link.records import (
    CalibrationState,
    Change,
    CycleRecord,
    DeviceJob,
    Identity,
    JobsState,
    SetState,
    SettingsState,
    Trace,
    TravelTrace,
)
from steadyram.plain_file import refuse_place

_ALL: Final = 2**63 - 1
_COLUMNS: Final = frozenset(t.RECORD_COLUMNS)
# A record of older firmware may lack a field: every row has every column all the same.
_NOTHING: Final = dict.fromkeys(t.RECORD_COLUMNS)
# First number of the advisory locks that a device's records are added under; any constant does.
_DEVICE_LOCK: Final = 0x5359


@dataclass(frozen=True, slots=True)
class StoredDevice:
    """A device as it was last seen."""

    uid: str
    board: str
    fw: str
    proto: int
    seen_unix: int


@dataclass(frozen=True, slots=True)
class Snapshot:
    """A set that was in force when seen. content: fields, or for jobs a list of slot, name and fields."""

    kind: str
    digest: str
    gen: int
    seen_unix: int
    content: Any


@dataclass(frozen=True, slots=True)
class StoredCycle:
    """A record with what the store knows besides: the device and the firmware it was pulled from."""

    uid: str
    fw: str
    record: CycleRecord


@dataclass(frozen=True, slots=True)
class Withdrawal:
    """Why a verdict or a test was taken back, by whom and when."""

    why: str
    by: str
    at_unix: int


@dataclass(frozen=True, slots=True)
class PartTest:
    """Result of a destructive test on one part: `value`, `low` and `high` in `unit` ("N" or "N*m")."""

    uid: str
    job: int
    seq: int
    setpoint_N: float
    kind: str
    value: float
    unit: str
    low: float | None
    high: float | None
    at_unix: int
    by: str
    note: str
    number: int = 0
    withdrawn: Withdrawal | None = None

    @property
    def passed(self) -> bool | None:
        """Within its limits; None when none were given."""
        if self.low is None and self.high is None:
            return None
        return (self.low is None or self.value >= self.low) and (self.high is None or self.value <= self.high)

    def in_words(self) -> str:
        """Kind, result and outcome, for one cell of a table."""
        told = {True: "passed", False: "failed", None: "no limit"}[self.passed]
        return f"{self.kind} {self.value:g} {self.unit} {told}"


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a person said of a cycle; several may be said, the newest that was not withdrawn counts."""

    seq: int
    verdict: str
    why: str
    by: str
    at_unix: int
    number: int = 0
    withdrawn: Withdrawal | None = None


class CycleStore:
    """An open store. Every method may raise StoreError (a BadInput) when it is damaged or out of reach."""

    def __init__(self, path: str | Path, *, create: bool = True) -> None:
        """Open the store at `path` (a file, or a URL such as postgresql://USER@HOST/NAME) and bring its
        schema up; create: make a file when it is not there. Raises BadInput.
        """
        self.path = shown(path)
        self.engine = open_engine(path, create=create)
        self._dialect = self.engine.dialect.name
        self._held = threading.local()

    def close(self) -> None:
        """Close every connection."""
        self.engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def copy_to(self, path: Path) -> None:
        """Write a whole copy of an SQLite store to a new file, also while others write: it has what was there at once.

        Raises BadInput where the file is there already, cannot be written, or the store is no SQLite file.
        """
        if self._dialect != "sqlite":
            raise BadInput("A store in PostgreSQL is copied by the database's own tools (pg_dump).")
        if path.exists():
            raise BadInput(f"{path} is there already; name a new file.")
        refuse_place(path)
        with explained(str(path)), self.engine.connect() as connection:
            connection = connection.execution_options(isolation_level="AUTOCOMMIT")
            raw = connection.connection.driver_connection
            assert raw is not None
            raw.execute("VACUUM INTO ?", (str(path),))

    # ------------------------------------------------------------ writing
    def see_device(self, identity: Identity, unix: int) -> None:
        """Note who was seen, and when."""
        row = {
            "uid": identity.uid,
            "board": identity.board,
            "fw": identity.fw,
            "proto": identity.proto,
            "seen_unix": unix,
        }
        statement = self.insert_into(t.device)
        newer = {key: statement.excluded[key] for key in row if key != "uid"}
        with self.transaction() as db:
            db.execute(statement.on_conflict_do_update(index_elements=["uid"], set_=newer), row)

    def add_cycles(self, identity: Identity, records: Iterable[CycleRecord], unix: int) -> int:
        """Add records in one transaction; returns how many were new.

        Raises CheckFailed when a number is there with other contents: the device's log was begun anew.
        """
        given = {record.seq: record for record in records}
        if not given:
            return 0
        with self.transaction() as db:
            self._take_turn(db, identity.uid)
            there = db.execute(
                select(t.cycle).where(
                    t.cycle.c.uid == identity.uid, t.cycle.c.seq.between(min(given), max(given))
                )
            ).all()
            for row in there:
                known = _record(row)
                offered = given.pop(known.seq, None)
                if offered is not None and _differs(offered, known):
                    raise CheckFailed(
                        f"Record {known.seq} of device {identity.uid} differs from the one in "
                        f"{self.path}: the device's log was begun anew; keep this store and pull into "
                        "another with --store."
                    )
            if given:
                rows = [_row(identity, record, unix) for record in given.values()]
                db.execute(insert(t.cycle), rows)
                self.seal_rows(
                    db,
                    identity.uid,
                    "cycle",
                    [
                        (record.seq, cycle_content(identity.fw, unix, record.values))
                        for record in given.values()
                    ],
                )
        return len(given)

    def add_trace(self, uid: str, seq: int, trace: Trace | None) -> None:
        """Add a record's trace; None notes that the device has none, so that it is not asked for again."""
        self.add_traces(uid, [(seq, trace)])

    def add_traces(self, uid: str, traces: Iterable[tuple[int, Trace | None]]) -> None:
        """The same for several, in one transaction."""
        rows = [_trace_row(uid, seq, trace) for seq, trace in traces]
        if rows:
            with self.transaction() as db:
                db.execute(self.insert_into(t.trace).on_conflict_do_nothing(), rows)

    def add_travels(self, uid: str, travels: Iterable[tuple[int, TravelTrace | None]]) -> None:
        """Add the ram's travel along some records' traces, in one transaction; None as for a trace."""
        rows = [_travel_row(uid, seq, travel) for seq, travel in travels]
        if rows:
            with self.transaction() as db:
                db.execute(self.insert_into(t.travel).on_conflict_do_nothing(), rows)

    def add_snapshot(self, uid: str, state: SetState, unix: int) -> None:
        """Keep a set that is in force, once a generation."""
        content: Any = {}
        if isinstance(state, JobsState):
            content = [{"slot": job.slot, "name": job.name, "fields": dict(job.fields)} for job in state.jobs]
        elif isinstance(state, SettingsState | CalibrationState):
            content = dict(state.values)
        row = {
            "uid": uid,
            "kind": state.kind,
            "digest": state.digest,
            "gen": state.gen,
            "seen_unix": unix,
            "content": json.dumps(content),
        }
        with self.transaction() as db:
            statement = self.insert_into(t.snapshot).values(row).on_conflict_do_nothing()
            if db.execute(statement.returning(t.snapshot.c.gen)).all():
                self.seal_rows(db, uid, "snapshot", [(f"{state.kind} {state.digest} {state.gen}", row)])

    def add_changes(self, uid: str, changes: Iterable[Change]) -> int:
        """Add entries of the record of changes; returns how many were new."""
        given = list(changes)
        if not given:
            return 0
        new: list[tuple[int | str, Mapping[str, Any]]] = []
        with self.transaction() as db:
            for change in given:
                row = {"uid": uid, "seq": change.seq, "fields": json.dumps(dict(change.fields))}
                statement = self.insert_into(t.change).values(row).on_conflict_do_nothing()
                if db.execute(statement.returning(t.change.c.seq)).all():
                    new.append((change.seq, row))
            if new:
                self.seal_rows(db, uid, "change", new)
        return len(new)

    def add_part_test(self, test: PartTest) -> None:
        """Add a destructive test's result; results are only ever added, and withdrawn by `withdraw`."""
        row = {
            "uid": test.uid,
            "job": test.job,
            "seq": test.seq,
            "setpoint_n": round(test.setpoint_N),
            "kind": test.kind,
            # A database gives a whole number back as 812.0: the digest is of what it gives back.
            "value": float(test.value),
            "unit": test.unit,
            "low": None if test.low is None else float(test.low),
            "high": None if test.high is None else float(test.high),
            "at_unix": test.at_unix,
            "by_whom": test.by,
            "note": test.note,
        }
        with self.transaction() as db:
            number = db.execute(insert(t.part_test).values(row).returning(t.part_test.c.id)).scalar_one()
            self.seal_rows(db, test.uid, "part_test", [(number, row)])

    def add_verdict(self, uid: str, verdict: Verdict) -> None:
        """Add what a person said of a cycle; nothing said before is lost."""
        row = {
            "uid": uid,
            "seq": verdict.seq,
            "verdict": verdict.verdict,
            "why": verdict.why,
            "by_whom": verdict.by,
            "at_unix": verdict.at_unix,
        }
        with self.transaction() as db:
            number = db.execute(insert(t.verdict).values(row).returning(t.verdict.c.id)).scalar_one()
            self.seal_rows(db, uid, "verdict", [(number, row)])

    def withdraw(
        self, uid: str, what: Literal["verdict", "part_test"], number: int, taken: Withdrawal
    ) -> None:
        """Take a verdict or a test back; it stays readable. Raises BadInput when there is none, or it was before."""
        table = t.verdict if what == "verdict" else t.part_test
        name = "verdict" if what == "verdict" else "test"
        row = {
            "uid": uid, "what": what, "of_id": number,
            "why": taken.why, "by_whom": taken.by, "at_unix": taken.at_unix,
        }  # fmt: skip
        with self.transaction() as db:
            if not db.execute(select(table.c.id).where(table.c.uid == uid, table.c.id == number)).all():
                raise BadInput(
                    f"{self.path} has no {name} {number} of device {uid}; list them to see the numbers."
                )
            if number in _withdrawn(db, uid, what):
                raise BadInput(f"{name.capitalize()} {number} was withdrawn before.")
            taken_id = db.execute(insert(t.withdrawal).values(row).returning(t.withdrawal.c.id)).scalar_one()
            self.seal_rows(db, uid, "withdrawal", [(taken_id, row)])

    # ------------------------------------------------------------ reading
    def devices(self) -> list[StoredDevice]:
        """Devices seen, by uid."""
        c = t.device.c
        with self.reading() as db:
            rows = db.execute(select(c.uid, c.board, c.fw, c.proto, c.seen_unix).order_by(c.uid)).all()
        return [StoredDevice(*row) for row in rows]

    def last_seq(self, uid: str) -> int:
        """Highest record number of a device, 0 when there is none."""
        return self._number(select(func.coalesce(func.max(t.cycle.c.seq), 0)).where(t.cycle.c.uid == uid))

    def newest(self, uid: str) -> tuple[int, int]:
        """Return the highest number of a device's records and of its changes, each 0 when there is none."""
        with self.reading() as db:
            return self._highest(db, t.cycle, uid), self._highest(db, t.change, uid)

    def _highest(self, db: Connection, table: Table, uid: str) -> int:
        query = select(func.coalesce(func.max(table.c.seq), 0)).where(table.c.uid == uid)
        return int(db.execute(query).scalar() or 0)

    def last_change(self, uid: str) -> int:
        """Highest number in a device's record of changes, 0 when there is none."""
        return self._number(select(func.coalesce(func.max(t.change.c.seq), 0)).where(t.change.c.uid == uid))

    def count(self, uid: str) -> int:
        """Number of records of a device."""
        return self._number(select(func.count()).select_from(t.cycle).where(t.cycle.c.uid == uid))

    def count_all(self) -> int:
        """Number of records of all devices."""
        return self._number(select(func.count()).select_from(t.cycle))

    def cycles(
        self, uid: str, first: int = 0, last: int = _ALL, job: int | None = None
    ) -> Iterator[StoredCycle]:
        """Records of a device in order, from number `first` to `last`, of one job or all."""
        c = t.cycle.c
        query = select(t.cycle).where(c.uid == uid, c.seq.between(first, last)).order_by(c.seq)
        if job is not None:
            query = query.where(c.job == job)
        with self.reading() as db:
            for rows in db.execution_options(yield_per=2000).execute(query).partitions():
                for row in rows:
                    yield StoredCycle(uid, row.fw, _record(row))

    def first_of_newest(
        self, uid: str, most: int, first: int = 0, last: int = _ALL, job: int | None = None
    ) -> int:
        """Return the number from which on a device has `most` records or fewer, of one job or all; `first` if fewer."""
        c = t.cycle.c
        query = select(c.seq).where(c.uid == uid, c.seq.between(first, last)).order_by(c.seq.desc())
        if job is not None:
            query = query.where(c.job == job)
        with self.reading() as db:
            found = db.execute(query.offset(most - 1).limit(1)).scalar()
        return first if found is None else int(found)

    def record_before(self, uid: str, seq: int, job: int | None = None) -> CycleRecord | None:
        """The newest record below number `seq`, of one job or of any; None when there is none."""
        c = t.cycle.c
        query = select(t.cycle).where(c.uid == uid, c.seq < seq).order_by(c.seq.desc()).limit(1)
        if job is not None:
            query = query.where(c.job == job)
        with self.reading() as db:
            row = db.execute(query).first()
        return None if row is None else _record(row)

    def traces_wanted(self, uid: str, first: int = 0) -> list[int]:
        """Numbers of records from `first` on whose trace is not in the store, newest first."""
        return self.points_wanted(uid, first)[0]

    def travels_wanted(self, uid: str, first: int = 0) -> list[int]:
        """The same for the ram's travel: of records that say that there is one."""
        return self.points_wanted(uid, first)[1]

    def points_wanted(self, uid: str, first: int = 0) -> tuple[list[int], list[int]]:
        """Return both, traces and travels, in one transaction."""
        flags = (bit for bit, flag in definition().flags.items() if flag.name == "travel")
        with self.reading() as db:
            return (
                self._wanted(db, t.trace, uid, first, 0),
                self._wanted(db, t.travel, uid, first, 1 << next(flags)),
            )

    def _wanted(self, db: Connection, table: Table, uid: str, first: int, flag: int) -> list[int]:
        c = t.cycle.c
        joined = t.cycle.outerjoin(table, and_(table.c.uid == c.uid, table.c.seq == c.seq))
        query = (
            select(c.seq)
            .select_from(joined)
            .where(c.uid == uid, c.seq >= first, c.trace_len > 0, table.c.seq.is_(None))
            .order_by(c.seq.desc())
        )
        if flag:
            query = query.where(c.flags.bitwise_and(flag) != 0)
        return [int(row[0]) for row in db.execute(query)]

    def trace(self, uid: str, seq: int) -> Trace | None:
        """A record's trace, or None when there is none."""
        return self.traces(uid, [seq]).get(seq)

    def traces(self, uid: str, seqs: Sequence[int]) -> dict[int, Trace]:
        """Traces of some records (at most a few thousand), by number; those without are left out."""
        c = t.trace.c
        query = select(c.seq, c.dt_s, c.unit_N, c.points).where(
            c.uid == uid, c.seq.in_(seqs), c.points.is_not(None)
        )
        with self.reading() as db:
            return {int(row[0]): _trace(*row) for row in db.execute(query)}

    def travels(self, uid: str, seqs: Sequence[int]) -> dict[int, TravelTrace]:
        """The ram's travel along some records' traces (at most a few thousand), by number."""
        c = t.travel.c
        query = select(c.seq, c.dt_s, c.unit_m, c.points).where(
            c.uid == uid, c.seq.in_(seqs), c.points.is_not(None)
        )
        with self.reading() as db:
            return {
                int(row[0]): TravelTrace(int(row[0]), float(row[1]), float(row[2]), _points(row[3]))
                for row in db.execute(query)
            }

    def snapshots(self, uid: str, kind: str) -> list[Snapshot]:
        """Sets of a kind that were seen, oldest generation first."""
        c = t.snapshot.c
        query = (
            select(c.kind, c.digest, c.gen, c.seen_unix, c.content)
            .where(c.uid == uid, c.kind == kind)
            .order_by(c.gen, c.seen_unix)
        )
        with self.reading() as db:
            rows = db.execute(query).all()
        return [Snapshot(row[0], row[1], row[2], row[3], json.loads(row[4])) for row in rows]

    def jobs_seen(self, uid: str) -> list[DeviceJob]:
        """Every job of every jobs set that was seen, oldest first."""
        return [
            DeviceJob(int(job["slot"]), str(job["name"]), job["fields"])
            for snapshot in self.snapshots(uid, "jobs")
            for job in snapshot.content
        ]

    def changes(self, uid: str) -> list[Change]:
        """A device's record of changes, in order."""
        c = t.change.c
        with self.reading() as db:
            rows = db.execute(select(c.seq, c.fields).where(c.uid == uid).order_by(c.seq)).all()
        return [Change(int(seq), json.loads(fields)) for seq, fields in rows]

    def part_tests(self, uid: str, job: int, first: int = 0, last: int = _ALL) -> list[PartTest]:
        """Destructive tests of a job's parts, by record number."""
        c = t.part_test.c
        query = (
            select(t.part_test)
            .where(c.uid == uid, c.job == job, c.seq.between(first, last))
            .order_by(c.seq, c.id)
        )
        with self.reading() as db:
            taken = _withdrawn(db, uid, "part_test")
            return [
                PartTest(
                    uid=row.uid,
                    job=row.job,
                    seq=row.seq,
                    setpoint_N=float(row.setpoint_n),
                    kind=row.kind,
                    value=row.value,
                    unit=row.unit,
                    low=row.low,
                    high=row.high,
                    at_unix=row.at_unix,
                    by=row.by_whom,
                    note=row.note,
                    number=row.id,
                    withdrawn=taken.get(row.id),
                )
                for row in db.execute(query)
            ]

    def verdicts(self, uid: str, first: int = 0, last: int = _ALL) -> list[Verdict]:
        """What people said of a device's cycles, by number, oldest first."""
        c = t.verdict.c
        query = (
            select(c.seq, c.verdict, c.why, c.by_whom, c.at_unix, c.id)
            .where(c.uid == uid, c.seq.between(first, last))
            .order_by(c.seq, c.id)
        )
        with self.reading() as db:
            taken = _withdrawn(db, uid, "verdict")
            return [Verdict(*row, withdrawn=taken.get(row[5])) for row in db.execute(query)]

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection for queries of one's own over `store_schema`; they all see the same moment."""
        held = getattr(self._held, "db", None)
        if held is not None:
            yield held
            return
        with explained(self.path), self.engine.connect() as db:
            yield db

    @contextmanager
    def at_one_moment(self) -> Iterator[None]:
        """Let everything that this thread reads in the block see the same moment, in one transaction.

        What is read in the block must be read to its end there.
        """
        with self.reading() as db:
            before = getattr(self._held, "db", None)
            self._held.db = db
            try:
                yield
            finally:
                self._held.db = before

    def seal_rows(
        self, db: Connection, uid: str, kind: str, rows: Sequence[tuple[int | str, Mapping[str, Any]]]
    ) -> None:
        """Add digests of rows just written to the device's chain, in the same transaction; rows: (key, content)."""
        self._take_turn(db, uid)
        c = t.seal.c
        before = db.execute(select(c.chain).where(c.uid == uid).order_by(c.id.desc()).limit(1)).scalar()
        db.execute(insert(t.seal), seal_row(uid, kind, rows, before or ""))

    # ------------------------------------------------------------ inside
    def _take_turn(self, db: Connection, uid: str) -> None:
        """Have writers of one device take turns, so that what is looked up in a transaction stays true."""
        if self._dialect == "postgresql":
            db.execute(
                text("SELECT pg_advisory_xact_lock(:n, hashtext(:uid))"), {"n": _DEVICE_LOCK, "uid": uid}
            )

    def _number(self, query: Any) -> int:
        with self.reading() as db:
            return int(db.execute(query).scalar_one())

    def insert_into(self, table: Table) -> Any:
        """An insert into a table in this database's own dialect, which knows what to do on a conflict."""
        return (postgresql if self._dialect == "postgresql" else sqlite).insert(table)

    @contextmanager
    def transaction(self) -> Iterator[Connection]:
        """A transaction that writes, for modules that keep tables of their own here."""
        with explained(self.path), writing(self.engine) as db, db.begin():
            yield db


def _withdrawn(db: Connection, uid: str, what: str) -> dict[int, Withdrawal]:
    """What was withdrawn of one table, by the number of its row."""
    c = t.withdrawal.c
    query = select(c.of_id, c.why, c.by_whom, c.at_unix).where(c.uid == uid, c.what == what).order_by(c.id)
    return {int(row[0]): Withdrawal(*row[1:]) for row in db.execute(query)}


def _row(identity: Identity, record: CycleRecord, unix: int) -> dict[str, Any]:
    values = record.values
    extra = None
    if not values.keys() <= _COLUMNS:
        extra = json.dumps({key: value for key, value in values.items() if key not in _COLUMNS})
    return {
        **_NOTHING,
        **{key: value for key, value in values.items() if extra is None or key in _COLUMNS},
        "uid": identity.uid,
        "fw": identity.fw,
        "pulled_unix": unix,
        "extra": extra,
    }


def _record(row: Any) -> CycleRecord:
    """The record of a row of `cycle`: uid, then the record's columns in order, then fw, pulled_unix, extra."""
    values = {
        name: value for name, value in zip(t.RECORD_COLUMNS, row[1:], strict=False) if value is not None
    }
    if row.extra is not None:
        values.update(json.loads(row.extra))
    return CycleRecord(values)


def _differs(offered: CycleRecord, known: CycleRecord) -> bool:
    """Told by the fields that both have: the known one may have been pulled by an older tool, which knew fewer."""
    return any(offered.values[key] != value for key, value in known.values.items() if key in offered.values)


def _trace_row(uid: str, seq: int, trace: Trace | None) -> dict[str, Any]:
    row: dict[str, Any] = {"uid": uid, "seq": seq, "dt_s": 0.0, "unit_N": 0.0, "points": None}
    if trace is not None:
        row |= {"dt_s": trace.dt_s, "unit_N": trace.unit_N, "points": _bytes(trace.points)}
    return row


def _travel_row(uid: str, seq: int, travel: TravelTrace | None) -> dict[str, Any]:
    row: dict[str, Any] = {"uid": uid, "seq": seq, "dt_s": 0.0, "unit_m": 0.0, "points": None}
    if travel is not None:
        row |= {"dt_s": travel.dt_s, "unit_m": travel.unit_m, "points": _bytes(travel.points)}
    return row


def _trace(seq: int, dt_s: float, unit_N: float, raw: bytes) -> Trace:
    return Trace(int(seq), float(dt_s), float(unit_N), _points(raw))


def _bytes(points: Sequence[int]) -> bytes:
    """Points as little-endian 16-bit integers."""
    packed = array("H", points)
    if sys.byteorder == "big":
        packed.byteswap()
    return packed.tobytes()


def _points(raw: bytes) -> tuple[int, ...]:
    packed = array("H")
    packed.frombytes(raw)
    if sys.byteorder == "big":
        packed.byteswap()
    return tuple(packed)


def job_names(jobs: Iterable[DeviceJob], crc_of: Callable[[DeviceJob], int]) -> Mapping[tuple[int, int], str]:
    """Names by (slot, CRC of the job as it was run); `crc_of`: `steadyram.link.sets.job_crc`."""
    return {(job.slot, crc_of(job)): job.name for job in jobs}
