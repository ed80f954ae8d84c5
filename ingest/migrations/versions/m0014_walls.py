"""A second factor, who came in or tried to, limits of routes, and ingesters whose session another took."""

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Nobody has a second factor yet; what the log holds are changes of the set-up."""
    op.add_column("person", sa.Column("totp_secret", sa.Text(), nullable=True))
    op.add_column("person", sa.Column("totp_step", sa.BigInteger(), nullable=False, server_default="0"))
    op.add_column("person", sa.Column("recovery_hashes", sa.JSON(), nullable=True))
    op.add_column("change_log", sa.Column("event", sa.String(16), nullable=False, server_default="set_up"))
    op.add_column("change_log", sa.Column("origin", sa.String(64), nullable=True))
    op.create_index("ix_change_log_event", "change_log", ["event"])
    op.add_column("route", sa.Column("most_alerts", sa.Integer(), nullable=False, server_default="10"))
    op.add_column("recorder_stats", sa.Column("taken_over", sa.Integer(), nullable=False, server_default="0"))
    op.add_column("recorder_stats", sa.Column("taken_over_us", sa.BigInteger(), nullable=True))
