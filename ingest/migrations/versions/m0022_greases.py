"""Greases, and how cold weeks are."""

import sqlalchemy as sa
from alembic import op

revision = "0022"
down_revision = "0021"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Nothing is assumed of a grease; weeks are known with the next analysis."""
    op.create_table(
        "grease",
        sa.Column("name", sa.String(256), primary_key=True),
        sa.Column("nlgi", sa.String(8), primary_key=True),
        sa.Column("thickener", sa.String(32), nullable=False),
        sa.Column("lowest_c", sa.Double(), nullable=False),
    )
    op.create_table(
        "cold_week",
        sa.Column("vehicle_id", sa.Integer(), sa.ForeignKey("vehicle.id"), primary_key=True, autoincrement=False),
        sa.Column("week", sa.String(2), primary_key=True),
        sa.Column("low_c", sa.Double(), nullable=False),
    )
