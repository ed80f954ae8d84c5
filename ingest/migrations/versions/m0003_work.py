"""work that people record; how past refill dates held."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Bring the tables up."""
    op.create_table(
        "work",
        sa.Column("key", sa.String(length=64), nullable=False),
        sa.Column("vehicle_id", sa.Integer(), nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.Column("recorded_us", sa.BigInteger(), nullable=False),
        sa.Column("corrects", sa.String(length=64), nullable=True),
        sa.Column("detail", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["vehicle_id"], ["vehicle.id"], name="fk_work_vehicle_id"),
        sa.PrimaryKeyConstraint("key", name="pk_work"),
    )
    op.create_index("ix_work_vehicle_id", "work", ["vehicle_id"])
    op.create_table(
        "backtest",
        sa.Column("made_us", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("detail", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("made_us", name="pk_backtest"),
    )
