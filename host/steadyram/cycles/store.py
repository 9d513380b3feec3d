"""The store of cycle records on the computer: one SQLite file, each record once.

A record is known by (device uid, sequence number). Records arrive in transactions of one chunk each, in
rising order, so a process killed at any moment leaves whole chunks and the next pull goes on after them.
Settings, jobs and calibrations are kept by digest, so that a record can be traced to what was in force.
"""

from __future__ import annotations

import json
import sqlite3
import sys
from array import array
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

from steadyram.errors import BadInput, CheckFailed
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
)

_APPLICATION_ID: Final = 0x73645952  # "sdYR"

# One script a schema version; a store is brought up by running those it lacks, each in one transaction.
_MIGRATIONS: Final = (
    """
    CREATE TABLE device (uid TEXT PRIMARY KEY, board TEXT NOT NULL, fw TEXT NOT NULL, proto INTEGER NOT NULL,
                         seen_unix INTEGER NOT NULL) WITHOUT ROWID;
    CREATE TABLE cycle (uid TEXT NOT NULL, seq INTEGER NOT NULL, job INTEGER NOT NULL,
                        job_crc INTEGER NOT NULL, trace_len INTEGER NOT NULL, fw TEXT NOT NULL,
                        pulled_unix INTEGER NOT NULL, fields TEXT NOT NULL,
                        PRIMARY KEY (uid, seq)) WITHOUT ROWID;
    CREATE TABLE trace (uid TEXT NOT NULL, seq INTEGER NOT NULL, dt_s REAL NOT NULL, unit_N REAL NOT NULL,
                        points BLOB, PRIMARY KEY (uid, seq)) WITHOUT ROWID;
    CREATE TABLE snapshot (uid TEXT NOT NULL, kind TEXT NOT NULL, digest TEXT NOT NULL, gen INTEGER NOT NULL,
                           seen_unix INTEGER NOT NULL, content TEXT NOT NULL,
                           PRIMARY KEY (uid, kind, gen, digest)) WITHOUT ROWID;
    CREATE TABLE change (uid TEXT NOT NULL, seq INTEGER NOT NULL, fields TEXT NOT NULL,
                         PRIMARY KEY (uid, seq)) WITHOUT ROWID;
    """,
)


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


