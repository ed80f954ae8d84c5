"""Points that are greased by hand, and vehicles without a controller."""

import sqlalchemy as sa
from alembic import op

revision = "0023"
down_revision = "0022"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Every vehicle that is registered has a controller; hand points come with the next registering."""
    for table in ("setup", "vehicle_summary"):
        op.add_column(table, sa.Column("controller", sa.Boolean(), nullable=False, server_default=sa.true()))
    op.create_table(
        "hand_point",
        sa.Column("setup_id", sa.Integer(), sa.ForeignKey("setup.id", ondelete="CASCADE"), primary_key=True),
        sa.Column("number", sa.SmallInteger(), primary_key=True, autoincrement=False),
        *_point(),
    )
    op.create_table(
        "hand_due",
        sa.Column("vehicle_id", sa.Integer(), sa.ForeignKey("vehicle.id"), primary_key=True, autoincrement=False),
        sa.Column("number", sa.SmallInteger(), primary_key=True, autoincrement=False),
        *_point(),
        sa.Column("greased_us", sa.BigInteger(), nullable=True),
        sa.Column("since", sa.Double(), nullable=True),
        sa.Column("hours_since", sa.Double(), nullable=True),
        *(sa.Column(name, sa.BigInteger(), nullable=True) for name in ("read_us", "from_us", "due_us")),
        sa.Column("reason", sa.Text(), nullable=False),
    )
    op.create_index("ix_hand_due_due_us", "hand_due", ["due_us"])


def _point() -> list[sa.Column[object]]:
    return [
        sa.Column("point", sa.Text(), nullable=False),
        sa.Column("every", sa.Double(), nullable=False),
        sa.Column("unit", sa.String(2), nullable=False),
        sa.Column("grams", sa.Double(), nullable=True),
        sa.Column("strokes", sa.Double(), nullable=True),
        sa.Column("grease", sa.Text(), nullable=False),
        sa.Column("critical", sa.Boolean(), nullable=False),
    ]
