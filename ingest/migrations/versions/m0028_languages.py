"""Who reads in which language, and what sentences were made of."""

import sqlalchemy as sa
from alembic import op

revision = "0028"
down_revision = "0027"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Sentences kept before stay English until the next analysis says them anew."""
    op.add_column("finding", sa.Column("said", sa.JSON()))
    op.add_column("alarm", sa.Column("said", sa.JSON()))
    op.add_column("person", sa.Column("language", sa.String(8)))
    op.add_column("route", sa.Column("language", sa.String(8), nullable=False, server_default="en"))
