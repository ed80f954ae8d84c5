"""What a trend is held against, and how it stands now."""

import sqlalchemy as sa
from alembic import op

revision = "0020"
down_revision = "0019"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Made anew: the next analysis fills it."""
    op.drop_table("wear")
    op.create_table(
        "wear",
        sa.Column("vehicle_id", sa.Integer(), sa.ForeignKey("vehicle.id"), primary_key=True, autoincrement=False),
        sa.Column("what", sa.String(16), primary_key=True),
        sa.Column("channel", sa.String(64), primary_key=True),
        sa.Column("as_of_us", sa.BigInteger(), nullable=False),
        sa.Column("lines", sa.JSON(), nullable=False),
        *(
            sa.Column(name, sa.Double(), nullable=False)
            for name in ("hours", "percent", "percent_low", "percent_high", "changed_percent")
        ),
        sa.Column("baseline", sa.String(16), nullable=False),
        sa.Column("latest", sa.Double(), nullable=False),
        sa.Column("early_us", sa.BigInteger(), nullable=True),
        sa.Column("expected_us", sa.BigInteger(), nullable=True),
        sa.Column("worsens", sa.Boolean(), nullable=False),
    )
    op.create_index("ix_wear_worsens_expected_us", "wear", ["worsens", "expected_us"])
