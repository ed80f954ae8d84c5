"""Greases that are used, as their data sheets say, and how cold each week of the year normally is where vehicles work."""

from sqlalchemy import Column, Double, ForeignKey, Integer, String, Table

from ingest.schema.base import metadata

grease = Table(
    "grease",
    metadata,
    Column("name", String(256), primary_key=True),
    Column("nlgi", String(8), primary_key=True),
    Column("thickener", String(32), nullable=False),
    Column("lowest_c", Double, nullable=False),
)

# By a vehicle's own readings (`greases.cold_weeks`): a week stays as it was until it is read again.
cold_week = Table(
    "cold_week",
    metadata,
    Column("vehicle_id", Integer, ForeignKey("vehicle.id"), primary_key=True, autoincrement=False),
    Column("week", String(2), primary_key=True),
    Column("low_c", Double, nullable=False),
)
