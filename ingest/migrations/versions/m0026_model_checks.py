"""How well the pressure model fits each channel."""

import sqlalchemy as sa
from alembic import op

revision = "0026"
down_revision = "0025"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Known with the next trends, which are made once a day."""
    op.create_table(
        "model_check",
        sa.Column("vehicle_id", sa.Integer(), sa.ForeignKey("vehicle.id"), primary_key=True, autoincrement=False),
        sa.Column("channel", sa.String(64), primary_key=True),
        sa.Column("as_of_us", sa.BigInteger(), nullable=False),
        sa.Column("lines", sa.JSON(), nullable=False),
        sa.Column("readings", sa.Integer(), nullable=False),
        *(
            sa.Column(name, sa.Double())
            for name in (
                "spread_percent",
                "outside",
                "memory",
                "memory_limit",
                "lean_percent",
                "lean_low",
                "lean_high",
                "worst",
            )
        ),
        sa.Column("remarks", sa.JSON(), nullable=False),
    )
    op.create_index("ix_model_check_worst", "model_check", ["worst"])
