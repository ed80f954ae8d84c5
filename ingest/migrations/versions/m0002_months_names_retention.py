"""messages by month, names as ranges, what retention keeps."""

from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"

_MOVED = (
    "vehicle_id at_us boot seq received_us sent_us kind engine_h temp_c cycle_no run_s manual complete supply_v peak_list"
    " peak_kpa rest_list rest_kpa trace level_pct tilt_deg code active channel value ignition_on online firmware"
).split()


def _columns() -> list["sa.Column[Any]"]:
    return [
        sa.Column("vehicle_id", sa.Integer(), nullable=False),
        sa.Column("at_us", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("boot", sa.String(length=32), nullable=False),
        sa.Column("seq", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("received_us", sa.BigInteger(), nullable=True),
        sa.Column("sent_us", sa.BigInteger(), nullable=True),
        sa.Column("kind", sa.String(length=8), nullable=False),
        sa.Column("engine_h", sa.Double(), nullable=True),
        sa.Column("temp_c", sa.Double(), nullable=True),
        sa.Column("cycle_no", sa.BigInteger(), nullable=True),
        sa.Column("run_s", sa.Double(), nullable=True),
        sa.Column("manual", sa.Boolean(), nullable=True),
        sa.Column("complete", sa.Boolean(), nullable=True),
        sa.Column("supply_v", sa.Double(), nullable=True),
        sa.Column("peak_list", sa.BigInteger(), nullable=True),
        sa.Column("peak_kpa", sa.LargeBinary(), nullable=True),
        sa.Column("rest_list", sa.BigInteger(), nullable=True),
        sa.Column("rest_kpa", sa.LargeBinary(), nullable=True),
        sa.Column("trace", sa.LargeBinary(), nullable=True),
        sa.Column("level_pct", sa.Double(), nullable=True),
        sa.Column("tilt_deg", sa.Double(), nullable=True),
        sa.Column("code", sa.String(length=16), nullable=True),
        sa.Column("active", sa.Boolean(), nullable=True),
        sa.Column("channel", sa.String(length=64), nullable=True),
        sa.Column("value", sa.Double(), nullable=True),
        sa.Column("ignition_on", sa.Boolean(), nullable=True),
        sa.Column("online", sa.Boolean(), nullable=True),
        sa.Column("firmware", sa.String(length=256), nullable=True),
    ]


def upgrade() -> None:
    """Bring the tables up, and move what they hold."""
    key = ("vehicle_id", "at_us", "boot", "seq")
    connection = op.get_bind()
    op.create_table("thinned", *_columns(), sa.PrimaryKeyConstraint(*key, name="pk_thinned"), sqlite_with_rowid=False)
    op.create_table(
        "name_range",
        sa.Column("vehicle_id", sa.Integer(), nullable=False),
        sa.Column("boot", sa.String(length=32), nullable=False),
        sa.Column("first_seq", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("last_seq", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("vehicle_id", "boot", "first_seq", name="pk_name_range"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "past",
        sa.Column("vehicle_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("since_us", sa.BigInteger(), nullable=False),
        sa.Column("made_us", sa.BigInteger(), nullable=False),
        sa.Column("findings", sa.JSON(), nullable=False),
        sa.Column("fills", sa.JSON(), nullable=False),
        sa.Column("days", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["vehicle_id"], ["vehicle.id"], name="fk_past_vehicle_id"),
        sa.PrimaryKeyConstraint("vehicle_id", name="pk_past"),
    )
    op.rename_table("message", "message_before")
    if connection.dialect.name == "postgresql":
        op.execute("ALTER TABLE message_before RENAME CONSTRAINT pk_message TO pk_message_before")
    op.create_table(
        "message",
        *_columns(),
        sa.PrimaryKeyConstraint(*key, name="pk_message"),
        sqlite_with_rowid=False,
        postgresql_partition_by="RANGE (at_us)",
    )
    if connection.dialect.name == "postgresql":
        op.execute("CREATE TABLE message_other PARTITION OF message DEFAULT")
        _make_months(connection)
    columns = ", ".join(_MOVED)
    op.execute(f"INSERT INTO message ({columns}) SELECT {columns} FROM message_before ORDER BY vehicle_id, at_us")
    op.execute(
        "INSERT INTO name_range SELECT vehicle_id, boot, min(seq), max(seq) FROM (SELECT vehicle_id, boot, seq,"
        " seq - row_number() OVER (PARTITION BY vehicle_id, boot ORDER BY seq) AS island FROM message_before) AS numbered"
        " GROUP BY vehicle_id, boot, island"
    )
    op.drop_table("message_before")


def _make_months(connection: sa.Connection) -> None:
    us = connection.exec_driver_sql("SELECT DISTINCT at_us / 86400000000 FROM message_before").scalars()
    days = [datetime.fromtimestamp(day * 86400, UTC) for day in us if 0 <= day < 40_000]
    for month in sorted({day.year * 12 + day.month - 1 for day in days if 2010 <= day.year < 2050}):
        first, next_ = (int(datetime(m // 12, m % 12 + 1, 1, tzinfo=UTC).timestamp()) for m in (month, month + 1))
        op.execute(
            f"CREATE TABLE message_{month // 12}_{month % 12 + 1:02d} PARTITION OF message"
            f" FOR VALUES FROM ({first}000000) TO ({next_}000000)"
        )
