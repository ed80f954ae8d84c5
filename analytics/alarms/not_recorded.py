"""That nothing is recorded: who waits for alerts takes their silence for good news, and hears of it once, and once when it is over.

Goes by what ingesters say of themselves, not by messages: a fleet that stands sends none. How long it lasts is by the machine's clock.
"""

from collections.abc import Callable
from typing import Any, Final
from zoneinfo import ZoneInfo

from sqlalchemy import Connection, Engine, Row, func, select, update

from analytics.alarms import depots, letters
from analytics.alarms.outbox import MINUTE_US, name_of
from analytics.alarms.routes import Route, read_routes, recipients
from analytics.alarms.wording import site
from ingest import listening, schema
from ingest.database import upsert, writing
from ingest.languages import cldr, speaking, tr
from ingest.times import instant, machine_us, pace, shown_us

AFTER_US: Final = 60 * MINUTE_US  # a restart or an upgrade is over by then
_STOPPED: Final = "stopped"  # how keys of messages begin; then since when, and the route with its recipient
_AGAIN: Final = "again"


def make(engine: Engine, at_us: int, watched_us: int) -> int:
    """Write down that ingesters stopped listening, or listen again; how many messages. `watched_us` is since when somebody watches, by the
    machine's clock: who starts after a standstill gives the ingester that starts beside it time to listen."""
    with engine.connect() as connection:
        last_us = _recorded_us(connection)
        standing = _standing(connection)
    now_us = machine_us()
    if last_us is not None and now_us - max(last_us, watched_us) > AFTER_US:
        return _stopped(engine, at_us, last_us, {_whom(row) for row in standing})
    if last_us is not None and standing and now_us - last_us <= AFTER_US:
        return _again(engine, at_us, standing)
    return 0


def _recorded_us(connection: Connection) -> int | None:
    """When an ingester listened or recorded last, by the machine's clock; None where none ever listened."""
    table = schema.recorder_stats
    listened_us = listening.last_us(connection)
    committed_us = connection.scalar(select(func.max(table.c.last_us)).where(table.c.listened_us.is_not(None)))
    if listened_us is None or committed_us is None:
        return listened_us
    now_us = machine_us()
    return max(listened_us, now_us - int((shown_us(now_us) - committed_us) / pace()))


def _standing(connection: Connection) -> list[Row[Any]]:
    """The messages that say it of a standstill that nobody was told the end of."""
    table = schema.outbox
    ours = table.c.key.like(f"{_STOPPED}/%") | table.c.key.like(f"{_AGAIN}/%")
    told = {row.key: row for row in connection.execute(select(table).where(table.c.alarm_id.is_(None), ours))}
    stops = (row for key, row in told.items() if key.startswith(_STOPPED) and row.dropped_why is None)
    return [row for row in stops if row.key.replace(_STOPPED, _AGAIN, 1) not in told]


def _whom(row: Row[Any]) -> str:
    """The route of a message, with its recipient."""
    return str(row.key).split("/", 2)[2]


def _stopped(engine: Engine, at_us: int, since_us: int, know: set[str]) -> int:
    """Tell all people who do not know it."""
    with writing(engine) as connection:
        routes = [route for route in read_routes(connection) if not route.to_programs and not route.after_min]
        told = [
            (f"{_STOPPED}/{since_us}/{whom}", route, one or None)
            for route in routes
            for one in recipients(route.address)
            if (whom := name_of(f"{route.id}", one)) not in know
        ]

        def said() -> tuple[str, str]:
            since = instant(shown_us(since_us))
            return tr("Nothing has been recorded since {time}", time=f"{cldr.day(since)}, {since:%H:%M} UTC"), tr(
                "No ingester has listened since then. What happens to the vehicles is not known meanwhile, and no alert can tell of it. The"
                " broker keeps their messages for a while. Look at the machine on which tallow ingest runs."
            )

        return _write(connection, told, said, at_us)


def _again(engine: Engine, at_us: int, standing: list[Row[Any]]) -> int:
    """Tell whoever was told that it is over; whom it did not reach need not hear of it."""
    table = schema.outbox
    with writing(engine) as connection:
        routes = {route.id: route for route in read_routes(connection)}
        told = list[tuple[str, Route, str | None]]()
        for row in standing:
            dropped = {"done_us": at_us, "dropped_why": "messages are recorded again"}
            unsent = table.c.id == row.id, table.c.done_us.is_(None), table.c.claimed_us.is_(None)
            if (
                not connection.execute(update(table).where(*unsent).values(**dropped)).rowcount
                and row.route_id in routes
            ):
                told.append((row.key.replace(_STOPPED, _AGAIN, 1), routes[row.route_id], row.recipient))

        def said() -> tuple[str, str]:
            return tr("Messages are recorded again"), tr(
                "What the broker kept meanwhile is recorded first; alerts of that time follow."
            )

        return _write(connection, told, said, at_us)


def _write(
    connection: Connection, told: list[tuple[str, Route, str | None]], said: Callable[[], tuple[str, str]], at_us: int
) -> int:
    """Write down messages, each (key, route, recipient), in the languages of their routes; a depot's own route has its quiet hours."""
    rows, zones = list[dict[str, Any]](), dict(letters.places(connection)) if told else {}
    for key, route, recipient in told:
        with speaking(route.language):
            title, body = said()
        due_us = at_us
        if not route.at_any_hour and route.depot in zones:
            due_us = depots.depot(connection, route.depot).not_before(at_us, ZoneInfo(zones[route.depot]))
        rows.append(
            {"key": key, "route_id": route.id, "recipient": recipient, "made_us": at_us, "due_us": due_us, "title": title,
             "body": f"{body}\n\n{site()}/data", "detail": {}}
        )  # fmt: skip
    if rows:
        connection.execute(upsert(connection, schema.outbox).on_conflict_do_nothing(), rows)
    return len(rows)
