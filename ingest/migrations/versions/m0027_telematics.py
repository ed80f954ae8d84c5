"""Servers that are polled, where vehicles stand, and the list of vehicles by name."""

import sqlalchemy as sa
from alembic import op

revision = "0027"
down_revision = "0026"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """No server is asked and nobody's place is looked at before somebody wants that."""
    op.create_table(
        "telematics",
        sa.Column("name", sa.String(20), primary_key=True),
        sa.Column("mapping", sa.JSON(), nullable=False),
        sa.Column("header", sa.Text()),
        sa.Column("known", sa.JSON(), nullable=False),
        sa.Column("series_us", sa.JSON(), nullable=False),
        sa.Column("failures", sa.Integer(), nullable=False),
        sa.Column("next_try_us", sa.BigInteger(), nullable=False),
        sa.Column("asked_us", sa.BigInteger()),
        sa.Column("answer", sa.Text()),
    )
    op.create_table(
        "stood",
        sa.Column("vehicle_id", sa.Integer(), sa.ForeignKey("vehicle.id"), primary_key=True, autoincrement=False),
        sa.Column("depot", sa.String(256), primary_key=True),
        sa.Column("since_us", sa.BigInteger(), nullable=False),
        sa.Column("until_us", sa.BigInteger(), nullable=False),
    )
    for name in ("latitude", "longitude", "radius_m"):
        op.add_column("depot", sa.Column(name, sa.Double()))
    op.create_index("ix_vehicle_summary_name", "vehicle_summary", ["fleet", "vehicle"])
