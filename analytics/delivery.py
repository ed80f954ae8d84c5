"""Who is told of an alarm, when and in which words; and that nothing is lost on the way.

What is to be delivered is written into `outbox` in the transaction of the transition that it tells of. Sending claims a row,
sends, and marks it done: a crash before the claim is put right at once, one between claim and mark after CLAIM_S, and only there
may somebody hear of something twice. A route that fails waits with growing pauses and is reported by the others.
"""

import hashlib
import json
import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any, Final
from urllib.parse import quote, urlsplit
from zoneinfo import ZoneInfo

import apprise
import structlog
from paho.mqtt.enums import MQTTProtocolVersion
from sqlalchemy import Connection, Engine, delete, func, insert, or_, select, update

from analytics import depots
from analytics.findings import CAUTION, GROUPS, SEVERITIES, Group, Kind, Severity, severity_rank
from analytics.history import DAY_US
from ingest import schema
from ingest.listener import broker_of, make_client
from ingest.messages import ALERT_ROOT, instant
from ingest.problem import Problem
from ingest.registry import Setup
from ingest.store import rfc3339, writing

log = structlog.get_logger("tallow.delivery")

MINUTE_US: Final = 60_000_000
CLAIM_US: Final = 300_000_000  # whoever claimed a message and did not send it by then has died
PAUSE_S: Final = 30.0  # after the first failure of a route; twice as long after each further one
LONGEST_PAUSE_S: Final = 3600.0
REPORTED_AFTER: Final = 3  # failures in a row
DIGEST_WITHIN_MIN: Final = 360  # a digest that could not be made for so long is left out
SEND_TIMEOUT_S: Final = 30.0
KEPT_DAYS: Final = 90  # so long it is kept what was delivered
_SHOWN_IN_DIGEST: Final = 40
_ASSET: Final = apprise.AppriseAsset(app_id="tallow", app_desc="tallow alerts", app_url="")
_FILES: Final = ("CA_FILE", "CERT_FILE", "KEY_FILE", "PASSWORD_FILE")
SEVERITY_WORDS: Final = {"act_now": "Act now", "plan": "Plan", "note": "Note"}


@dataclass(frozen=True)
class Route:
    """Where alerts go: an address of the apprise library's form, or mqtt://…; of one depot or all, from a severity on, of some
    groups of kinds or all; with `after_min` only what nobody acknowledged by then."""

    id: int
    address: str
    depot: str | None
    severity: Severity
    groups: tuple[Group, ...]
    after_min: int
    at_any_hour: bool
    failures: int = 0
    failing_us: int | None = None
    next_try_us: int = 0
    error: str | None = None

    @property
    def to_programs(self) -> bool:
        """Whether programs listen there, which want to know of every change."""
        return _is_mqtt(self.address)

    def takes(self, depot: str, severity: Severity, group: Group) -> bool:
        """Whether an alarm of this kind goes there."""
        return (
            self.depot in (None, depot)
            and severity_rank(severity) <= severity_rank(self.severity)
            and (not self.groups or group in self.groups)
        )


@dataclass(frozen=True)
class Told:
    """What is to be told of an alarm: its number, which of its transitions this is, and what it says."""

    number: int
    transition: int
    event: str
    state: str
    kind: Kind
    name: str
    channel: str | None
    lines: tuple[int, ...]
    severity: Severity
    summary: str
    since_us: int


# Words ------------------------------------------------------------------------------------------------------------


def alert(setup: Setup, told: Told, site: str) -> tuple[str, str]:
    """(title, text) of one alarm: which vehicle, what and how sure, what to take along, by when, and where to read on."""
    title = f"{SEVERITY_WORDS[told.severity]}: {setup.unit} ({setup.vehicle}), {setup.depot}: {told.kind.title.lower()}"
    take = [x if x != "grease as on the set-up sheet" else setup.grease_and_grade for x in told.kind.take]
    by = {"act_now": "today", "plan": "at the next visit", "note": "when somebody is there anyway"}[told.severity]
    return title, "\n".join(
        [
            told.summary,
            f"By when: {by}.",
            f"Take along: {'; '.join(take)}.",
            CAUTION,
            f"Alarm {told.number}: {address_of(setup, site)}",
        ]
    )


