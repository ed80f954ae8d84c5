"""Servers that are asked for hours and positions, and at which depots vehicles stand."""

from sqlalchemy import JSON, BigInteger, Column, ForeignKey, Integer, String, Table, Text

from ingest.schema.base import metadata

# Servers of ISO/TS 15143-3 that are polled (`telematics.Source`).
telematics = Table(
    "telematics",
    metadata,
    Column("name", String(20), primary_key=True),
    Column("mapping", JSON, nullable=False),  # `iso15143.Equipment`
    Column("header", Text),  # what lets us in, sealed where a key is named
    Column("known", JSON, nullable=False),  # address -> etag, modified, next
    Column("series_us", JSON, nullable=False),  # identifier -> until when its series was asked for
    Column("failures", Integer, nullable=False),  # in a row
    Column("next_try_us", BigInteger, nullable=False),
    Column("asked_us", BigInteger),
    Column("answer", Text),
)

# From when to when a vehicle was seen at a depot last (empty: at none). No position is kept.
stood = Table(
    "stood",
    metadata,
    Column("vehicle_id", Integer, ForeignKey("vehicle.id"), primary_key=True, autoincrement=False),
    Column("depot", String(256), primary_key=True),
    Column("since_us", BigInteger, nullable=False),
    Column("until_us", BigInteger, nullable=False),
)
