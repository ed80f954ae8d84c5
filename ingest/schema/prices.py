"""What a point costs that runs dry, by those who know: nothing is assumed. And which points are dry, as far as findings tell."""

from sqlalchemy import BigInteger, Column, Double, ForeignKey, Index, Integer, SmallInteger, String, Table

from ingest.schema.base import metadata

# Of a kind of point (`points.point_kind`): a new part, hours of work and of standstill, and ignition hours that it lasts once dry.
price = Table(
    "price",
    metadata,
    Column("point_kind", String(256), primary_key=True),
    Column("part", Double, nullable=False),
    Column("work_h", Double, nullable=False),
    Column("standstill_h", Double, nullable=False),
    Column("dry_life_h", Double, nullable=False),
    Column("changed_us", BigInteger, nullable=False),
)

# What an hour costs; one row of number 1, once somebody has said it.
hourly_rate = Table(
    "hourly_rate",
    metadata,
    Column("id", SmallInteger, primary_key=True, autoincrement=False),
    Column("currency", String(8), nullable=False),
    Column("work", Double, nullable=False),
    Column("standstill", Double, nullable=False),
)

# Points that a finding says are dry, with the ignition hours since grease surely arrived (null: not known); by the newest analysis.
dry_point = Table(
    "dry_point",
    metadata,
    Column("vehicle_id", Integer, ForeignKey("vehicle.id"), primary_key=True, autoincrement=False),
    Column("line", SmallInteger, primary_key=True, autoincrement=False),
    Column("point_kind", String(256), nullable=False),
    Column("finding", String(24), nullable=False),
    Column("hours", Double),
    Index(None, "point_kind"),
)
