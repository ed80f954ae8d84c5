"""By how much more a reservoir holds is null where no level was seen."""

import sqlalchemy as sa
from alembic import op

revision = "0031"
down_revision = "0030"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Months that say 0 are written anew by the next analysis."""
    with op.batch_alter_table("supply") as table:
        table.alter_column("held_l", existing_type=sa.Double(), nullable=True)
        table.alter_column("unaccounted_l", existing_type=sa.Double(), nullable=True)
