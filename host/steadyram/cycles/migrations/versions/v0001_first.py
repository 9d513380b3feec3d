"""The first schema: devices, records in columns of their own, traces, travel, sets, changes, tests, verdicts."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

# As they were when this was written; fixed for ever, whatever the definition gains later.
_FIELDS = (
    "seq", "boot", "at_ms", "at_unix", "job", "job_crc", "cal_serial", "settings_gen", "count", "setpoint_n",
    "peak_n", "settled_n", "end_n", "stop", "fault", "flags", "duration_ms", "contact_ms", "knee_n", "pulses",
    "zero_counts", "trace_ms", "trace_len", "trace_unit_n", "depth_um", "contact_um", "target_um",
)  # fmt: skip
_REQUIRED = ("seq", "job", "job_crc", "trace_len")


def upgrade() -> None:
    """Create every table and index."""
    _create_devices_and_records()
    for name, unit in (("trace", "unit_N"), ("travel", "unit_m")):
        op.create_table(
            name,
            *_numbered(),
            sa.Column("dt_s", sa.Double, nullable=False),
            sa.Column(unit, sa.Double, nullable=False),
            sa.Column("points", sa.LargeBinary),
            sqlite_with_rowid=False,
        )
    op.create_table(
        "snapshot",
        sa.Column("uid", sa.Text, primary_key=True),
        sa.Column("kind", sa.Text, primary_key=True),
        sa.Column("digest", sa.Text, primary_key=True),
        sa.Column("gen", sa.BigInteger, primary_key=True),
        sa.Column("seen_unix", sa.BigInteger, nullable=False),
        sa.Column("content", sa.Text, nullable=False),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "change", *_numbered(), sa.Column("fields", sa.Text, nullable=False), sqlite_with_rowid=False
    )
    _create_words_of_people()


def _numbered() -> tuple[sa.Column[str], sa.Column[int]]:
    return sa.Column("uid", sa.Text, primary_key=True), sa.Column("seq", sa.BigInteger, primary_key=True)


def _create_devices_and_records() -> None:
    op.create_table(
        "device",
        sa.Column("uid", sa.Text, primary_key=True),
        sa.Column("board", sa.Text, nullable=False),
        sa.Column("fw", sa.Text, nullable=False),
        sa.Column("proto", sa.BigInteger, nullable=False),
        sa.Column("seen_unix", sa.BigInteger, nullable=False),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "cycle",
        sa.Column("uid", sa.Text, primary_key=True),
        *(
            sa.Column(name, sa.BigInteger, primary_key=name == "seq", nullable=name not in _REQUIRED)
            for name in _FIELDS
        ),
        sa.Column("fw", sa.Text, nullable=False),
        sa.Column("pulled_unix", sa.BigInteger, nullable=False),
        sa.Column("extra", sa.Text),
        sqlite_with_rowid=False,
    )
    op.create_index("cycle_by_job", "cycle", ["uid", "job", "seq"])
    op.create_index("cycle_by_count", "cycle", ["uid", "job", "count", "seq"])


def _create_words_of_people() -> None:
    op.create_table(
        "part_test",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("uid", sa.Text, nullable=False),
        sa.Column("job", sa.BigInteger, nullable=False),
        sa.Column("seq", sa.BigInteger, nullable=False),
        sa.Column("setpoint_n", sa.BigInteger, nullable=False),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("value", sa.Double, nullable=False),
        sa.Column("unit", sa.Text, nullable=False),
        sa.Column("low", sa.Double),
        sa.Column("high", sa.Double),
        sa.Column("at_unix", sa.BigInteger, nullable=False),
        sa.Column("by_whom", sa.Text, nullable=False),
        sa.Column("note", sa.Text, nullable=False),
    )
    op.create_index("part_test_by_job", "part_test", ["uid", "job", "seq"])
    op.create_table(
        "verdict",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("uid", sa.Text, nullable=False),
        sa.Column("seq", sa.BigInteger, nullable=False),
        sa.Column("verdict", sa.Text, nullable=False),
        sa.Column("why", sa.Text, nullable=False),
        sa.Column("by_whom", sa.Text, nullable=False),
        sa.Column("at_unix", sa.BigInteger, nullable=False),
    )
    op.create_index("verdict_by_cycle", "verdict", ["uid", "seq"])
