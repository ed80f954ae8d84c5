"""What people read in peace: a report, once for each recipient of the routes that it is for. The outbox delivers it."""

import hashlib
from collections.abc import Iterator
from zoneinfo import ZoneInfo

from sqlalchemy import Connection, func, insert, select

from analytics.alarms import depots, push
from analytics.alarms.outbox import name_of
from analytics.alarms.routes import Route, read_routes, recipients
from ingest import schema
from ingest.depot_zone import zones


def post(connection: Connection, key: str, depot: str, title: str, body: str, now_us: int, *, own: bool = False) -> int:
    """Write down something that people read in peace, once for each recipient of the routes of a depot ("": those of all depots), with
    `own` of those that are of this depot only; how many there are."""
    table, number = schema.outbox, 0
    wishes, zone = depots.depot(connection, depot), ZoneInfo(zones(connection).get(depot, "UTC"))
    for named, route, one in _letters(connection, key, depot, own=own):
        number += 1
        if connection.scalar(select(table.c.id).where(table.c.key == named)) is not None:
            continue
        due_us = now_us if route.at_any_hour else wishes.not_before(now_us, zone)
        values = {"made_us": now_us, "due_us": due_us, "title": title, "body": body, "detail": {}}
        connection.execute(insert(table).values(key=named, route_id=route.id, recipient=one or None, **values))
    return number


def _letters(connection: Connection, key: str, depot: str, *, own: bool) -> Iterator[tuple[str, Route, str]]:
    """(what names it, route, recipient) of what people read in peace."""
    place = hashlib.sha256(depot.encode()).hexdigest()[:16]
    for route in read_routes(connection):
        if (
            route.to_programs
            or route.after_min
            or push.is_push(route.address)  # a notification is no letter
            or route.depot not in ((depot or None,) if own else (None, depot or None))
        ):
            continue
        for one in recipients(route.address):
            yield name_of(f"{key}/{route.id}/{place}", one), route, one


def unposted(connection: Connection, key: str, depot: str) -> bool:
    """Whether a route of this depot only ("": of all depots) has a recipient for whom this was not written down yet."""
    table, names = schema.outbox, [named for named, *_ in _letters(connection, key, depot, own=True)]
    held = connection.scalar(select(func.count()).select_from(table).where(table.c.key.in_(names)))
    return bool(names) and (held or 0) < len(names)


def places(connection: Connection) -> list[tuple[str, str]]:
    """(depot, its zone), and ("", the zone of most vehicles) for all of them."""
    found = zones(connection)
    return [("", found.pop("", "UTC")), *found.items()]
