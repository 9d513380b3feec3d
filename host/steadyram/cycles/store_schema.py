"""Tables of the store as they are after the newest migration; the migrations themselves never import this.

A record's fields stand in columns of their names, so that any SQL tool can read them; a field that a newer
firmware adds is kept in `extra` (JSON) until a migration gives it a column. Integers are those of the protocol.
"""

from __future__ import annotations

from typing import Final

from sqlalchemy import (
    BigInteger,
    Column,
    Double,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
)

# Revision that this tool works with; a test holds it to the newest script in `migrations/versions`.
HEAD: Final = "0003"

RECORD_COLUMNS: Final = (
    "seq", "boot", "at_ms", "at_unix", "job", "job_crc", "cal_serial", "settings_gen", "count", "setpoint_n",
    "peak_n", "settled_n", "end_n", "stop", "fault", "flags", "duration_ms", "contact_ms", "knee_n", "pulses",
    "zero_counts", "trace_ms", "trace_len", "trace_unit_n", "depth_um", "contact_um", "target_um",
    "oil_contact_us", "oil_half_us", "oil_end_us",
)  # fmt: skip
_REQUIRED: Final = frozenset({"seq", "job", "job_crc", "trace_len"})

metadata = MetaData()

device = Table(
    "device", metadata,
    Column("uid", Text, primary_key=True), Column("board", Text, nullable=False),
    Column("fw", Text, nullable=False), Column("proto", BigInteger, nullable=False),
    Column("seen_unix", BigInteger, nullable=False),
    sqlite_with_rowid=False,
)  # fmt: skip

cycle = Table(
    "cycle", metadata,
    Column("uid", Text, primary_key=True),
    *(
        Column(name, BigInteger, primary_key=name == "seq", nullable=name not in _REQUIRED)
        for name in RECORD_COLUMNS
    ),
    Column("fw", Text, nullable=False), Column("pulled_unix", BigInteger, nullable=False),
    Column("extra", Text),
    Index("cycle_by_job", "uid", "job", "seq"),
    Index("cycle_by_count", "uid", "job", "count", "seq"),
    sqlite_with_rowid=False,
)  # fmt: skip

trace = Table(
    "trace", metadata,
    Column("uid", Text, primary_key=True), Column("seq", BigInteger, primary_key=True),
    Column("dt_s", Double, nullable=False), Column("unit_N", Double, nullable=False),
    Column("points", LargeBinary),
    sqlite_with_rowid=False,
)  # fmt: skip

travel = Table(
    "travel", metadata,
    Column("uid", Text, primary_key=True), Column("seq", BigInteger, primary_key=True),
    Column("dt_s", Double, nullable=False), Column("unit_m", Double, nullable=False),
    Column("points", LargeBinary),
    sqlite_with_rowid=False,
)  # fmt: skip

snapshot = Table(
    "snapshot", metadata,
    Column("uid", Text, primary_key=True), Column("kind", Text, primary_key=True),
    Column("digest", Text, primary_key=True), Column("gen", BigInteger, primary_key=True),
    Column("seen_unix", BigInteger, nullable=False), Column("content", Text, nullable=False),
    sqlite_with_rowid=False,
)  # fmt: skip

change = Table(
    "change", metadata,
    Column("uid", Text, primary_key=True), Column("seq", BigInteger, primary_key=True),
    Column("fields", Text, nullable=False),
    sqlite_with_rowid=False,
)  # fmt: skip

part_test = Table(
    "part_test", metadata,
    Column("id", Integer, primary_key=True), Column("uid", Text, nullable=False),
    Column("job", BigInteger, nullable=False), Column("seq", BigInteger, nullable=False),
    Column("setpoint_n", BigInteger, nullable=False), Column("kind", Text, nullable=False),
    Column("value", Double, nullable=False), Column("unit", Text, nullable=False),
    Column("low", Double), Column("high", Double),
    Column("at_unix", BigInteger, nullable=False), Column("by_whom", Text, nullable=False),
    Column("note", Text, nullable=False),
    Index("part_test_by_job", "uid", "job", "seq"),
)  # fmt: skip

verdict = Table(
    "verdict", metadata,
    Column("id", Integer, primary_key=True), Column("uid", Text, nullable=False),
    Column("seq", BigInteger, nullable=False), Column("verdict", Text, nullable=False),
    Column("why", Text, nullable=False), Column("by_whom", Text, nullable=False),
    Column("at_unix", BigInteger, nullable=False),
    Index("verdict_by_cycle", "uid", "seq"),
)  # fmt: skip

# What the signature said of a cycle's part and of the press; the newest row of a cycle counts.
judgement = Table(
    "judgement", metadata,
    Column("id", Integer, primary_key=True), Column("uid", Text, nullable=False),
    Column("seq", BigInteger, nullable=False), Column("part", Text, nullable=False),
    Column("press", Text, nullable=False), Column("reason", Text, nullable=False),
    Column("envelope", Text, nullable=False), Column("provisional", Integer, nullable=False),
    Column("at_unix", BigInteger, nullable=False),
    Index("judgement_by_cycle", "uid", "seq"),
)  # fmt: skip

# Every version of an envelope that a judgement names, by its digest.
envelope = Table(
    "envelope", metadata,
    Column("uid", Text, primary_key=True), Column("digest", Text, primary_key=True),
    Column("content", Text, nullable=False), Column("at_unix", BigInteger, nullable=False),
    sqlite_with_rowid=False,
)  # fmt: skip

# What was taken back: `what` names the table ("verdict", "part_test"), `of_id` its row.
withdrawal = Table(
    "withdrawal", metadata,
    Column("id", Integer, primary_key=True), Column("uid", Text, nullable=False),
    Column("what", Text, nullable=False), Column("of_id", BigInteger, nullable=False),
    Column("why", Text, nullable=False), Column("by_whom", Text, nullable=False),
    Column("at_unix", BigInteger, nullable=False),
    Index("withdrawal_of", "uid", "what", "of_id"),
)  # fmt: skip

# What people write of a batch (material lot, work order), known by its job and first record; the newest counts.
batch_note = Table(
    "batch_note", metadata,
    Column("id", Integer, primary_key=True), Column("uid", Text, nullable=False),
    Column("job", BigInteger, nullable=False), Column("first_seq", BigInteger, nullable=False),
    Column("name", Text, nullable=False), Column("value", Text, nullable=False),
    Column("by_whom", Text, nullable=False), Column("at_unix", BigInteger, nullable=False),
    Index("batch_note_by_batch", "uid", "job", "first_seq"),
)  # fmt: skip

# Digests of rows as they were written, a transaction a row; `chain` goes over the seal before (`seal.py`).
seal = Table(
    "seal", metadata,
    Column("id", Integer, primary_key=True), Column("uid", Text, nullable=False),
    Column("kind", Text, nullable=False), Column("first_seq", BigInteger, nullable=False),
    Column("last_seq", BigInteger, nullable=False), Column("digests", Text, nullable=False),
    Column("chain", Text, nullable=False),
    Index("seal_by_device", "uid", "id"),
)  # fmt: skip
