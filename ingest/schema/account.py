"""Whether each point got its grease, by vehicle: months with their days, kinds of point, weeks (`account.greased`); what people
found where findings sent them; what gets worse slowly.

Fleet, depot and class stand in each row as they were then: what is rolled up is read from one index, and a vehicle that moved takes
nothing along.
"""

from typing import Any

from sqlalchemy import (
    JSON,
    BigInteger,
    Boolean,
    Column,
    Double,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    String,
    Table,
    Text,
)

from ingest.schema.base import metadata


def _of_vehicle(period: str, length: int) -> list[Column[Any]]:
    return [
        Column("vehicle_id", Integer, ForeignKey("vehicle.id"), primary_key=True, autoincrement=False),
        Column(period, String(length), primary_key=True),
        Column("depot", String(256), primary_key=True),
    ]


def _doses() -> list[Column[Any]]:
    return [Column(name, Double, nullable=False) for name in ("planned", "arrived", "failed")]


greased = Table(
    "greased",
    metadata,
    *_of_vehicle("month", 7),
    Column("fleet", String(64), nullable=False),
    Column("vehicle_class", Text, nullable=False),
    *_doses(),
    Column("worst", Double, nullable=False),  # of one point
    Column("days", LargeBinary, nullable=False),  # `account.greased.packed`
    Index("ix_greased_month", "month", "depot", "fleet", "vehicle_class", "planned", "arrived", "failed"),
    Index("ix_greased_worst", "month", "worst"),
)

greased_kind = Table(
    "greased_kind",
    metadata,
    *_of_vehicle("month", 7),
    Column("point_kind", String(256), primary_key=True),
    Column("critical", Boolean, primary_key=True),
    Column("fleet", String(64), nullable=False),
    *_doses(),
    Index("ix_greased_kind_month", "month", "point_kind", "critical", "depot", "fleet", "planned", "arrived", "failed"),
    sqlite_with_rowid=False,
)

greased_week = Table(
    "greased_week",
    metadata,
    *_of_vehicle("week", 10),
    Column("fleet", String(64), nullable=False),
    *_doses(),
    Index("ix_greased_week_week", "week", "depot", "fleet", "planned", "arrived", "failed"),
    sqlite_with_rowid=False,
)

# What somebody found who went there because of a finding: of the work records that stand (`work_records.record`).
verdict = Table(
    "verdict",
    metadata,
    Column("work_key", String(64), ForeignKey("work.key"), primary_key=True),
    Column("vehicle_id", Integer, ForeignKey("vehicle.id"), nullable=False, index=True),
    Column("at_us", BigInteger, nullable=False),
    Column("kind", String(24), nullable=False),
    Column("channel", String(64)),
    Column("began_us", BigInteger, nullable=False),
    Column("found", String(16), nullable=False),  # `work.FOUND`
    Column("cause", Text),
    Index(None, "kind", "at_us"),
)

# What gets worse slowly (`trends.Trend`): of each vehicle as of its latest trends, which are made once a day.
wear = Table(
    "wear",
    metadata,
    Column("vehicle_id", Integer, ForeignKey("vehicle.id"), primary_key=True, autoincrement=False),
    Column("what", String(16), primary_key=True),
    Column("channel", String(64), primary_key=True),  # empty: the pump
    Column("as_of_us", BigInteger, nullable=False),
    Column("lines", JSON, nullable=False),
    Column("hours", Double, nullable=False),
    Column("percent", Double, nullable=False),
    Column("percent_low", Double, nullable=False),
    Column("percent_high", Double, nullable=False),
    Column("changed_percent", Double, nullable=False),
    Column("baseline", String(16), nullable=False),
    Column("latest", Double, nullable=False),  # `trends.Trend.latest`
    Column("early_us", BigInteger),
    Column("expected_us", BigInteger),
    Column("worsens", Boolean, nullable=False),
    Index(None, "worsens", "expected_us"),
)

# How well the pressure model fits each channel of a vehicle (`model_check.Check`), made with its trends.
model_check = Table(
    "model_check",
    metadata,
    Column("vehicle_id", Integer, ForeignKey("vehicle.id"), primary_key=True, autoincrement=False),
    Column("channel", String(64), primary_key=True),
    Column("as_of_us", BigInteger, nullable=False),
    Column("lines", JSON, nullable=False),
    Column("readings", Integer, nullable=False),
    Column("spread_percent", Double),
    Column("outside", Double),
    Column("memory", Double),
    Column("memory_limit", Double),
    Column("lean_percent", Double),
    Column("lean_low", Double),
    Column("lean_high", Double),
    Column("worst", Double, index=True),
    Column("remarks", JSON, nullable=False),
)
