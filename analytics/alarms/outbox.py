"""What is to be delivered: written with its transition, claimed, sent, marked done."""

import hashlib
from collections.abc import Callable
from datetime import timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

from sqlalchemy import Connection, Engine, delete, func, insert, or_, select, update

from analytics.alarms import depots
from analytics.alarms.routes import Route, masked, read_routes
from analytics.alarms.transports import Message, Send, Undelivered, log
from analytics.alarms.wording import Told, alert, detail, digest, site
from ingest import schema
from ingest.database import writing
from ingest.setups import Setup
from ingest.times import DAY_US, instant, rfc3339

MINUTE_US: Final = 60_000_000


CLAIM_US: Final = 300_000_000  # whoever claimed a message and did not send it by then has died


PAUSE_S: Final = 30.0  # after the first failure of a route; twice as long after each further one


LONGEST_PAUSE_S: Final = 3600.0


REPORTED_AFTER: Final = 3  # failures in a row


DIGEST_WITHIN_MIN: Final = 360  # a digest that could not be made for so long is left out


KEPT_DAYS: Final = 90  # so long it is kept what was delivered


def announce(connection: Connection, setup: Setup, told: Told, now_us: int) -> None:
    """Write down, within the transaction of a transition, to whom it is to be told at once: people of what cannot wait and nobody
    has taken note of, programs of everything."""
    wishes, zone = depots.depot(connection, setup.depot), ZoneInfo(setup.timezone)
    rows = []
    for route in read_routes(connection):
        waits = told.state == "unacknowledged"
        # Who is told only of what nobody took note of is in no digest.
        now = waits and (told.severity == "act_now" or route.after_min > 0)
        if not route.takes(setup.depot, told.severity, told.kind.group) or not (now or route.to_programs):
            continue
        due_us = now_us + route.after_min * MINUTE_US
        if not route.at_any_hour and not route.to_programs:
            due_us = wishes.not_before(due_us, zone)
        title, body = alert(setup, told, site())
        rows.append(
            {"key": f"{told.number}/{told.transition}/{route.id}", "route_id": route.id, "alarm_id": told.number,
             "made_us": now_us, "due_us": due_us, "title": title, "body": body, "detail": detail(setup, told, now_us)}
        )  # fmt: skip
    if rows:
        connection.execute(insert(schema.outbox), rows)


def make_digests(
    engine: Engine, open_alarms: Callable[[Connection, str], list[tuple[Setup, Told]]], now_us: int
) -> int:
    """Write down the digests of the day that are due by their depots' clocks; how many. `open_alarms` gives a depot's."""
    table, known, made = schema.outbox, schema.vehicle_summary, 0
    with engine.connect() as connection:
        people = [route for route in read_routes(connection) if not route.to_programs and not route.after_min]
        if not people:
            return 0
        depots_ = connection.execute(select(known.c.depot, func.min(known.c.timezone)).group_by(known.c.depot)).all()
        wishes = {name: depots.depot(connection, name) for name, _ in depots_}
    for name, timezone in depots_:
        zone = ZoneInfo(timezone)
        at = instant(now_us).astimezone(zone)
        late_min = (at.hour * 60 + at.minute - wishes[name].digest_min) % (24 * 60)
        day = (at - timedelta(minutes=late_min)).date()
        mine = [route for route in people if route.depot in (None, name)]
        if not mine or late_min > DIGEST_WITHIN_MIN:
            continue
        place = hashlib.sha256(name.encode()).hexdigest()[:16]
        keys = {f"digest/{day}/{route.id}/{place}": route for route in mine}
        with engine.connect() as connection:
            done = set(connection.execute(select(table.c.key).where(table.c.key.in_(list(keys)))).scalars())
            rows = open_alarms(connection, name) if len(done) < len(keys) else []
        if len(done) == len(keys):
            continue
        with writing(engine) as connection:
            for key, route in keys.items():
                if connection.scalar(select(table.c.id).where(table.c.key == key)) is not None:
                    continue
                chosen = [row for row in rows if route.takes(name, row[1].severity, row[1].kind.group)]
                title, body = digest(name, chosen, site())
                due_us = now_us if route.at_any_hour else wishes[name].not_before(now_us, zone)
                nothing = {} if chosen else {"done_us": now_us, "dropped_why": "nothing is open"}
                values = {"made_us": now_us, "due_us": due_us, "title": title, "body": body, "detail": {}}
                connection.execute(insert(table).values(key=key, route_id=route.id, **values, **nothing))
                made += bool(chosen)
    return made


def deliver(
    engine: Engine, now_us: Callable[[], int], send: Send, step: Callable[[str], None] = lambda _: None,
    enough: Callable[[], bool] = lambda: False,
) -> int:  # fmt: skip
    """Send what is due, until there is `enough`; how many were sent. `step` is told before each step: it shows that there is progress,
    and tests can die there."""
    sent = 0
    while True:
        step("claim")
        if enough():
            return sent
        with engine.connect() as connection:
            if not waiting(connection, now_us())[0]:
                return sent  # the usual case takes no lock
        with writing(engine) as connection:
            message = _claim(connection, now_us())
        if message is None:
            return sent
        step("send")
        try:
            _try(send, message)
        except Undelivered as problem:
            step("mark failed")
            with writing(engine) as connection:
                _failed(connection, message, str(problem), now_us())
            log.warning("not delivered", route=message.route.id, to=masked(message.route.address), why=str(problem))
            continue
        step("mark sent")
        with writing(engine) as connection:
            _sent(connection, message, now_us())
        sent += 1


