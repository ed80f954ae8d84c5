"""Days of each depot, views that people keep, and who is to deal with an alarm."""

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Past days are told from findings and messages with the next analysis."""
    op.create_table(
        "depot_day",
        sa.Column("day", sa.String(length=10), nullable=False),
        sa.Column("fleet", sa.String(length=64), nullable=False),
        sa.Column("depot", sa.String(length=256), nullable=False),
        sa.Column("urgent", sa.Integer(), nullable=True),
        sa.Column("due", sa.Integer(), nullable=True),
        sa.Column("heard", sa.Integer(), nullable=True),
        sa.PrimaryKeyConstraint("day", "fleet", "depot", name="pk_depot_day"),
    )
    op.create_table(
        "saved_view",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=64), nullable=False),
        sa.Column("query", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_saved_view"),
        sa.UniqueConstraint("person_id", "name", name="uq_saved_view_person_id_name"),
    )
    op.add_column("alarm", sa.Column("assigned_to", sa.String(length=128), nullable=True))
    op.add_column("vehicle_summary", sa.Column("drifting", sa.Integer(), nullable=True))
    op.create_index("ix_vehicle_summary_due", "vehicle_summary", ["sold", "due_early_us", "fleet", "depot"])
    op.create_index("ix_vehicle_summary_drifting", "vehicle_summary", ["sold", "drifting"])
    op.create_index("ix_finding_detected_us", "finding", ["detected_us"])
    op.create_index("ix_finding_ended_us", "finding", ["ended_us"])
