"""When a vehicle's trends were made, whether or not there were any."""

import sqlalchemy as sa
from alembic import op

revision = "0030"
down_revision = "0029"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Not known of those before: they are made anew once."""
    op.add_column("analysis", sa.Column("trends_us", sa.BigInteger(), nullable=True))
