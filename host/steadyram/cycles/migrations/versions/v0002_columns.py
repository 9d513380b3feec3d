"""A record's fields in columns of their own; results of destructive tests; verdicts on cycles."""

import json

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"

# As they were when this was written; fixed for ever, whatever the definition gains later.
_FIELDS = (
    "seq", "boot", "at_ms", "at_unix", "job", "job_crc", "cal_serial", "settings_gen", "count", "setpoint_n",
    "peak_n", "settled_n", "end_n", "stop", "fault", "flags", "duration_ms", "contact_ms", "knee_n", "pulses",
    "zero_counts", "trace_ms", "trace_len", "trace_unit_n",
)  # fmt: skip
_REQUIRED = ("seq", "job", "job_crc", "trace_len")
_ROWS_AT_ONCE = 5000


def upgrade() -> None:
    """Rebuild `cycle` with columns, keeping every record; add the new tables."""
    old = sa.table(
        "cycle", *(sa.column(name) for name in ("uid", "seq", "fw", "pulled_unix", "fields"))
    )  # fmt: skip
    new = op.create_table(
        "cycle_0002",
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
    bind = op.get_bind()
    uid, seq = "", -1
    while True:
        rows = bind.execute(
            sa.select(old)
            .where(sa.or_(old.c.uid > uid, sa.and_(old.c.uid == uid, old.c.seq > seq)))
            .order_by(old.c.uid, old.c.seq)
            .limit(_ROWS_AT_ONCE)
        ).all()
        if not rows:
            break
        bind.execute(sa.insert(new), [_columns(*row) for row in rows])
        uid, seq = rows[-1][0], rows[-1][1]
    op.drop_table("cycle")
    op.rename_table("cycle_0002", "cycle")
    op.create_index("cycle_by_job", "cycle", ["uid", "job", "seq"])
    op.create_index("cycle_by_count", "cycle", ["uid", "job", "count", "seq"])
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


def _columns(uid: str, seq: int, fw: str, pulled_unix: int, fields: str) -> dict[str, object]:
    values = json.loads(fields)
    extra = {key: value for key, value in values.items() if key not in _FIELDS}
    return {
        "uid": uid,
        **{name: values.get(name) for name in _FIELDS},
        "seq": seq,
        "fw": fw,
        "pulled_unix": pulled_unix,
        "extra": json.dumps(extra) if extra else None,
    }
