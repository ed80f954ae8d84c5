"""What the analysis keeps is what somebody reads: columns of `analysis` that nothing reads go, and what lists show has a new form."""

from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

_UNREAD = ("refill_state", "due_expected_us", "fills", "days", "lines", "dry_h")


def upgrade() -> None:
    """Results are made anew with the next analysis; who each vehicle is stays."""
    op.execute("DELETE FROM finding")
    op.execute("DELETE FROM analysis")
    op.execute("UPDATE vehicle_summary SET detail = NULL, need = 3")  # nothing is known of it until then
    with op.batch_alter_table("analysis") as table:
        for name in _UNREAD:
            table.drop_column(name)
