"""When points that are greased by hand are due, by the newest analysis (`hand.HandState`)."""

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Double,
    ForeignKey,
    Index,
    Integer,
    SmallInteger,
    String,
    Table,
    Text,
)

from ingest.schema.base import metadata

hand_due = Table(
    "hand_due",
    metadata,
    Column("vehicle_id", Integer, ForeignKey("vehicle.id"), primary_key=True, autoincrement=False),
    Column("number", SmallInteger, primary_key=True, autoincrement=False),
    Column("point", Text, nullable=False),
    Column("every", Double, nullable=False),
    Column("unit", String(2), nullable=False),
    Column("grams", Double),
    Column("strokes", Double),
    Column("grease", Text, nullable=False),
    Column("critical", Boolean, nullable=False),
    Column("greased_us", BigInteger),  # null: never, by record
    Column("since", Double),  # in its own unit; null: not known
    Column("hours_since", Double),  # ignition hours; null: not known
    Column("read_us", BigInteger),  # when its meter was read last
    Column("from_us", BigInteger),  # from when greasing it is no waste
    Column("due_us", BigInteger),  # null: not known
    Column("reason", Text, nullable=False),  # why it is not known
    Index(None, "due_us"),
)
