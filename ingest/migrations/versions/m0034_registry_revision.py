"""A number that grows with whatever is registered."""

import sqlalchemy as sa
from alembic import op

revision = "0034"
down_revision = "0033"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Nothing was registered since."""
    op.create_table("registry_revision", sa.Column("revision", sa.BigInteger(), nullable=False))
