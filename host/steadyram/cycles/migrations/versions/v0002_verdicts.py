"""Verdicts of the signature, withdrawals, notes of a batch, and the chain of digests that shows edited rows."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Add the tables; rows that are there already stay outside the chain, and a check says so."""
    op.create_table(
        "envelope",
        sa.Column("uid", sa.Text, primary_key=True),
        sa.Column("digest", sa.Text, primary_key=True),
        sa.Column("content", sa.Text, nullable=False),
        sa.Column("at_unix", sa.BigInteger, nullable=False),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "judgement",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("uid", sa.Text, nullable=False),
        sa.Column("seq", sa.BigInteger, nullable=False),
        sa.Column("part", sa.Text, nullable=False),
        sa.Column("press", sa.Text, nullable=False),
        sa.Column("reason", sa.Text, nullable=False),
        sa.Column("envelope", sa.Text, nullable=False),
        sa.Column("provisional", sa.Integer, nullable=False),
        sa.Column("at_unix", sa.BigInteger, nullable=False),
    )
    op.create_index("judgement_by_cycle", "judgement", ["uid", "seq"])
    op.create_table(
        "withdrawal",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("uid", sa.Text, nullable=False),
        sa.Column("what", sa.Text, nullable=False),
        sa.Column("of_id", sa.BigInteger, nullable=False),
        sa.Column("why", sa.Text, nullable=False),
        sa.Column("by_whom", sa.Text, nullable=False),
        sa.Column("at_unix", sa.BigInteger, nullable=False),
    )
    op.create_index("withdrawal_of", "withdrawal", ["uid", "what", "of_id"])
    op.create_table(
        "batch_note",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("uid", sa.Text, nullable=False),
        sa.Column("job", sa.BigInteger, nullable=False),
        sa.Column("first_seq", sa.BigInteger, nullable=False),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("value", sa.Text, nullable=False),
        sa.Column("by_whom", sa.Text, nullable=False),
        sa.Column("at_unix", sa.BigInteger, nullable=False),
    )
    op.create_index("batch_note_by_batch", "batch_note", ["uid", "job", "first_seq"])
    op.create_table(
        "seal",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("uid", sa.Text, nullable=False),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("first_seq", sa.BigInteger, nullable=False),
        sa.Column("last_seq", sa.BigInteger, nullable=False),
        sa.Column("digests", sa.Text, nullable=False),
        sa.Column("chain", sa.Text, nullable=False),
    )
    op.create_index("seal_by_device", "seal", ["uid", "id"])
