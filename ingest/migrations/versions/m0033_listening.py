"""When each ingester was last known to listen."""

import sqlalchemy as sa
from alembic import op

revision = "0033"
down_revision = "0032"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Not known until the next ingester says it."""
    op.add_column("recorder_stats", sa.Column("listened_us", sa.BigInteger(), nullable=True))
