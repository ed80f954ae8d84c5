"""Results say what they had seen, so that nothing is analysed twice; hours without grease that nobody knows are null."""

import sqlalchemy as sa
from alembic import op

revision = "0016"
down_revision = "0015"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """What was kept before says nothing of it: it is analysed once more."""
    op.add_column("analysis", sa.Column("fleet_revision", sa.BigInteger(), nullable=True))
    op.add_column("analysis", sa.Column("made_by", sa.String(32), nullable=True))
    op.execute("UPDATE analysis SET revision = -1")
    with op.batch_alter_table("vehicle_summary") as table:
        table.alter_column("dry_h", existing_type=sa.Double(), nullable=True)
    op.execute("UPDATE vehicle_summary SET dry_h = NULL WHERE dry_h = 0")
