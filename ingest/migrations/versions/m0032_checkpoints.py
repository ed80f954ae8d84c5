"""What steps of the analysis knew at the end of earlier weeks, and the fills beside findings and forecasts."""

import sqlalchemy as sa
from alembic import op

revision = "0032"
down_revision = "0031"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """A cache: the next analysis of each vehicle fills it."""
    op.create_table(
        "checkpoint",
        sa.Column("vehicle_id", sa.Integer(), sa.ForeignKey("vehicle.id"), primary_key=True, autoincrement=False),
        sa.Column("step", sa.String(16), primary_key=True),
        sa.Column("until_us", sa.BigInteger(), primary_key=True, autoincrement=False),
        sa.Column("digest", sa.LargeBinary(), nullable=False),
        sa.Column("state", sa.LargeBinary(), nullable=False),
        sa.Column("made_by", sa.LargeBinary(), nullable=False),
    )
    op.add_column("analysis", sa.Column("fills", sa.JSON(), nullable=True))
