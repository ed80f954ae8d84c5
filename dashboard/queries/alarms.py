"""Alarms with their history, and how alerts travel."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Engine, case, func, select

from analytics.alarms import outbox
from analytics.alarms.evaluate import Alarm
from analytics.alarms.performance import NEEDED_DAYS, Figures, read_figures
from analytics.alarms.records import alarm_of
from analytics.alarms.routes import Route, read_routes
from analytics.kinds import ALARM_KINDS, SEVERITIES, severity_rank
from dashboard.queries.scope import depots, read_vehicles, visible
from ingest import schema, times
from ingest.errors import Problem
from ingest.times import DAY_US


@dataclass(frozen=True)
class AlarmRow:
    """An alarm, whose it is, and how long the point that waits longest has waited for grease."""

    alarm: Alarm
    fleet: str
    vehicle: str
    unit: str
    depot: str
    timezone: str
    dry_h: float | None


MOST_ALARMS = 200  # of a page; of those that are over a fifth of it

_OVER_DAYS = 90


def alarms(
    engine: Engine,
    depot: str = "",
    vehicle: tuple[str, str] | None = None,
    *,
    over: bool = False,
    most: int = MOST_ALARMS,
) -> list[AlarmRow]:
    """What somebody has to deal with, worst first; with `over` also what is over, of the last 90 days."""
    table, who = schema.alarm, schema.vehicle_summary
    chosen = _of(depot, vehicle)
    rows = (
        select(table, who.c.fleet, who.c.vehicle, who.c.unit, who.c.depot, who.c.timezone, who.c.dry_h)
        .join(who, who.c.vehicle_id == table.c.vehicle_id)
        .where(*chosen)
    )
    worst = (
        case({name: n for n, name in enumerate(STATES)}, value=table.c.state),
        case({name: n for n, name in enumerate(SEVERITIES)}, value=table.c.severity),
    )
    with engine.connect() as connection:
        found = list(
            connection.execute(
                rows.where(table.c.state != "normal").order_by(*worst, table.c.raised_us).limit(most)
            ).all()
        )
        if over:
            past = table.c.state == "normal", table.c.changed_us > times.now_us() - _OVER_DAYS * DAY_US
            found += connection.execute(
                rows.where(*past).order_by(table.c.changed_us.desc()).limit(most // 5)
            ).all()  # fmt: skip
    told = [AlarmRow(alarm_of(r), r.fleet, r.vehicle, r.unit, r.depot, r.timezone, r.dry_h or None) for r in found]
    return sorted(told, key=_alarm_order)


def _of(depot: str, vehicle: tuple[str, str] | None) -> list[Any]:
    who = schema.vehicle_summary
    chosen = visible(who) + ([who.c.depot == depot] if depot else [])
    return chosen + ([who.c.fleet == vehicle[0], who.c.vehicle == vehicle[1]] if vehicle is not None else [])


@dataclass(frozen=True)
class AlarmView:
    """What the alarms' page shows: alarms with their history, how alerts travel, and how many there are."""

    rows: list[AlarmRow]
    counts: dict[str, int]  # state -> how many there are, shown or not
    steps: dict[int, list[Any]]
    depots: list[str]
    routes: list[Route]
    waiting: tuple[int, int | None]
    figures: Figures
    now_us: int


def alarm_view(engine: Engine, depot: str, vehicle: str) -> AlarmView:
    """All of it, for a depot, for a vehicle (FLEET/VEHICLE), or for all."""
    fleet_name, _, name = vehicle.partition("/")
    one = (fleet_name, name) if vehicle else None
    rows, now, table, who = alarms(engine, depot, one, over=True), times.now_us(), schema.alarm, schema.vehicle_summary
    recent = (table.c.state != "normal") | (table.c.changed_us > now - _OVER_DAYS * DAY_US)
    with engine.connect() as connection:
        counted = (
            select(table.c.state, func.count())
            .join(who, who.c.vehicle_id == table.c.vehicle_id)
            .where(*_of(depot, one), recent)
            .group_by(table.c.state)
        )
        counts = {state: int(n) for state, n in connection.execute(counted)}
        return AlarmView(
            rows,
            counts, _steps(connection, [row.alarm.id for row in rows]), depots(engine), read_routes(connection),
            outbox.waiting(connection, now), read_figures(connection, NEEDED_DAYS, now), now,
        )  # fmt: skip


def alarm_news(engine: Engine) -> list[int]:
    """Numbers that change with whatever the alarms' page shows, and once a minute."""
    step, way, message = schema.transition, schema.route, schema.outbox
    with engine.connect() as connection:
        steps = connection.execute(select(func.max(step.c.at_us))).one()
        ways = connection.execute(select(func.count(), func.sum(way.c.failures))).one()
        left = connection.scalar(select(func.count()).where(message.c.done_us.is_(None)))
    return [int(n or 0) for n in (*steps, *ways, left, times.now_us() // 60_000_000)]


def _steps(connection: Connection, numbers: Sequence[int | None]) -> dict[int, list[Any]]:
    table = schema.transition
    found: dict[int, list[Any]] = {}
    for row in connection.execute(
        select(table).where(table.c.alarm_id.in_(numbers)).order_by(table.c.alarm_id, table.c.number)
    ):
        found.setdefault(row.alarm_id, []).append(row)
    return found


def _alarm_order(row: AlarmRow) -> tuple[int, int, bool, float, int, int]:
    """By state and severity; then points that steering or braking depends on; then the longest without grease; then kind."""
    alarm = row.alarm
    waited_h = alarm.evidence.get("hours_since_grease") or 0.0
    critical = bool(alarm.evidence.get("critical_points"))
    state, severity, kind = (
        STATES.index(alarm.state),
        severity_rank(alarm.severity),
        list(ALARM_KINDS).index(alarm.kind),
    )
    return state, severity, not critical, -waited_h, kind, alarm.raised_us


# In the order in which they want somebody.
STATES = ("unacknowledged", "returned", "acknowledged", "shelved", "suppressed", "out_of_service", "normal")


def ever_raised(engine: Engine) -> bool:
    """Whether any alarm was ever raised."""
    with engine.connect() as connection:
        return connection.execute(select(schema.alarm.c.id).limit(1)).first() is not None


def transitions(engine: Engine, number: int) -> list[Any]:
    """What happened to an alarm, in order: rows with at_us, event, state, who, why, until_us."""
    with engine.connect() as connection:
        return _steps(connection, [number]).get(number, []) if seen(connection, number) else []


def seen(connection: Connection, number: int) -> bool:
    """Whether there is an alarm of this number that whoever asks may see."""
    owner = connection.scalar(select(schema.alarm.c.vehicle_id).where(schema.alarm.c.id == number))
    return owner is not None and bool(read_vehicles(connection, owner))


def need_seen(connection: Connection, numbers: Iterable[int]) -> None:
    """Raises Problem where one of these is no alarm that whoever asks may see."""
    for number in numbers:
        if not seen(connection, number):
            raise Problem(f"there is no alarm {number}")
