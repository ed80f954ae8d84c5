"""Grease by month, exposure in ignition hours, claims of analysers; findings and refusals that never run out of numbers."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Nothing that is there changes its meaning, so that recorders of the version before go on."""
    op.create_table(
        "claim",
        sa.Column("vehicle_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("who", sa.String(length=64), nullable=False),
        sa.Column("until_us", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["vehicle_id"], ["vehicle.id"], name="fk_claim_vehicle_id"),
        sa.PrimaryKeyConstraint("vehicle_id", name="pk_claim"),
    )
    op.create_table(
        "supply",
        sa.Column("vehicle_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("month", sa.String(length=7), nullable=False),
        sa.Column("depot", sa.String(length=256), nullable=False),
        sa.Column("grease", sa.String(length=512), nullable=False),
        sa.Column("used_l", sa.Double(), nullable=False),
        sa.Column("filled_l", sa.Double(), nullable=False),
        sa.Column("held_l", sa.Double(), nullable=False),
        sa.Column("unaccounted_l", sa.Double(), nullable=False),
        sa.ForeignKeyConstraint(["vehicle_id"], ["vehicle.id"], name="fk_supply_vehicle_id"),
        sa.PrimaryKeyConstraint("vehicle_id", "month", "depot", "grease", name="pk_supply"),
    )
    op.add_column("finding", sa.Column("watched_days", sa.Double(), nullable=True))
    op.add_column("finding", sa.Column("watched_h", sa.Double(), nullable=True))
    op.add_column("standing", sa.Column("grease", sa.Text(), nullable=True))
    op.add_column("standing", sa.Column("use_l_a_day", sa.Double(), nullable=True))
    op.add_column("standing", sa.Column("watched_days", sa.Double(), nullable=True))
    op.add_column("standing", sa.Column("watched_h", sa.Double(), nullable=True))
    op.create_index("ix_standing_totals", "standing", ["sold", "depot", "vehicle_class", "need", "fleet"])
    op.add_column("analysis", sa.Column("next_us", sa.BigInteger(), nullable=True))
    op.create_index("ix_analysis_as_of_us", "analysis", ["as_of_us"])
    if op.get_bind().dialect.name == "postgresql":
        for table in ("finding", "quarantine"):
            op.alter_column(table, "id", type_=sa.BigInteger())
            op.execute(f"ALTER SEQUENCE {table}_id_seq AS bigint")
    op.execute("UPDATE analysis SET news = -1")  # everything is analysed once more
