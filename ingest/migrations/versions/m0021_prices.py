"""What a point costs that runs dry, and which points are dry."""

import sqlalchemy as sa
from alembic import op

revision = "0021"
down_revision = "0020"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """No price is assumed; which points are dry is known with the next analysis."""
    op.create_table(
        "price",
        sa.Column("point_kind", sa.String(256), primary_key=True),
        *(sa.Column(name, sa.Double(), nullable=False) for name in ("part", "work_h", "standstill_h", "dry_life_h")),
        sa.Column("changed_us", sa.BigInteger(), nullable=False),
    )
    op.create_table(
        "hourly_rate",
        sa.Column("id", sa.SmallInteger(), primary_key=True, autoincrement=False),
        sa.Column("currency", sa.String(8), nullable=False),
        sa.Column("work", sa.Double(), nullable=False),
        sa.Column("standstill", sa.Double(), nullable=False),
    )
    op.create_table(
        "dry_point",
        sa.Column("vehicle_id", sa.Integer(), sa.ForeignKey("vehicle.id"), primary_key=True, autoincrement=False),
        sa.Column("line", sa.SmallInteger(), primary_key=True, autoincrement=False),
        sa.Column("point_kind", sa.String(256), nullable=False),
        sa.Column("finding", sa.String(24), nullable=False),
        sa.Column("hours", sa.Double(), nullable=True),
    )
    op.create_index("ix_dry_point_point_kind", "dry_point", ["point_kind"])
