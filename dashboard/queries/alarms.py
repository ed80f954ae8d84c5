"""Alarms with their history, and how alerts travel."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from sqlalchemy import Connection, Engine, Select, String, and_, case, cast, func, literal, select

from analytics.alarms.evaluate import Alarm, alarm_of
from analytics.alarms.performance import NEEDED_DAYS, Figures, read_figures
from analytics.alarms.routes import Route, read_routes
from analytics.kinds import ALARM_KINDS, SEVERITIES
from dashboard.queries.frame import not_analysed
from dashboard.queries.scope import Scope, read_vehicles, visible, within
from ingest import schema, times
from ingest.errors import Problem
from ingest.times import DAY_US

if TYPE_CHECKING:
    from dashboard.queries.prices import AtRisk, Priced


@dataclass(frozen=True)
class AlarmRow:
    """An alarm, whose it is, how long the point that waits longest has waited for grease, and who is to deal with it."""

    alarm: Alarm
    fleet: str
    vehicle: str
    unit: str
    depot: str
    timezone: str
    dry_h: float | None
    assigned_to: str | None = None


PAGE_ROWS: Final = 50
MOST_ALARMS: Final = 200  # where they are not listed page by page; of those that are over a fifth of it
_OVER_DAYS: Final = 90
_MOST_OVER: Final = 10_000
WORKSHOP_KEY: Final = (
    "workshop-"  # begins the name of the record of work that a workshop may make each time it is asked
)

# In the order in which they want somebody.
STATES: Final = ("unacknowledged", "returned", "acknowledged", "shelved", "suppressed", "out_of_service", "normal")
_TABLE: Final = schema.alarm.c


def _place(column: Any, names: Iterable[str]) -> Any:
    """The place of a column's value among these names."""
    return case({name: n for n, name in enumerate(names)}, value=column)


# By state and severity; then points that steering or braking depends on; then the longest without grease; then kind.
_WORST: Final = (
    _place(_TABLE.state, STATES), _place(_TABLE.severity, SEVERITIES),
    func.coalesce(_TABLE.evidence["critical_points"].as_integer(), 0) == 0,
    func.coalesce(_TABLE.evidence["hours_since_grease"].as_float(), 0.0).desc(),
    _place(_TABLE.kind, ALARM_KINDS), _TABLE.raised_us, _TABLE.id,
)  # fmt: skip
_NEWEST: Final = (_TABLE.changed_us.desc(), _TABLE.id)


