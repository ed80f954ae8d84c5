"""What people say and show of a piece of work."""

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Remarks on work, in words or as a picture."""
    op.create_table(
        "remark",
        sa.Column("key", sa.String(length=64), nullable=False),
        sa.Column("work_key", sa.String(length=64), nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.Column("who", sa.String(length=256), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("width", sa.SmallInteger(), nullable=True),
        sa.Column("height", sa.SmallInteger(), nullable=True),
        sa.Column("jpeg", sa.LargeBinary(), nullable=True),
        sa.ForeignKeyConstraint(["work_key"], ["work.key"], name="fk_remark_work_key"),
        sa.PrimaryKeyConstraint("key", name="pk_remark"),
    )
    op.create_index("ix_remark_work_key", "remark", ["work_key"])