def address_of(setup: Setup, site: str) -> str:
    """Where a vehicle's page is."""
    return f"{site}/vehicle/{quote(setup.fleet)}/{quote(setup.vehicle)}"


def digest(depot: str, rows: Sequence[tuple[Setup, Told]], site: str) -> tuple[str, str]:
    """(title, text) of what is open at a depot, worst first."""
    counts = {s: sum(told.severity == s for _, told in rows) for s in SEVERITY_WORDS}
    said = ", ".join(f"{number} {SEVERITY_WORDS[s].lower()}" for s, number in counts.items() if number)
    ordered = sorted(rows, key=lambda row: (severity_rank(row[1].severity), row[0].vehicle, row[1].number))
    shown = [
        f"{SEVERITY_WORDS[told.severity]} · {setup.unit} ({setup.vehicle}) · {told.kind.title}: {told.summary}"
        f"{' (not acknowledged)' if told.state in ('unacknowledged', 'returned') else ''}"
        for setup, told in ordered[:_SHOWN_IN_DIGEST]
    ]
    if len(ordered) > _SHOWN_IN_DIGEST:
        shown.append(f"and {len(ordered) - _SHOWN_IN_DIGEST} more.")
    return f"{depot} today: {said}", "\n\n".join([*shown, CAUTION, f"All alarms: {site}/alarms?depot={quote(depot)}"])


def detail(setup: Setup, told: Told, now_us: int) -> dict[str, Any]:
    """The same for programs."""
    return {
        "alarm": told.number,
        "transition": told.transition,
        "fleet": setup.fleet,
        "vehicle": setup.vehicle,
        "unit": setup.unit,
        "depot": setup.depot,
        "kind": told.name,
        "channel": told.channel,
        "lines": list(told.lines),
        "severity": told.severity,
        "event": told.event,
        "state": told.state,
        "summary": told.summary,
        "since": rfc3339(told.since_us) if told.since_us else None,
        "at": rfc3339(now_us),
    }


# What is to be sent -------------------------------------------------------------------------------------------------


def routes(connection: Connection) -> list[Route]:
    """The routes there are."""
    table = schema.route
    columns = (
        "id", "address", "depot", "severity", "groups", "after_min", "at_any_hour", "failures", "failing_us", "next_try_us",
        "error",
    )  # fmt: skip
    rows = connection.execute(select(*(table.c[n] for n in columns)).where(~table.c.removed).order_by(table.c.id))
    return [Route(**{**row, "groups": tuple(row["groups"])}) for row in rows.mappings()]


def route(connection: Connection, number: int) -> Route:
    """One route. Raises Problem where there is none of that number."""
    found = [one for one in routes(connection) if one.id == number]
    if not found:
        raise Problem(f"there is no route {number}; tallow route list shows them")
    return found[0]


def add_route(
    connection: Connection, address: str, *, depot: str | None, severity: str, groups: Iterable[str],
    after_min: int, at_any_hour: bool,
) -> int:  # fmt: skip
    """Keep a route; its number. Raises Problem where nobody could be reached by its address."""
    check_address(address)
    if severity not in SEVERITIES:
        raise Problem(f"severity {severity!r} is none of: {', '.join(SEVERITIES)}")
    unknown = sorted(set(groups) - set(GROUPS))
    if unknown:
        raise Problem(f"group {unknown[0]!r} is none of: {', '.join(GROUPS)}")
    if after_min < 0:
        raise Problem("minutes without acknowledgement: 0 or more")
    values = {
        "address": address, "depot": depot, "severity": severity, "groups": sorted(groups), "after_min": after_min,
        "at_any_hour": at_any_hour, "removed": False, "failures": 0, "next_try_us": 0,
    }  # fmt: skip
    table = schema.route
    return int(connection.execute(insert(table).values(**values).returning(table.c.id)).scalar_one())


def remove_route(connection: Connection, number: int) -> None:
    """Send nothing there any more. Raises Problem where there is no such route."""
    table = schema.route
    gone = connection.execute(update(table).where(table.c.id == number, ~table.c.removed).values(removed=True))
    if not gone.rowcount:
        raise Problem(f"there is no route {number}; tallow route list shows them")


