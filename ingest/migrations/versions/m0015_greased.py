"""Whether each point got its grease: by vehicle and month with its days, by kind of point, and by week."""

import sqlalchemy as sa
from alembic import op

revision = "0015"
down_revision = "0014"
branch_labels = None
depends_on = None

_DOSES = ("planned", "arrived", "failed")


def upgrade() -> None:
    """Empty until the next analysis: the oldest results are made anew first."""
    _table("greased", ("month", 7), sa.Column("vehicle_class", sa.Text(), nullable=False),
           sa.Column("worst", sa.Double(), nullable=False), sa.Column("days", sa.LargeBinary(), nullable=False))  # fmt: skip
    _table("greased_kind", ("month", 7), sa.Column("point_kind", sa.String(256), primary_key=True),
           sa.Column("critical", sa.Boolean(), primary_key=True), sqlite_with_rowid=False)  # fmt: skip
    _table("greased_week", ("week", 10), sqlite_with_rowid=False)
    op.create_index("ix_greased_month", "greased", ["month", "depot", "fleet", "vehicle_class", *_DOSES])
    op.create_index("ix_greased_worst", "greased", ["month", "worst"])
    op.create_index(
        "ix_greased_kind_month", "greased_kind", ["month", "point_kind", "critical", "depot", "fleet", *_DOSES]
    )
    op.create_index("ix_greased_week_week", "greased_week", ["week", "depot", "fleet", *_DOSES])


def _table(name: str, period: tuple[str, int], *more: sa.Column, **options: bool) -> None:  # type: ignore[type-arg]
    keys = [column for column in more if column.primary_key]
    op.create_table(
        name,
        sa.Column("vehicle_id", sa.Integer(), sa.ForeignKey("vehicle.id"), primary_key=True, autoincrement=False),
        sa.Column(period[0], sa.String(period[1]), primary_key=True),
        sa.Column("depot", sa.String(256), primary_key=True),
        *keys,
        sa.Column("fleet", sa.String(64), nullable=False),
        *(sa.Column(dose, sa.Double(), nullable=False) for dose in _DOSES),
        *(column for column in more if not column.primary_key),
        **options,
    )
