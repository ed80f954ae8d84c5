"""What is to be delivered: written with its transition, claimed, sent, marked done."""

import hashlib
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any, Final
from zoneinfo import ZoneInfo

from sqlalchemy import ColumnElement, Connection, Engine, delete, func, or_, select, update

from analytics.alarms import browsers, depots
from analytics.alarms.routes import Route, masked, read_routes, recipients
from analytics.alarms.transports import Message, Send, Undelivered
from analytics.alarms.wording import Told, alert, bundle, detail, site
from analytics.kinds import ALARM_KINDS
from ingest import schema
from ingest.database import upsert, writing
from ingest.languages import speaking
from ingest.setups import Setup
from ingest.times import AHEAD_US, DAY_US, instant

MINUTE_US: Final = 60_000_000
CLAIM_US: Final = 300_000_000  # whoever claimed a message and did not send it by then has died
PAUSE_S: Final = 30.0  # after the first failure of a route; twice as long after each further one
LONGEST_PAUSE_S: Final = 3600.0
REPORTED_AFTER: Final = 3  # failures in a row
STORM_WINDOW_S: Final = 600  # in which somebody is sent at most `Route.most_alerts` one by one
BUNDLE_EVERY_S: Final = 120  # beyond that they come together, not more often
_BESIDE: Final = 8  # routes that are served beside each other

KEPT_DAYS: Final = 90  # so long it is kept what was delivered
FAILING: Final = "failing_route"  # in the detail of a message that says so of another route


def announce(connection: Connection, setup: Setup, told: Told, now_us: int, moved_from: str | None = None) -> None:
    """Write down, within the transaction of a transition, to whom it is to be told at once: people of what cannot wait and nobody
    has taken note of, programs of everything; of a vehicle that moved only who was not told at the depot before."""
    wishes, zone = depots.depot(connection, setup.depot), ZoneInfo(setup.timezone)
    rows = []
    for route in read_routes(connection):
        waits = told.state == "unacknowledged"
        # Who is told only of what nobody took note of is in no digest.
        now = waits and (told.severity == "act_now" or route.after_min > 0)
        if not route.takes(setup.fleet, setup.depot, told.severity, told.kind.group) or not (now or route.to_programs):
            continue
        if moved_from is not None and route.takes(setup.fleet, moved_from, told.severity, told.kind.group):
            continue
        due_us = now_us + route.after_min * MINUTE_US
        if not route.at_any_hour and not route.to_programs:
            due_us = wishes.not_before(due_us, zone)
        with speaking(route.language):
            title, body = alert(setup, told, site())
        rows += [
            {"key": name_of(f"{told.number}/{told.transition}/{route.id}", one), "route_id": route.id, "recipient": one or None,
             "alarm_id": told.number, "made_us": now_us, "due_us": due_us, "title": title, "body": body,
             "detail": detail(setup, told, now_us)}
            for one in recipients(route.address)
        ]  # fmt: skip
    if rows:  # of who moves to and fro nobody is told twice
        connection.execute(upsert(connection, schema.outbox).on_conflict_do_nothing(), rows)


def name_of(base: str, recipient: str) -> str:
    """What names a message to one of several, once."""
    return f"{base}/{hashlib.sha256(recipient.encode()).hexdigest()[:16]}" if recipient else base


def deliver(
    engine: Engine, now_us: Callable[[], int], send: Send, step: Callable[[str], None] = lambda _: None,
    enough: Callable[[], bool] = lambda: False,
) -> int:  # fmt: skip
    """Send what is due, until there is `enough`; how many were sent. Routes are served beside each other, so that none waits for
    another. `step` is told before each step: it shows that there is progress, and tests can die there."""
    step("claim")
    if enough():
        return 0
    with engine.connect() as connection:  # the usual case takes no lock
        chosen = select(schema.outbox.c.route_id).where(*due(now_us())).distinct()
        numbers = sorted(connection.execute(chosen).scalars())
    if len(numbers) < 2:
        return sum(_deliver_route(engine, number, now_us, send, step, enough) for number in numbers)
    with ThreadPoolExecutor(min(len(numbers), _BESIDE), "route") as beside:
        return sum(beside.map(lambda number: _deliver_route(engine, number, now_us, send, step, enough), numbers))


