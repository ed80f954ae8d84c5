"""What is recorded, in a few numbers: how much, how new, by whom. Loads no arrays, so that whoever asks waits for nothing."""

from typing import Any

from sqlalchemy import Connection, func, or_, select

from ingest import schema
from ingest.times import DAY_US, EARLIEST_US, LATEST_US, now_us, rfc3339


def newest_at_us(connection: Connection) -> int | None:
    """The newest time that can be believed; None where nothing is recorded.

    Where no receipt is known, a time more than a day ahead of every other vehicle's is a clock gone wrong.
    """
    table = schema.vehicle
    heard = connection.execute(
        select(table.c.id, table.c.heard_us)
        .where(table.c.heard_us.is_not(None))
        .order_by(table.c.heard_us.desc())
        .limit(2)
    ).all()
    if len(heard) < 2 or heard[0].heard_us <= heard[1].heard_us + DAY_US:
        first: int | None = heard[0].heard_us if heard else None
        return first
    message, limit = schema.message, heard[1].heard_us + DAY_US
    believable = or_(message.c.at_us <= limit, message.c.received_us >= message.c.at_us)
    own: int | None = connection.scalar(
        select(func.max(message.c.at_us)).where(message.c.vehicle_id == heard[0].id, believable)
    )
    second: int = heard[1].heard_us
    return second if own is None else max(own, second)


def default_as_of_us(connection: Connection) -> int:
    """The time to answer for where none is asked: the newest that can be believed, the present where nothing is recorded."""
    newest_us = newest_at_us(connection)
    return now_us() if newest_us is None else min(newest_us, LATEST_US)


def recorded_since_us(connection: Connection, fleet: str) -> int | None:
    """When the first message of a fleet happened, by clocks that had power; None where nothing of it is recorded."""
    vehicle = schema.vehicle
    found: list[int | None] = []
    for table in (schema.message, schema.thinned):
        # Vehicle by vehicle, since messages lie in order of vehicle and time.
        own = table.c.vehicle_id == vehicle.c.id, table.c.at_us >= EARLIEST_US
        first = select(func.min(table.c.at_us)).where(*own).correlate(vehicle).scalar_subquery()
        found.append(connection.scalar(select(func.min(first)).where(vehicle.c.fleet == fleet)))
    return min((us for us in found if us is not None), default=None)


def registered_first_us(connection: Connection, fleet: str) -> int | None:
    """When the first vehicle of a fleet was registered; None where that was not kept."""
    vehicle, setup = schema.vehicle, schema.setup
    joined = select(func.min(setup.c.registered_us)).join(vehicle, vehicle.c.id == setup.c.vehicle_id)
    found: int | None = connection.scalar(joined.where(vehicle.c.fleet == fleet))
    return found


def status(connection: Connection) -> dict[str, Any]:
    """The object that `tallow status --json` prints."""
    intake, vehicle, setup = schema.recorder_stats, schema.vehicle, schema.setup
    kinds = ("cycle", "level", "fault", "ignition", "state")
    held: dict[str, int] = dict.fromkeys(kinds, 0)
    for table in (schema.message, schema.thinned):
        for kind, number in connection.execute(select(table.c.kind, func.count()).group_by(table.c.kind)):
            held[kind] += number
    duplicates, rejected, wills = connection.execute(
        select(*(func.coalesce(func.sum(intake.c[name]), 0) for name in ("duplicates", "rejected", "wills")))
    ).one()
    known = connection.scalar(select(func.count()).select_from(vehicle)) or 0
    registered = connection.scalar(select(func.count(setup.c.vehicle_id.distinct()))) or 0
    newest = newest_at_us(connection)
    return {
        "vehicles": registered,
        "recorded": held,
        "duplicates": int(duplicates),
        "rejected": int(rejected),
        "newest_at": None if newest is None else rfc3339(newest),
        "unregistered_vehicles": known - registered,
        "wills": int(wills),
    }


def recorders(connection: Connection) -> dict[str, int]:
    """When each recorder last committed, microseconds since 1970 UTC."""
    table = schema.recorder_stats
    rows = connection.execute(select(table.c.recorder, table.c.last_us).where(table.c.last_us.is_not(None)))
    return {name: at_us for name, at_us in rows}  # noqa: C416
