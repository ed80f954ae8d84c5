"""Browsers that alerts are pushed to."""

import sqlalchemy as sa
from alembic import op

revision = "0025"
down_revision = "0023"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Nobody is told by their browser before they ask for it."""
    op.create_table(
        "push_browser",
        sa.Column("route_id", sa.Integer(), sa.ForeignKey("route.id"), primary_key=True, autoincrement=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("label", sa.String(64), nullable=False),
        sa.Column("endpoint_hash", sa.String(64), nullable=False),
        sa.Column("made_us", sa.BigInteger(), nullable=False),
        sa.Column("answer", sa.Text()),
        sa.Column("answered_us", sa.BigInteger()),
        sa.Column("took", sa.Boolean()),
        sa.Column("shown_us", sa.BigInteger()),
        sa.Column("gone_us", sa.BigInteger()),
        sa.UniqueConstraint("endpoint_hash"),
    )
    op.create_index("ix_push_browser_person_id", "push_browser", ["person_id"])