def _deliver_route(
    engine: Engine, number: int, now_us: Callable[[], int], send: Send, step: Callable[[str], None],
    enough: Callable[[], bool],
) -> int:  # fmt: skip
    sent = 0
    while True:
        step("claim")
        if enough():
            return sent
        with writing(engine) as connection:
            message = _claim(connection, number, now_us())
        if message is None:
            return sent
        step("send")
        try:
            answer = _try(send, message)
        except Undelivered as problem:
            import structlog  # here, since it takes long to load

            step("mark failed")
            with writing(engine) as connection:
                _failed(connection, message, problem, now_us())
            structlog.get_logger("tallow.delivery").warning(
                "not delivered", route=number, to=masked(message.route.address), why=str(problem)
            )
            continue
        step("mark sent")
        with writing(engine) as connection:
            _sent(connection, message, answer, now_us())
        sent += 1


def _try(send: Send, message: Message) -> str | None:
    """Send; what was answered. Whatever goes wrong on one route is that route's failure and nobody else's."""
    try:
        return send(message)
    except Undelivered:
        raise
    except Exception as error:
        raise Undelivered(f"{type(error).__name__}: {error}") from error


def due(now_us: int) -> tuple[ColumnElement[bool], ...]:
    """What may be sent now. What was written by a clock that ran ahead, and was put right since, holds nothing up."""
    table = schema.outbox
    return (
        table.c.done_us.is_(None), or_(table.c.due_us <= now_us, table.c.made_us > now_us + AHEAD_US),
        _no_pause(table.c.next_try_us, now_us),
        or_(table.c.claimed_us.is_(None), ~table.c.claimed_us.between(now_us - CLAIM_US + 1, now_us + AHEAD_US)),
    )  # fmt: skip


def _no_pause(next_try_us: ColumnElement[int], now_us: int) -> ColumnElement[bool]:
    """Whether a pause after failures is over: none is longer than the longest."""
    return ~next_try_us.between(now_us + 1, now_us + int(LONGEST_PAUSE_S * 1e6))


def _claim(connection: Connection, number: int, now_us: int) -> Message | None:
    """The next message of a route that is due and still wanted, claimed; None where there is none."""
    table, alarm, route = schema.outbox, schema.alarm, schema.route
    who = schema.vehicle_summary
    waiting = (
        select(table, alarm.c.state, alarm.c.kind, who.c.fleet, who.c.depot, route.c.removed)
        .join(route, route.c.id == table.c.route_id)
        .outerjoin(alarm, alarm.c.id == table.c.alarm_id)
        .outerjoin(who, who.c.vehicle_id == alarm.c.vehicle_id)
        .where(table.c.route_id == number, *due(now_us), or_(route.c.removed, _no_pause(route.c.next_try_us, now_us)))
        .order_by(table.c.due_us, table.c.id)
        .with_for_update(of=table, skip_locked=True)
    )
    found = {r.id: r for r in read_routes(connection)}.get(number)
    while (row := connection.execute(waiting.limit(1)).one_or_none()) is not None:
        why = _not_wanted(connection, row, found, now_us)
        if why or found is None:
            connection.execute(update(table).where(table.c.id == row.id).values(done_us=now_us, dropped_why=why))
            continue
        rows = [row]
        if row.alarm_id is not None and not found.to_programs and _is_storm(connection, row, found, now_us):
            same = waiting.where(table.c.recipient == row.recipient, table.c.alarm_id.is_not(None))
            rows = [one for one in connection.execute(same) if not _not_wanted(connection, one, found, now_us)]
            ready_us = _last_sent_us(connection, row, now_us) + BUNDLE_EVERY_S * 1_000_000
            if ready_us > now_us:  # those to come will be told of with them
                ids = [one.id for one in rows]
                connection.execute(update(table).where(table.c.id.in_(ids)).values(next_try_us=ready_us))
                continue
        ids = [one.id for one in rows]
        connection.execute(update(table).where(table.c.id.in_(ids)).values(claimed_us=now_us))
        title, body = row.title, row.body
        if len(rows) > 1:
            with speaking(found.language):
                title, body = bundle([(one.title, one.detail) for one in rows], site())
        also = tuple(id_ for id_ in ids if id_ != row.id)
        return Message(row.id, row.key, found, title, body, row.detail, row.recipient or "", also)
    return None


