"""Vehicles that nobody has registered: what they say is kept for a while, and only so many of them are known."""

from typing import Final

from sqlalchemy import ColumnElement, Connection, Engine, delete, func, or_, select

from ingest import schema
from ingest.database import writing
from ingest.times import DAY_US

MOST: Final = 10_000  # at a time; what others say goes to quarantine
KEPT_DAYS: Final = 30  # after they were first and last heard


def room(connection: Connection) -> int:
    """How many more vehicles may be known that nobody has registered."""
    number = connection.scalar(select(func.count()).select_from(schema.vehicle).where(_unregistered()))
    return max(0, MOST - (number or 0))


def forget(engine: Engine, now_us: int) -> int:
    """Let go of vehicles that nobody has registered within the days they are kept, and of all that they said; how many. They are new
    if they are heard again."""
    table, before_us = schema.vehicle, now_us - KEPT_DAYS * DAY_US
    old = (
        _unregistered(), table.c.made_us < before_us,
        or_(table.c.heard_us.is_(None), table.c.heard_us < before_us, table.c.heard_us > now_us + DAY_US),
    )  # fmt: skip
    with engine.connect() as connection:
        ids = connection.execute(select(table.c.id).where(*old).order_by(table.c.id)).scalars().all()
    gone = 0
    for id_ in ids:
        with writing(engine) as connection:
            # Whoever records something of it at the same time finds it gone, and makes it anew.
            mine = select(table.c.id).where(table.c.id == id_, *old).with_for_update()
            if connection.execute(mine).one_or_none() is None:
                continue
            for other in (schema.message, schema.thinned, schema.name_range, schema.archive):
                connection.execute(delete(other).where(other.c.vehicle_id == id_))
            gone += connection.execute(delete(table).where(table.c.id == id_)).rowcount
    return gone


def _unregistered() -> ColumnElement[bool]:
    """That nobody has registered a vehicle or recorded work on it."""
    vehicle, setup, work = schema.vehicle, schema.setup, schema.work
    known = (select(other.c.vehicle_id).where(other.c.vehicle_id == vehicle.c.id).exists() for other in (setup, work))
    return ~or_(*known)