class CycleStore:
    """An open store. Every method may raise BadInput when the file is damaged or cannot be written."""

    def __init__(self, path: str | Path, *, create: bool = True) -> None:
        """Open the store at `path`; create: make it when it is not there. Raises BadInput."""
        self.path = Path(path)
        if not create and not self.path.is_file():
            raise BadInput(f"There is no cycle store at {path}; pull one first or name another with --store.")
        with self._explained():
            self._db = sqlite3.connect(self.path, timeout=10.0, isolation_level=None)
            try:
                self._prepare()
            except BaseException:
                self._db.close()
                raise

    def close(self) -> None:
        """Close the file."""
        self._db.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    # ------------------------------------------------------------ writing
    def see_device(self, identity: Identity, unix: int) -> None:
        """Note who was seen, and when."""
        with self._transaction() as db:
            db.execute(
                "INSERT INTO device VALUES (?, ?, ?, ?, ?) ON CONFLICT (uid) DO UPDATE "
                "SET board = excluded.board, fw = excluded.fw, proto = excluded.proto, "
                "seen_unix = excluded.seen_unix",
                (identity.uid, identity.board, identity.fw, identity.proto, unix),
            )

    def add_cycles(self, identity: Identity, records: Iterable[CycleRecord], unix: int) -> int:
        """Add records in one transaction; returns how many were new.

        Raises CheckFailed when a number is there with other contents: the device's log was begun anew.
        """
        new = 0
        with self._transaction() as db:
            for record in records:
                fields = json.dumps(dict(record.values), separators=(",", ":"))
                there = db.execute(
                    "SELECT fields FROM cycle WHERE uid = ? AND seq = ?", (identity.uid, record.seq)
                ).fetchone()
                if there is not None:
                    if json.loads(there[0]) != dict(record.values):
                        raise CheckFailed(
                            f"Record {record.seq} of device {identity.uid} differs from the one in "
                            f"{self.path}: the device's log was begun anew; keep this store and pull into "
                            "another with --store."
                        )
                    continue
                db.execute(
                    "INSERT INTO cycle VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                    (
                        identity.uid,
                        record.seq,
                        record["job"],
                        record["job_crc"],
                        record["trace_len"],
                        identity.fw,
                        unix,
                        fields,
                    ),
                )
                new += 1
        return new

    def add_trace(self, uid: str, seq: int, trace: Trace | None) -> None:
        """Add a record's trace; None notes that the device has none, so that it is not asked for again."""
        row: tuple[float, float, bytes | None] = (0.0, 0.0, None)
        if trace is not None:
            points = array("H", trace.points)
            if sys.byteorder == "big":
                points.byteswap()
            row = (trace.dt_s, trace.unit_N, points.tobytes())
        with self._transaction() as db:
            db.execute("INSERT OR IGNORE INTO trace VALUES (?, ?, ?, ?, ?)", (uid, seq, *row))

    def add_snapshot(self, uid: str, state: SetState, unix: int) -> None:
        """Keep a set that is in force, once a generation."""
        content: Any = {}
        if isinstance(state, JobsState):
            content = [{"slot": job.slot, "name": job.name, "fields": dict(job.fields)} for job in state.jobs]
        elif isinstance(state, SettingsState | CalibrationState):
            content = dict(state.values)
        with self._transaction() as db:
            db.execute(
                "INSERT OR IGNORE INTO snapshot VALUES (?, ?, ?, ?, ?, ?)",
                (uid, state.kind, state.digest, state.gen, unix, json.dumps(content)),
            )

    def add_changes(self, uid: str, changes: Iterable[Change]) -> int:
        """Add entries of the record of changes; returns how many were new."""
        with self._transaction() as db:
            return sum(
                db.execute(
                    "INSERT OR IGNORE INTO change VALUES (?, ?, ?)",
                    (uid, change.seq, json.dumps(dict(change.fields))),
                ).rowcount
                for change in changes
            )

    # ------------------------------------------------------------ reading
    def devices(self) -> list[StoredDevice]:
        """Devices seen, by uid."""
        with self._explained():
            rows = self._db.execute(
                "SELECT uid, board, fw, proto, seen_unix FROM device ORDER BY uid"
            ).fetchall()
        return [StoredDevice(*row) for row in rows]

    def last_seq(self, uid: str) -> int:
        """Highest record number of a device, 0 when there is none."""
        return self._one("SELECT coalesce(max(seq), 0) FROM cycle WHERE uid = ?", (uid,))

    def last_change(self, uid: str) -> int:
        """Highest number in a device's record of changes, 0 when there is none."""
        return self._one("SELECT coalesce(max(seq), 0) FROM change WHERE uid = ?", (uid,))

    def count(self, uid: str) -> int:
        """Number of records of a device."""
        return self._one("SELECT count(*) FROM cycle WHERE uid = ?", (uid,))

    def cycles(
        self, uid: str, first: int = 0, last: int = 2**63 - 1, job: int | None = None
    ) -> Iterator[StoredCycle]:
        """Records of a device in order, from number `first` to `last`, of one job or all."""
        with self._explained():
            rows = self._db.execute(
                "SELECT fw, fields FROM cycle WHERE uid = ? AND seq BETWEEN ? AND ? "
                "AND (? IS NULL OR job = ?) ORDER BY seq",
                (uid, first, last, job, job),
            )
            for fw, fields in rows:
                yield StoredCycle(uid, fw, CycleRecord(json.loads(fields)))

    def traces_wanted(self, uid: str) -> list[int]:
        """Numbers of records that have a trace which is not in the store, newest first."""
        with self._explained():
            rows = self._db.execute(
                "SELECT c.seq FROM cycle c LEFT JOIN trace t ON t.uid = c.uid AND t.seq = c.seq "
                "WHERE c.uid = ? AND c.trace_len > 0 AND t.seq IS NULL ORDER BY c.seq DESC",
                (uid,),
            ).fetchall()
        return [int(row[0]) for row in rows]

    def trace(self, uid: str, seq: int) -> Trace | None:
        """A record's trace, or None when there is none."""
        with self._explained():
            row = self._db.execute(
                "SELECT dt_s, unit_N, points FROM trace WHERE uid = ? AND seq = ?", (uid, seq)
            ).fetchone()
        if row is None or row[2] is None:
            return None
        points = array("H")
        points.frombytes(row[2])
        if sys.byteorder == "big":
            points.byteswap()
        return Trace(seq, float(row[0]), float(row[1]), tuple(points))

    def snapshots(self, uid: str, kind: str) -> list[Snapshot]:
        """Sets of a kind that were seen, oldest generation first."""
        with self._explained():
            rows = self._db.execute(
                "SELECT kind, digest, gen, seen_unix, content FROM snapshot WHERE uid = ? AND kind = ? "
                "ORDER BY gen, seen_unix",
                (uid, kind),
            ).fetchall()
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
        with self._explained():
            rows = self._db.execute(
                "SELECT seq, fields FROM change WHERE uid = ? ORDER BY seq", (uid,)
            ).fetchall()
        return [Change(int(seq), json.loads(fields)) for seq, fields in rows]

    # ------------------------------------------------------------ inside
    def _one(self, query: str, values: tuple[Any, ...]) -> int:
        with self._explained():
            return int(self._db.execute(query, values).fetchone()[0])

    def _prepare(self) -> None:
        (application,) = self._db.execute("PRAGMA application_id").fetchone()
        (version,) = self._db.execute("PRAGMA user_version").fetchone()
        (tables,) = self._db.execute("SELECT count(*) FROM sqlite_master").fetchone()
        if application != _APPLICATION_ID and tables:
            raise BadInput(
                f"{self.path} is an SQLite file of something else; name another store with --store."
            )
        if version > len(_MIGRATIONS):
            raise BadInput(
                f"{self.path} was written by a newer steadyram; update this one or name another store."
            )
        self._db.execute("PRAGMA journal_mode = WAL")
        # A pull that was reported as done must survive a power cut of the computer.
        self._db.execute("PRAGMA synchronous = FULL")
        while version < len(_MIGRATIONS):
            with self._transaction() as db:
                for statement in _MIGRATIONS[version].split(";"):
                    if statement.strip():
                        db.execute(statement)
                version += 1
                db.execute(f"PRAGMA application_id = {_APPLICATION_ID}")
                db.execute(f"PRAGMA user_version = {version}")

    @contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        with self._explained():
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield self._db
            except BaseException:
                self._db.execute("ROLLBACK")
                raise
            self._db.execute("COMMIT")

    @contextmanager
    def _explained(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            raise BadInput(
                f"The cycle store {self.path} cannot be used ({error}); check the path or name another with "
                "--store."
            ) from None


def job_names(jobs: Iterable[DeviceJob], crc_of: Callable[[DeviceJob], int]) -> Mapping[tuple[int, int], str]:
    """Names by (slot, CRC of the job as it was run); `crc_of`: `steadyram.link.sets.job_crc`."""
    return {(job.slot, crc_of(job)): job.name for job in jobs}