def _try(send: Send, message: Message) -> None:
    """Send; whatever goes wrong on one route is that route's failure and nobody else's."""
    try:
        send(message)
    except Undelivered:
        raise
    except Exception as error:
        raise Undelivered(f"{type(error).__name__}: {error}") from error


def _claim(connection: Connection, now_us: int) -> Message | None:
    """The next message that is due and still wanted, claimed; None where there is none."""
    table, alarm, route = schema.outbox, schema.alarm, schema.route
    waiting = (
        select(table, alarm.c.state, route.c.removed)
        .join(route, route.c.id == table.c.route_id)
        .outerjoin(alarm, alarm.c.id == table.c.alarm_id)
        .where(
            table.c.done_us.is_(None), table.c.due_us <= now_us,
            or_(table.c.claimed_us.is_(None), table.c.claimed_us <= now_us - CLAIM_US),
            or_(route.c.removed, route.c.next_try_us <= now_us),
        )
        .order_by(table.c.due_us, table.c.id)
        .limit(1)
        .with_for_update(of=table, skip_locked=True)
    )  # fmt: skip
    while (row := connection.execute(waiting).one_or_none()) is not None:
        found = {r.id: r for r in read_routes(connection)}.get(row.route_id)
        newer = select(table.c.id).where(
            table.c.alarm_id == row.alarm_id,
            table.c.route_id == row.route_id,
            table.c.id > row.id,
            table.c.due_us <= now_us,
        )
        if found is None:
            why: str | None = "the route was removed"
        elif (
            row.alarm_id is not None
            and not found.to_programs
            and connection.execute(newer.limit(1)).first() is not None
        ):
            why = "a later message tells more of it"
        else:
            why = _not_wanted(row, found)
        done = {"done_us": now_us, "dropped_why": why} if why else {"claimed_us": now_us}
        connection.execute(update(table).where(table.c.id == row.id).values(**done))
        if not why and found is not None:
            return Message(row.id, row.key, found, row.title, row.body, row.detail)
    return None


def _not_wanted(row: Any, route: Route) -> str | None:
    """Why a message need not be sent any more: people are told of what still waits for somebody."""
    if row.alarm_id is None or route.to_programs or row.state == "unacknowledged":
        return None
    return f"the alarm was {row.state} before it was sent"


def _sent(connection: Connection, message: Message, now_us: int) -> None:
    connection.execute(update(schema.outbox).where(schema.outbox.c.id == message.id).values(done_us=now_us))
    fine = {"failures": 0, "failing_us": None, "next_try_us": 0, "error": None}
    connection.execute(update(schema.route).where(schema.route.c.id == message.route.id).values(**fine))


def _failed(connection: Connection, message: Message, why: str, now_us: int) -> None:
    """Leave the message for later, the whole route with it, and say so by the other routes once it has failed for a while."""
    table, outbox = schema.route, schema.outbox
    failures, since = connection.execute(
        select(table.c.failures + 1, func.coalesce(table.c.failing_us, now_us)).where(table.c.id == message.route.id)
    ).one()
    pause_us = int(min(PAUSE_S * 2 ** min(failures - 1, 12), LONGEST_PAUSE_S) * 1e6)
    connection.execute(
        update(table)
        .where(table.c.id == message.route.id)
        .values(failures=failures, failing_us=since, next_try_us=now_us + pause_us, error=why[:500])
    )
    connection.execute(update(outbox).where(outbox.c.id == message.id).values(claimed_us=None))
    if failures != REPORTED_AFTER:
        return
    others = [r for r in read_routes(connection) if r.id != message.route.id and not r.to_programs and not r.after_min]
    for other in others:
        key = f"failing/{message.route.id}/{since}/{other.id}"
        connection.execute(
            insert(outbox).values(
                key=key, route_id=other.id, made_us=now_us, due_us=now_us, detail={},
                title=f"Alerts to {masked(message.route.address)} do not arrive",
                body=f"Route {message.route.id} has failed since {rfc3339(since)}: {why}. tallow goes on trying; what is not"
                f" delivered is kept. Look at it on {site()}/alarms.",
            )
        )  # fmt: skip


def waiting(connection: Connection, now_us: int) -> tuple[int, int | None]:
    """(messages that are due and not delivered, when the oldest of them was due)."""
    table = schema.outbox
    waits = table.c.done_us.is_(None), table.c.due_us <= now_us
    row = connection.execute(select(func.count(), func.min(table.c.due_us)).where(*waits)).one()
    return int(row[0]), row[1]


def forget(engine: Engine, now_us: int) -> int:
    """Let go of what was delivered long ago; how many messages."""
    table, old = schema.outbox, schema.outbox.c.done_us < now_us - KEPT_DAYS * DAY_US
    with engine.connect() as connection:
        if connection.execute(select(table.c.id).where(old).limit(1)).first() is None:
            return 0
    with writing(engine) as connection:
        return connection.execute(delete(table).where(old)).rowcount
