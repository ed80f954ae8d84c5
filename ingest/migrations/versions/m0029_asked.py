"""What was answered to questions of some time."""

import sqlalchemy as sa
from alembic import op

revision = "0029"
down_revision = "0028"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Nothing is kept before somebody asks."""
    op.create_table(
        "asked",
        sa.Column("as_of_us", sa.BigInteger(), primary_key=True, autoincrement=False),
        sa.Column("place", sa.Integer(), primary_key=True, autoincrement=False),
        sa.Column("fleet_revision", sa.BigInteger(), nullable=False),
        sa.Column("made_by", sa.String(32), nullable=False),
        sa.Column("answer", sa.JSON(), nullable=False),
    )
