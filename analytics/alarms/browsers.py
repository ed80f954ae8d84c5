"""Browsers that alerts are pushed to: each is a route of one person, who is told of what they may see."""

import hashlib
from dataclasses import dataclass
from typing import Final

from sqlalchemy import Connection, delete, func, insert, select, update

from analytics.alarms import push
from analytics.alarms.routes import add_route, close_route
from ingest import schema
from ingest.errors import Problem
from ingest.times import DAY_US

MOST: Final = 10  # of one person
LONGEST_LABEL: Final = 60
TOLD_DAYS: Final = 90  # so long one that was taken off is told of


@dataclass(frozen=True)
class Browser:
    """One of somebody's browsers: what its push service answered last and when, when the browser itself last said that it showed a
    message, and since when the push service knows it no more."""

    route_id: int
    label: str
    made_us: int
    answer: str | None
    answered_us: int | None
    took: bool | None
    shown_us: int | None
    gone_us: int | None
    severity: str
    at_any_hour: bool
    endpoint_hash: str


def subscribe(
    connection: Connection, person_id: int, label: str, to: push.Target, *, severity: str, at_any_hour: bool, now_us: int
) -> int:  # fmt: skip
    """Push alerts to a browser; the number of its route. One that was subscribed before is so anew: a browser belongs to who uses it
    now. Raises Problem."""
    table, name = schema.push_browser, hash_of(to.endpoint)
    known = connection.scalar(select(table.c.route_id).where(table.c.endpoint_hash == name))
    if known is not None:
        _drop(connection, known)
    mine = select(func.count()).where(table.c.person_id == person_id, table.c.gone_us.is_(None))
    if (connection.scalar(mine) or 0) >= MOST:
        raise Problem(f"alerts go to at most {MOST} browsers of one person; take one off first")
    number = add_route(
        connection, to.address, depot=None, severity=severity, groups=(), after_min=0, at_any_hour=at_any_hour
    )
    said = " ".join(label.split())[:LONGEST_LABEL] or "A browser"
    values = {"route_id": number, "person_id": person_id, "label": said, "endpoint_hash": name, "made_us": now_us}
    connection.execute(insert(table).values(**values))
    return number


def of_person(connection: Connection, person_id: int, now_us: int) -> list[Browser]:
    """Somebody's browsers, those that were taken off lately too."""
    table, route = schema.push_browser, schema.route
    rows = connection.execute(
        select(table, route.c.severity, route.c.at_any_hour)
        .join(route, route.c.id == table.c.route_id)
        .where(table.c.person_id == person_id, func.coalesce(table.c.gone_us, now_us) > now_us - TOLD_DAYS * DAY_US)
        .order_by(table.c.route_id)
    )
    names = tuple(Browser.__dataclass_fields__)
    return [Browser(**{name: row[name] for name in names}) for row in rows.mappings()]


def take_off(connection: Connection, person_id: int, number: int) -> None:
    """Push nothing to a browser any more. Raises Problem where it is none of theirs."""
    find(connection, person_id, number)
    _drop(connection, number)


def find(connection: Connection, person_id: int, number: int) -> int | None:
    """When one of somebody's browsers last had an answer. Raises Problem where it is none of theirs."""
    table = schema.push_browser
    mine = table.c.route_id == number, table.c.person_id == person_id
    row = connection.execute(select(table.c.answered_us).where(*mine)).one_or_none()
    if row is None:
        raise Problem("that browser is none of yours, or was taken off already")
    return None if row.answered_us is None else int(row.answered_us)


def take_off_all(connection: Connection, person_id: int) -> None:
    """Push nothing to anybody's browsers who may come in no more."""
    table = schema.push_browser
    for number in connection.execute(select(table.c.route_id).where(table.c.person_id == person_id)).scalars().all():
        _drop(connection, number)


def note_answer(connection: Connection, number: int, said: str, now_us: int, *, took: bool, gone: bool = False) -> None:
    """Keep what a push service answered; one that knows the browser no more ends its route. Does nothing for other routes."""
    table = schema.push_browser
    values = {"answer": said[:300], "answered_us": now_us, "took": took, **({"gone_us": now_us} if gone else {})}
    done = connection.execute(update(table).where(table.c.route_id == number).values(**values)).rowcount
    if done and gone:
        close_route(connection, number)


def note_shown(connection: Connection, person_id: int, endpoint: str, now_us: int) -> None:
    """Keep that a browser itself says that it showed a message."""
    table = schema.push_browser
    mine = table.c.endpoint_hash == hash_of(endpoint), table.c.person_id == person_id
    connection.execute(update(table).where(*mine).values(shown_us=now_us))


def hash_of(endpoint: str) -> str:
    """What a subscription is found by: its address is a secret."""
    return hashlib.sha256(endpoint.encode()).hexdigest()


def _drop(connection: Connection, number: int) -> None:
    close_route(connection, number)
    connection.execute(delete(schema.push_browser).where(schema.push_browser.c.route_id == number))
