"""Depots have calendars: days on which they are closed, and whose public holidays they keep."""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Nothing that is there changes; backtests of before are of another measure."""
    op.create_table(
        "closing",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("depot", sa.String(length=256), nullable=False),
        sa.Column("first_day", sa.String(length=10), nullable=False),
        sa.Column("last_day", sa.String(length=10), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("origin", sa.String(length=8), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_closing"),
    )
    op.create_index("ix_closing_depot", "closing", ["depot"])
    op.add_column("depot", sa.Column("country", sa.String(length=2), nullable=True))
    op.add_column("depot", sa.Column("region", sa.String(length=16), nullable=True))
    op.execute("DELETE FROM backtest")
    op.execute("UPDATE analysis SET revision = -1")  # everything is analysed once more