def _not_wanted(connection: Connection, row: Any, route: Route | None, now_us: int) -> str | None:
    """Why a message need not be sent any more: people are told of what still waits for somebody, once."""
    if route is None:
        return "the route was removed"
    if row.alarm_id is None and FAILING in row.detail and not route.of_all:
        return "whoever reads there may not read of the whole fleet any more"
    if row.alarm_id is None or route.to_programs:
        return None
    if row.depot is not None and not route.takes(row.fleet, row.depot, "act_now", ALARM_KINDS[row.kind].group):
        return f"the vehicle belongs to {row.depot} now, of which nothing is told here"
    table = schema.outbox
    newer = select(table.c.id).where(
        table.c.alarm_id == row.alarm_id, table.c.route_id == row.route_id, table.c.recipient == row.recipient,
        table.c.id > row.id, table.c.due_us <= now_us,
    )  # fmt: skip
    if connection.execute(newer.limit(1)).first() is not None:
        return "a later message tells more of it"
    return None if row.state == "unacknowledged" else f"the alarm was {row.state} before it was sent"


def _told_lately(row: Any, now_us: int) -> tuple[ColumnElement[bool], ...]:
    """What the same recipient was sent of alarms lately."""
    table = schema.outbox
    return (
        table.c.done_us.between(now_us - STORM_WINDOW_S * 1_000_000 + 1, now_us + MINUTE_US),
        table.c.route_id == row.route_id, table.c.recipient == row.recipient, table.c.alarm_id.is_not(None),
        table.c.done_us.is_not(None), table.c.dropped_why.is_(None), table.c.refused_why.is_(None),
    )  # fmt: skip


def _is_storm(connection: Connection, row: Any, route: Route, now_us: int) -> bool:
    """Whether somebody was sent as many alerts lately as anybody can take in."""
    number = connection.scalar(select(func.count()).select_from(schema.outbox).where(*_told_lately(row, now_us)))
    return (number or 0) >= route.most_alerts


def _last_sent_us(connection: Connection, row: Any, now_us: int) -> int:
    return connection.scalar(select(func.max(schema.outbox.c.done_us)).where(*_told_lately(row, now_us))) or 0


def _sent(connection: Connection, message: Message, answer: str | None, now_us: int) -> None:
    table = schema.outbox
    browsers.note_answer(connection, message.route.id, answer or "", now_us, took=True)
    connection.execute(update(table).where(table.c.id == message.id).values(done_us=now_us))
    if message.also:
        told = {"done_us": now_us, "dropped_why": f"told together with others in message {message.id}"}
        connection.execute(update(table).where(table.c.id.in_(message.also)).values(**told))
    fine = {"failures": 0, "failing_us": None, "next_try_us": 0, "error": None}
    connection.execute(update(schema.route).where(schema.route.c.id == message.route.id).values(**fine))


