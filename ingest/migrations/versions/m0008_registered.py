"""When a set-up was registered: a vehicle that is never heard is counted from there."""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """When set-ups of before were registered nobody knows."""
    op.add_column("setup", sa.Column("registered_us", sa.BigInteger(), nullable=True))
    op.execute("UPDATE analysis SET revision = -1")  # everything is analysed once more