def announce(connection: Connection, setup: Setup, told: Told, now_us: int) -> None:
    """Write down, within the transaction of a transition, to whom it is to be told at once: people of what cannot wait and nobody
    has taken note of, programs of everything."""
    wishes, zone = depots.depot(connection, setup.depot), ZoneInfo(setup.timezone)
    rows = []
    for route in routes(connection):
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
    table, known, made = schema.outbox, schema.standing, 0
    with engine.connect() as connection:
        people = [route for route in routes(connection) if not route.to_programs and not route.after_min]
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


# Sending ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Message:
    """One message on its way."""

    id: int
    key: str
    route: Route
    title: str
    body: str
    detail: dict[str, Any]


class Undelivered(Exception):
    """A route did not take a message; says why."""


Send = Callable[[Message], None]


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
        found = {r.id: r for r in routes(connection)}.get(row.route_id)
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
    others = [r for r in routes(connection) if r.id != message.route.id and not r.to_programs and not r.after_min]
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


def sender(wait_s: float = SEND_TIMEOUT_S) -> Send:
    """Sends through the apprise library, or to an MQTT broker."""

    def send(message: Message) -> None:
        if message.route.to_programs:
            _publish(message, wait_s)
            return
        way = apprise.Apprise(asset=_ASSET)
        if not way.add(message.route.address):
            raise Undelivered("the address is not understood")
        # Said to be plain text, so that nothing in it becomes markup on its way.
        plain = apprise.NotifyFormat.TEXT
        result = way.notify(title=message.title, body=message.body, body_format=plain, timeout=wait_s)
        if not result:
            said = [str(getattr(entry, "message", entry)) for entry in result.logs()]
            raise Undelivered(said[-1] if said else "it was not taken")

    return send


def _publish(message: Message, wait_s: float) -> None:
    # The account for alerts is another one than that for recording; so are its secrets.
    secrets = {f"TALLOW_{n}": v for n in _FILES if (v := os.environ.get(f"TALLOW_ALERT_{n}"))}
    try:
        broker = broker_of(message.route.address, secrets)
        client = make_client(broker, "", MQTTProtocolVersion.MQTTv311)
        client.connect_timeout = wait_s
        client.connect(broker.host, broker.port)
        client.loop_start()
        topic = f"{ALERT_ROOT}/{message.detail['fleet']}/{message.detail['vehicle']}"
        published = client.publish(topic, json.dumps({"key": message.key, **message.detail}, ensure_ascii=False), qos=1)
        published.wait_for_publish(wait_s)
        arrived = published.is_published()
        client.disconnect()
        client.loop_stop()
    except (OSError, ValueError, RuntimeError, Problem) as error:
        raise Undelivered(str(error) or type(error).__name__) from None
    if not arrived:
        raise Undelivered("the broker did not acknowledge it in time")


def try_route(route: Route, send: Send) -> None:
    """Send a message that says that it is a test. Raises Problem where it does not arrive."""
    about = {"fleet": "test", "vehicle": "test", "event": "test"}
    message = Message(0, "test", route, "tallow: a test", "If you read this, alerts arrive here.", about)
    try:
        send(message)
    except Undelivered as problem:
        raise Problem(f"nothing arrived at {masked(route.address)}: {problem}") from None


def check_address(address: str) -> None:
    """Raises Problem where nobody could be reached by an address."""
    if _is_mqtt(address):
        broker_of(address, {})
    elif not apprise.Apprise().add(address):
        raise Problem(f"{masked(address)} is no address that alerts can go to, such as mailto://… or mqtt://…")


def _is_mqtt(address: str) -> bool:
    return address.startswith(("mqtt://", "mqtts://"))


def masked(address: str) -> str:
    """An address as it may be shown: how and to which server, since anything else in it may be a secret."""
    parts = urlsplit(address)
    if not parts.scheme or "://" not in address:
        return "what was written"
    host = parts.netloc.rpartition("@")[2]
    named = parts.scheme in ("mqtt", "mqtts", "mailto", "mailtos", "json", "jsons", "xml", "xmls", "form", "forms")
    return f"{parts.scheme}://{host if named and host else '…'}"


def site() -> str:
    """Where the dashboard is for those who are told: TALLOW_SITE, else this machine."""
    return os.environ.get("TALLOW_SITE", "http://127.0.0.1:8050").rstrip("/")