def _failed(connection: Connection, message: Message, problem: Undelivered, now_us: int) -> None:
    """Leave the message for later, or set it aside where it will never be taken. Where several fail in a row the whole route waits,
    which is said by the others."""
    table, outbox, why = schema.route, schema.outbox, str(problem)[:500]
    mine = outbox.c.id.in_([message.id, *message.also])
    browsers.note_answer(connection, message.route.id, why, now_us, took=False, gone=problem.gone)
    if problem.for_good:
        connection.execute(update(outbox).where(mine).values(done_us=now_us, refused_why=why))
        connection.execute(update(table).where(table.c.id == message.route.id).values(error=why))
        whom = f"{message.route.id}/{hashlib.sha256(message.recipient.encode()).hexdigest()[:16]}"
        day = now_us // DAY_US
        then = "The browser is taken off" if problem.gone else "They are set aside and not tried again"
        _report(connection, message.route, f"refused/{whom}/{day}", now_us, why, then)
        return
    tries = connection.scalar(select(func.max(outbox.c.tries)).where(mine)) or 0
    connection.execute(
        update(outbox).where(mine).values(claimed_us=None, tries=tries + 1, next_try_us=now_us + _pause_us(tries))
    )
    failures, since = connection.execute(
        select(table.c.failures + 1, func.coalesce(table.c.failing_us, now_us)).where(table.c.id == message.route.id)
    ).one()
    waits_us = now_us + _pause_us(failures - REPORTED_AFTER) if failures >= REPORTED_AFTER else 0
    connection.execute(
        update(table)
        .where(table.c.id == message.route.id)
        .values(failures=failures, failing_us=since, next_try_us=waits_us, error=why)
    )
    if failures == REPORTED_AFTER:
        _report(connection, message.route, f"failing/{message.route.id}/{since}", now_us, why,
                f"So it has been since {_moment(since)}; tallow goes on trying, and what is not delivered is kept")  # fmt: skip


def _moment(at_us: int) -> str:
    at = instant(at_us)
    return f"{at.day} {at:%b %Y, %H:%M} UTC"


def _pause_us(before: int) -> int:
    """How long to wait after a failure that so many came before."""
    return int(min(PAUSE_S * 2 ** min(before, 12), LONGEST_PAUSE_S) * 1e6)


def _report(connection: Connection, route: Route, key: str, now_us: int, why: str, then: str) -> None:
    """Say by the other routes to people, once, that alerts to one do not arrive."""
    table = schema.outbox
    others = [
        r for r in read_routes(connection) if r.id != route.id and not r.to_programs and not r.after_min and r.of_all
    ]
    whose = f" ({route.owner.label}{f' of {route.owner.name}' if route.owner.name else ''})" if route.owner else ""
    rows: list[dict[str, Any]] = [
        {"key": name_of(f"{key}/{other.id}", one), "route_id": other.id, "recipient": one or None, "made_us": now_us, "due_us": now_us,
         "detail": {FAILING: route.id}, "title": f"Alerts to {masked(route.address)}{whose} do not arrive",
         "body": f"Route {route.id}: {why}. {then}. Look at it on {site()}/alarms."}
        for other in others
        for one in recipients(other.address)
    ]  # fmt: skip
    if rows:
        connection.execute(upsert(connection, table).on_conflict_do_nothing(), rows)


def refused(connection: Connection, now_us: int) -> dict[int, int]:
    """How many messages of each route were set aside in the last days that are kept."""
    table = schema.outbox
    found = connection.execute(select(table.c.route_id, func.count()).where(*_aside(now_us)).group_by(table.c.route_id))
    return dict(found.all())


def set_aside(connection: Connection, now_us: int, number: int) -> list[Any]:
    """The latest messages that were set aside: rows with done_us, route_id, recipient, title, refused_why."""
    table = schema.outbox
    columns = table.c.done_us, table.c.route_id, table.c.recipient, table.c.title, table.c.refused_why
    newest = table.c.done_us.desc(), table.c.id.desc()
    return list(connection.execute(select(*columns).where(*_aside(now_us)).order_by(*newest).limit(number)))


def _aside(now_us: int) -> tuple[ColumnElement[bool], ...]:
    table = schema.outbox
    return table.c.refused_why.is_not(None), table.c.done_us > now_us - KEPT_DAYS * DAY_US


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
