"""One delivery a recipient, tried by itself; secrets of routes that were removed are erased; when a vehicle became known."""

import time

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """What waits goes to all recipients of its route at once, as before."""
    op.add_column("outbox", sa.Column("recipient", sa.Text(), nullable=True))
    op.add_column("outbox", sa.Column("tries", sa.Integer(), nullable=False, server_default="0"))
    op.add_column("outbox", sa.Column("next_try_us", sa.BigInteger(), nullable=False, server_default="0"))
    op.add_column("outbox", sa.Column("refused_why", sa.Text(), nullable=True))
    if op.get_bind().dialect.name == "sqlite":
        op.execute("PRAGMA secure_delete = ON")
    op.add_column("vehicle", sa.Column("made_us", sa.BigInteger(), nullable=True))
    op.execute(f"UPDATE vehicle SET made_us = {time.time_ns() // 1000}")  # those of before are as new
    op.execute("UPDATE route SET address = 'removed://', error = NULL WHERE removed")
