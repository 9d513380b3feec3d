"""Oil that the device let in: to contact, on to half the setpoint, on to the end."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Add the columns; records that are there have none of it, and stay as they were sealed."""
    for name in ("oil_contact_us", "oil_half_us", "oil_end_us"):
        op.add_column("cycle", sa.Column(name, sa.BigInteger))