def alarms(
    engine: Engine,
    depot: str = "",
    vehicle: tuple[str, str] | None = None,
    *,
    over: bool = False,
    most: int = MOST_ALARMS,
    fleet_name: str = "",
) -> list[AlarmRow]:
    """What somebody has to deal with, worst first; with `over` also what is over, of the last 90 days."""
    mine = _of(Scope(fleet_name, depot), vehicle)
    standing = [schema.alarm.c.state != "normal", *mine]
    with engine.connect() as connection:
        found = _read(connection, standing, _WORST, most)
        return found + (_read(connection, [*_past(), *mine], _NEWEST, most // 5) if over else [])


def over_and_given(engine: Engine, to: str, depot: str = "") -> list[AlarmRow]:
    """What is over while somebody is still asked to deal with it: `to`, or an order of theirs, and they have not recorded work on it since
    they were asked last."""
    with engine.connect() as connection:
        chosen = [~schema.alarm.c.active, *_asked_of(to), ~_answered(to).exists(), *_of(Scope("", depot), None)]
        return _read(connection, chosen, _NEWEST, _MOST_OVER)


def raised_since_done(engine: Engine, to: str, depot: str = "") -> list[AlarmRow]:
    """What `to` was asked to deal with and recorded work on, which was raised again since and waits for somebody: it did not help."""
    table, step, work = schema.alarm, schema.transition, schema.work
    raised = select(step.c.alarm_id).where(
        step.c.alarm_id == table.c.id, step.c.event.in_(("occur", "realarm")), step.c.at_us > work.c.recorded_us
    )
    waits = table.c.state == "unacknowledged", _answered(to).where(raised.correlate(table, work).exists()).exists()
    with engine.connect() as connection:
        return _read(connection, [*waits, *_asked_of(to), *_of(Scope("", depot), None)], _NEWEST, _MOST_OVER)


def _asked_of(to: str) -> list[Any]:
    """Conditions that somebody, or an order of theirs, deals with an alarm, because they were asked to."""
    table, step = schema.alarm, schema.transition
    theirs = (table.c.assigned_to == to) | table.c.assigned_to.startswith(f"{to}, order ", autoescape=True)
    asked = select(step.c.alarm_id).where(step.c.alarm_id == table.c.id, step.c.event == "assign", step.c.who == to)
    return [theirs, asked.exists()]


def _answered(to: str) -> Select[str]:
    """The work that somebody recorded on an alarm since they were asked last."""
    table, step, work = schema.alarm, schema.transition, schema.work
    key = literal(WORKSHOP_KEY) + cast(table.c.id, String)
    asked = step.c.event == "assign", step.c.who == to, step.c.why == f"to {to}"
    asked_us = select(func.max(step.c.at_us)).where(step.c.alarm_id == table.c.id, *asked).correlate(table)
    mine = work.c.vehicle_id == table.c.vehicle_id, (work.c.key == key) | work.c.key.like(key + "-%")
    return (
        select(work.c.key)
        .where(*mine, work.c.recorded_us >= func.coalesce(asked_us.scalar_subquery(), 0))
        .correlate(table)
    )


def _past() -> list[Any]:
    """Conditions that an alarm is over, and was not long ago."""
    table = schema.alarm
    return [table.c.state == "normal", table.c.changed_us > times.now_us() - _OVER_DAYS * DAY_US]


def _read(
    connection: Connection, chosen: Sequence[Any], order: Sequence[Any], most: int, skipped: int = 0
) -> list[AlarmRow]:
    table, who = schema.alarm, schema.vehicle_summary
    rows = connection.execute(
        select(table, who.c.fleet, who.c.vehicle, who.c.unit, who.c.depot, who.c.timezone, who.c.dry_h)
        .join(who, who.c.vehicle_id == table.c.vehicle_id)
        .where(*chosen)
        .order_by(*order)
        .limit(most)
        .offset(skipped)
    )
    return [
        AlarmRow(alarm_of(r), r.fleet, r.vehicle, r.unit, r.depot, r.timezone, r.dry_h or None, r.assigned_to)
        for r in rows
    ]


def _of(scope: Scope, vehicle: tuple[str, str] | None) -> list[Any]:
    who = schema.vehicle_summary
    return within(who, scope) + (
        [who.c.fleet == vehicle[0], who.c.vehicle == vehicle[1]] if vehicle is not None else []
    )


# The tabs of the page, and the states that each shows.
TABS: Final = {
    "unacknowledged": ("unacknowledged", "returned"),
    "acknowledged": ("acknowledged",),
    "hidden": ("shelved", "suppressed", "out_of_service"),
    "cleared": ("normal",),
}


@dataclass(frozen=True)
class AlarmView:
    """A page of a tab of the alarms' page, and how many alarms each tab has; `acknowledged` says who took note of one and when."""

    rows: list[AlarmRow]
    counts: dict[str, int]  # tab -> how many there are, shown or not
    acknowledged: dict[int, tuple[str, int]]
    now_us: int
    page: int
    at_risk: dict[int, AtRisk] | None = (
        None  # alarm -> money, of those whose points have a price; None: there are no prices
    )
    currency: str = ""
    ever: bool = True  # whether any alarm was ever raised
    unlooked: tuple[list[tuple[str, str, str]], int] = (
        [],
        0,
    )  # some vehicles (fleet, vehicle, unit) not analysed for a day, and how many


def one_vehicle(asked: str) -> tuple[str, str] | None:
    """(fleet, vehicle) of FLEET/VEHICLE; None where no vehicle is asked for."""
    fleet_name, slash, name = asked.partition("/")
    return (fleet_name, name) if slash else None


def alarm_view(
    engine: Engine, scope: Scope, vehicle: str, tab: str, page: int = 1, *, by_money: bool = False
) -> AlarmView:
    """A page of a tab, for a scope or a vehicle (FLEET/VEHICLE); the last one where there are not so many. What is not over may be in the
    order of money at risk, where there are prices."""
    table, who, states = schema.alarm, schema.vehicle_summary, TABS.get(tab, ())
    from dashboard.queries.prices import read_priced  # here and below, since lists without money need none of it

    mine = _of(scope, one_vehicle(vehicle))
    with engine.connect() as connection:
        counted = (
            select(table.c.state, func.count())
            .join(who, who.c.vehicle_id == table.c.vehicle_id)
            .where(*mine, (table.c.state != "normal") | and_(*_past()))
            .group_by(table.c.state)
        )
        by_state = {state: int(n) for state, n in connection.execute(counted)}
        counts = {name: sum(by_state.get(state, 0) for state in its) for name, its in TABS.items()}
        page = min(max(1, page), max(1, -(-counts.get(tab, 0) // PAGE_ROWS)))
        past = "normal" in states
        chosen = [*mine, *(_past() if past else [table.c.state.in_(states)])]
        order = _NEWEST if past else _WORST
        first, priced = (page - 1) * PAGE_ROWS, read_priced(connection)
        if by_money and priced is not None and states and not past:
            rows = _by_money(connection, priced, chosen, first)
        else:
            rows = _read(connection, chosen, order, PAGE_ROWS, first) if states else []
        ids = [row.alarm.id for row in rows]
        risk = None if priced is None else _at_risk(connection, priced, [table.c.id.in_(ids)])
        currency = "" if priced is None else priced.currency
        ever = bool(connection.scalar(select(select(table.c.id).exists())))
        told = _acknowledged(connection, ids)
    return AlarmView(rows, counts, told, times.now_us(), page, risk, currency, ever, not_analysed(engine, mine))


def _at_risk(connection: Connection, priced: Priced, chosen: Sequence[Any]) -> dict[int, AtRisk]:
    """Alarm -> money at risk on its points, of those that have dry points with a price."""
    from dashboard.queries.prices import dry_points, of_finding

    table, who = schema.alarm, schema.vehicle_summary
    rows = connection.execute(
        select(table.c.id, table.c.vehicle_id, table.c.kind, table.c.lines)
        .join(who, who.c.vehicle_id == table.c.vehicle_id)
        .where(*chosen, table.c.state != "normal")
    ).all()
    points = dry_points(connection, priced, {row.vehicle_id for row in rows})
    told = {row.id: of_finding(points.get(row.vehicle_id, ()), row.kind, row.lines) for row in rows}
    return {number: one for number, one in told.items() if one is not None}


def _by_money(connection: Connection, priced: Priced, chosen: Sequence[Any], first: int) -> list[AlarmRow]:
    """A page of alarms, most money at risk first; those of which nobody knows how much, before those without any."""
    table, who = schema.alarm, schema.vehicle_summary
    in_order = connection.execute(
        select(table.c.id).join(who, who.c.vehicle_id == table.c.vehicle_id).where(*chosen).order_by(*_WORST)
    ).scalars()
    risk = _at_risk(connection, priced, chosen)

    def most(number: int) -> tuple[float, int]:
        told = risk.get(number)
        return (0.0, 0) if told is None else (-told.money, -told.unknown)

    ids = sorted(in_order, key=most)[first : first + PAGE_ROWS]
    rows = {row.alarm.id: row for row in _read(connection, [table.c.id.in_(ids), *visible(who)], (), PAGE_ROWS)}
    return [rows[number] for number in ids]


def money_of(engine: Engine, found: Sequence[AlarmRow]) -> tuple[dict[int, AtRisk], str] | None:
    """(alarm -> money at risk, currency) of these alarms; None where there are no prices."""
    from dashboard.queries.prices import read_priced

    with engine.connect() as connection:
        priced = read_priced(connection)
        if priced is None:
            return None
        ids = [row.alarm.id for row in found]
        return _at_risk(connection, priced, [schema.alarm.c.id.in_(ids)]), priced.currency


def _acknowledged(connection: Connection, numbers: Sequence[int | None]) -> dict[int, tuple[str, int]]:
    step = schema.transition
    rows = connection.execute(
        select(step.c.alarm_id, step.c.who, step.c.at_us)
        .where(step.c.alarm_id.in_(numbers), step.c.event == "acknowledge")
        .order_by(step.c.number)
    )
    return {row.alarm_id: (row.who, row.at_us) for row in rows}


@dataclass(frozen=True)
class Delivery:
    """How alerts travel: where they go, and how many wait since when."""

    routes: list[Route]
    waiting: tuple[int, int | None]


def delivery(engine: Engine, now_us: int) -> Delivery:
    """How alerts travel, of the whole fleet."""
    from analytics.alarms import outbox  # here, since who asks for alarms delivers nothing

    with engine.connect() as connection:
        return Delivery(read_routes(connection), outbox.waiting(connection, now_us))


def figures(engine: Engine, now_us: int) -> Figures:
    """The standards' measures, of the whole fleet."""
    with engine.connect() as connection:
        return read_figures(connection, NEEDED_DAYS, now_us)


def one_alarm(engine: Engine, number: int) -> tuple[AlarmRow, list[Any]] | None:
    """An alarm that whoever asks may see, with what happened to it; None where there is none."""
    with engine.connect() as connection:
        found = _read(connection, [schema.alarm.c.id == number, *visible(schema.vehicle_summary)], (), 1)
        return (found[0], _steps(connection, [number]).get(number, [])) if found else None


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
