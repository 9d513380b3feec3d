"""Ram travel: a table of travel traces beside the traces, and columns for a record's depths."""

import json

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"

_FIELDS = ("depth_um", "contact_um", "target_um")
_ROWS_AT_ONCE = 5000


def upgrade() -> None:
    """Add table and columns; what earlier tools kept of the depths in `extra` moves into the columns."""
    op.create_table(
        "travel",
        sa.Column("uid", sa.Text, primary_key=True),
        sa.Column("seq", sa.BigInteger, primary_key=True),
        sa.Column("dt_s", sa.Double, nullable=False),
        sa.Column("unit_m", sa.Double, nullable=False),
        sa.Column("points", sa.LargeBinary),
        sqlite_with_rowid=False,
    )
    for name in _FIELDS:
        op.add_column("cycle", sa.Column(name, sa.BigInteger, nullable=True))
    cycle = sa.table("cycle", *(sa.column(name) for name in ("uid", "seq", "extra", *_FIELDS)))
    c = cycle.c
    change = (
        sa.update(cycle)
        .where(c.uid == sa.bindparam("of_uid"), c.seq == sa.bindparam("of_seq"))
        .values({name: sa.bindparam(f"new_{name}") for name in (*_FIELDS, "extra")})
    )
    bind = op.get_bind()
    uid, seq = "", -1
    while True:
        rows = bind.execute(
            sa.select(c.uid, c.seq, c.extra)
            .where(c.extra.is_not(None))
            .where(sa.or_(c.uid > uid, sa.and_(c.uid == uid, c.seq > seq)))
            .order_by(c.uid, c.seq)
            .limit(_ROWS_AT_ONCE)
        ).all()
        if not rows:
            return
        bind.execute(change, [_moved(*row) for row in rows])
        uid, seq = rows[-1][0], rows[-1][1]


def _moved(uid: str, seq: int, extra: str) -> dict[str, object]:
    values = json.loads(extra)
    found = {f"new_{name}": values.pop(name, None) for name in _FIELDS}
    return {"of_uid": uid, "of_seq": seq, **found, "new_extra": json.dumps(values) if values else None}
