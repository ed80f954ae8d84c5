"""What people say of the vehicles: set-ups with their lines, and work done."""

from sqlalchemy import (
    JSON,
    BigInteger,
    Boolean,
    Column,
    Date,
    Double,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    SmallInteger,
    String,
    Table,
    Text,
    UniqueConstraint,
    true,
)

from ingest.schema.base import metadata

# Grows with whatever is registered (`registry.revision`).
registry_revision = Table("registry_revision", metadata, Column("revision", BigInteger, nullable=False))

# How a vehicle was set up, from `valid_from_us` on; null: from its first message on.
setup = Table(
    "setup",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("vehicle_id", Integer, ForeignKey("vehicle.id"), nullable=False),
    Column("valid_from_us", BigInteger),
    Column("unit", Text, nullable=False),
    Column("vehicle_class", Text, nullable=False),
    Column("depot", Text, nullable=False),
    Column("timezone", String(64), nullable=False),
    Column("commissioned", Date),
    Column("feed", String(16), nullable=False),
    Column("reservoir_l", Double, nullable=False),
    Column("low_mark_pct", Double, nullable=False),
    Column("interval_min", Double, nullable=False),
    Column("run_s", Double, nullable=False),
    Column("relief_kpa", Double, nullable=False),
    Column("grease", Text, nullable=False),
    Column("nlgi", String(8), nullable=False),
    Column("level", String(8), nullable=False),
    Column("confirmation", Boolean),  # null: the file did not say
    Column("nominal_v", Double),
    Column("registered_us", BigInteger),  # null: registered before this was kept
    Column("controller", Boolean, nullable=False, server_default=true()),  # false: all of it is greased by hand
    UniqueConstraint("vehicle_id", "valid_from_us"),
)

line = Table(
    "line",
    metadata,
    Column("setup_id", Integer, ForeignKey("setup.id", ondelete="CASCADE"), primary_key=True),
    Column("line", SmallInteger, primary_key=True, autoincrement=False),
    Column("bundle", Text, nullable=False),
    Column("point", Text, nullable=False),
    Column("channel", String(64)),
    Column("dose_cm3", Double, nullable=False),
    Column("length_m", Double, nullable=False),
    Column("bore_mm", Double, nullable=False),
    Column("critical", Boolean, nullable=False),
)

# Points that somebody greases by hand: due again after `every` hours, kilometres or days (`unit`).
hand_point = Table(
    "hand_point",
    metadata,
    Column("setup_id", Integer, ForeignKey("setup.id", ondelete="CASCADE"), primary_key=True),
    Column("number", SmallInteger, primary_key=True, autoincrement=False),
    Column("point", Text, nullable=False),
    Column("every", Double, nullable=False),
    Column("unit", String(2), nullable=False),
    Column("grams", Double),
    Column("strokes", Double),
    Column("grease", Text, nullable=False),
    Column("critical", Boolean, nullable=False),
)

# What people say that they did to a vehicle's system (`work.Work`). Rows are only added; one that corrects another names it.
work = Table(
    "work",
    metadata,
    Column("key", String(64), primary_key=True),
    Column("vehicle_id", Integer, ForeignKey("vehicle.id"), nullable=False),
    Column("at_us", BigInteger, nullable=False),
    Column("recorded_us", BigInteger, nullable=False),
    Column("corrects", String(64)),
    Column("detail", JSON, nullable=False),
    Index(None, "vehicle_id"),
)

# What people say of a piece of work afterwards, in words or as a picture. Rows are only added; `key` is given by whoever makes it.
remark = Table(
    "remark",
    metadata,
    Column("key", String(64), primary_key=True),
    Column("work_key", String(64), ForeignKey("work.key"), nullable=False),
    Column("at_us", BigInteger, nullable=False),
    Column("who", String(256), nullable=False),
    Column("text", Text, nullable=False),
    Column("width", SmallInteger),  # of the picture, where there is one
    Column("height", SmallInteger),
    Column("jpeg", LargeBinary),  # made anew from what was sent, without what cameras write into their files
    Index(None, "work_key"),
)
