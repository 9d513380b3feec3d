"""The first schema: a record's fields as one JSON text."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Create the first tables."""
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
        sa.Column("seq", sa.BigInteger, primary_key=True),
        sa.Column("job", sa.BigInteger, nullable=False),
        sa.Column("job_crc", sa.BigInteger, nullable=False),
        sa.Column("trace_len", sa.BigInteger, nullable=False),
        sa.Column("fw", sa.Text, nullable=False),
        sa.Column("pulled_unix", sa.BigInteger, nullable=False),
        sa.Column("fields", sa.Text, nullable=False),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "trace",
        sa.Column("uid", sa.Text, primary_key=True),
        sa.Column("seq", sa.BigInteger, primary_key=True),
        sa.Column("dt_s", sa.Double, nullable=False),
        sa.Column("unit_N", sa.Double, nullable=False),
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
        "change",
        sa.Column("uid", sa.Text, primary_key=True),
        sa.Column("seq", sa.BigInteger, primary_key=True),
        sa.Column("fields", sa.Text, nullable=False),
        sqlite_with_rowid=False,
    )
