"""What people found where findings sent them."""

import sqlalchemy as sa
from alembic import op

revision = "0017"
down_revision = "0016"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Empty: no record said it before."""
    op.create_table(
        "verdict",
        sa.Column("work_key", sa.String(64), sa.ForeignKey("work.key"), primary_key=True),
        sa.Column("vehicle_id", sa.Integer(), sa.ForeignKey("vehicle.id"), nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.Column("kind", sa.String(24), nullable=False),
        sa.Column("channel", sa.String(64), nullable=True),
        sa.Column("began_us", sa.BigInteger(), nullable=False),
        sa.Column("found", sa.String(16), nullable=False),
        sa.Column("cause", sa.Text(), nullable=True),
    )
    op.create_index("ix_verdict_vehicle_id", "verdict", ["vehicle_id"])
    op.create_index("ix_verdict_kind_at_us", "verdict", ["kind", "at_us"])
