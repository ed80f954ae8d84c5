"""What the first page tells: what to do today, and whether it is getting better or worse. Nothing here is counted vehicle by vehicle of a
large fleet: totals come from an index, weeks from the days that the pipeline keeps."""

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any, Final

from sqlalchemy import Connection, Engine, case, func, select

from analytics.alarms.depots import closed_between
from analytics.alarms.evaluate import REPAIR_FAILED
from analytics.findings import Finding, from_row
from analytics.pipeline.depot_days import DUE_DAYS, SHOWN_DAYS
from analytics.pipeline.vehicle_summary import PRIORITIES
from analytics.vehicle.line_conditions import DRIFTS, LineCondition
from dashboard.queries.account import WEEKS, percent_by_week
from dashboard.queries.fleet import NO_REFILL_DATE, SORTS, FleetRow, read_rows
from dashboard.queries.hand import HandCount, counted
from dashboard.queries.scope import Scope, within
from dashboard.queries.wear import Wearing, read_wearing
from ingest import schema
from ingest.times import AHEAD_US, DAY_US, instant

CALENDAR_DAYS: Final = 28
_DEPOTS: Final = 6  # listed, those with most to do
_AT_A_DEPOT: Final = 4
_AT_ONE_DEPOT: Final = 12
_BARS: Final = 24
_NEWS: Final = 6  # of each sort
_DRIFTING: Final = 6
_UNDATED: Final = 6
_ACT_NOW: Final = PRIORITIES.index("act_now")


@dataclass(frozen=True)
class Figure:
    """A number now, and the same on each of the days before, oldest first; None where it is not known."""

    now: float | None
    weeks: tuple[float | None, ...] = ()


@dataclass(frozen=True)
class DepotWork:
    """What cannot wait at a depot: how many vehicles, and the first of them."""

    depot: str
    number: int
    rows: list[FleetRow]


@dataclass(frozen=True)
class News:
    """What happened since yesterday, each sort newest first, with how many there were: findings that are new, that are over, whose
    repair held, and whose repair did not hold."""

    new: list[tuple[FleetRow, Finding]]
    over: list[tuple[FleetRow, Finding]]
    held: list[tuple[FleetRow, Finding]]
    not_held: list[tuple[FleetRow, Finding]]
    numbers: dict[str, int]


@dataclass(frozen=True, kw_only=True)
class Today:
    """The first page."""

    vehicles: int
    by_depot: dict[str, int]  # vehicles that cannot wait
    unheard: int
    not_proven: int
    greased: Figure
    urgent: Figure
    due: Figure
    heard: Figure
    work: list[DepotWork]
    refills: list[FleetRow]
    refills_left: int
    undated: list[FleetRow]  # the first of those of whose refill nobody can tell the date
    undated_number: int
    closed: dict[
        str, dict[date, str]
    ]  # depot of the calendar -> its closed days there, and why; without those nobody named any of
    by_hand: int  # vehicles that have no controller
    points: list[HandCount]  # greased by hand, by depot
    news: News
    drifting: list[tuple[FleetRow, list[LineCondition]]]
    wearing: list[Wearing]


def read_today(engine: Engine, scope: Scope, now_us: int) -> Today:
    """All of it, for a scope."""
    table, vehicle = schema.vehicle_summary, schema.vehicle
    mine = [~table.c.sold, *within(table, scope)]
    with engine.connect() as connection:
        totals = connection.execute(
            select(table.c.depot, table.c.need, func.count()).where(*mine).group_by(table.c.depot, table.c.need)
        ).all()
        by_hand = connection.scalar(select(func.count()).where(*mine, ~table.c.controller)) or 0
        by_depot = {depot: number for depot, need, number in totals if need == _ACT_NOW}
        due, due_later = _due(connection, mine, now_us)
        heard = (
            select(func.count()).select_from(table.join(vehicle, vehicle.c.id == table.c.vehicle_id))
            .where(vehicle.c.heard_us.between(now_us - DAY_US, now_us + AHEAD_US), table.c.controller, *mine)
        )  # fmt: skip
        weeks = _weeks(connection, scope, instant(now_us).date())
        bars = _refills(connection, mine, now_us)
        undated, undated_number = _undated(connection, mine)
        return Today(
            vehicles=sum(number for *_, number in totals),
            by_depot=dict(sorted(by_depot.items(), key=lambda item: (-item[1], item[0]))),
            unheard=sum(number for _, need, number in totals if PRIORITIES[need] == "unheard"),
            not_proven=sum(number for _, need, number in totals if PRIORITIES[need] == "not_proven"),
            greased=points_greased_as_planned(connection, scope, now_us),
            urgent=Figure(sum(by_depot.values()), weeks["urgent"]),
            due=Figure(due, weeks["due"]),
            heard=Figure(connection.scalar(heard) or 0, weeks["heard"]),
            work=_work(connection, mine, by_depot),
            refills=bars,
            refills_left=due_later - len(bars),
            undated=undated,
            undated_number=undated_number,
            closed=_closed(connection, bars, now_us),
            by_hand=by_hand,
            points=counted(connection, scope, now_us),
            news=_news(connection, mine, now_us - DAY_US),
            drifting=_drifting(connection, mine),
            wearing=read_wearing(connection, scope, _DRIFTING),
        )


def points_greased_as_planned(connection: Connection, scope: Scope, now_us: int) -> Figure:
    """Percent of the planned doses that surely arrived, in the latest week that is over and in those before; a week is seven days of the
    course."""
    today = instant(now_us).date()
    told = percent_by_week(connection, scope, today)
    monday = today - timedelta(days=today.weekday())
    weeks = [str(monday - timedelta(weeks=n)) for n in range(WEEKS, 0, -1)]
    return Figure(told.get(weeks[-1]), tuple(told.get(week) for week in weeks for _ in range(7)))


def _weeks(connection: Connection, scope: Scope, today: date) -> dict[str, tuple[float | None, ...]]:
    table = schema.depot_day
    first = today - timedelta(days=SHOWN_DAYS)
    sums = [func.sum(table.c[name]).label(name) for name in ("urgent", "due", "heard")]
    rows = connection.execute(
        select(table.c.day, *sums)
        .where(table.c.day >= first.isoformat(), table.c.day < today.isoformat(), *within(table, scope))
        .group_by(table.c.day)
    )
    told = {row.day: row for row in rows}
    days = [(first + timedelta(days=n)).isoformat() for n in range(SHOWN_DAYS)]

    def course(name: str) -> tuple[float | None, ...]:
        return tuple(None if day not in told else getattr(told[day], name) for day in days)

    return {name: course(name) for name in ("urgent", "due", "heard")}


def _work(connection: Connection, mine: list[Any], by_depot: dict[str, int]) -> list[DepotWork]:
    table = schema.vehicle_summary
    first = sorted(by_depot, key=lambda depot: (-by_depot[depot], depot))[:_DEPOTS]
    most = _AT_A_DEPOT if len(by_depot) > 1 else _AT_ONE_DEPOT
    place = func.row_number().over(partition_by=table.c.depot, order_by=SORTS["need"]).label("place")
    chosen = (
        select(table.c.vehicle_id, table.c.depot, place)
        .where(*mine, table.c.need == _ACT_NOW, table.c.depot.in_(first))
        .subquery()
    )
    ids = connection.execute(
        select(chosen.c.vehicle_id).where(chosen.c.place <= most).order_by(chosen.c.depot, chosen.c.place)
    ).scalars()
    rows = defaultdict[str, list[FleetRow]](list)
    for row in read_rows(connection, list(ids)):
        rows[row.depot].append(row)
    return [DepotWork(depot, by_depot[depot], rows[depot]) for depot in first]


def _due(connection: Connection, mine: list[Any], now_us: int) -> tuple[int, int]:
    """How many are due within the figure's days, and within the calendar's."""
    due_us = schema.vehicle_summary.c.due_early_us
    soon = func.sum(case((due_us <= now_us + DUE_DAYS * DAY_US, 1), else_=0))
    row = connection.execute(select(soon, func.count()).where(due_us <= now_us + CALENDAR_DAYS * DAY_US, *mine)).one()
    return int(row[0] or 0), int(row[1])


def _refills(connection: Connection, mine: list[Any], now_us: int) -> list[FleetRow]:
    """Who is due within the calendar's days, the first of them, by depot."""
    table = schema.vehicle_summary
    soon = table.c.due_early_us <= now_us + CALENDAR_DAYS * DAY_US
    ids = connection.execute(
        select(table.c.vehicle_id).where(soon, *mine).order_by(table.c.due_early_us).limit(_BARS)
    ).scalars()
    return sorted(read_rows(connection, list(ids)), key=lambda row: row.depot)


def _undated(connection: Connection, mine: list[Any]) -> tuple[list[FleetRow], int]:
    """Of whose refill nothing is known: the first of them, and how many."""
    table = schema.vehicle_summary
    unknown = *NO_REFILL_DATE, *mine
    number = connection.scalar(select(func.count()).where(*unknown)) or 0
    first = select(table.c.vehicle_id).where(*unknown).order_by(table.c.depot, table.c.unit).limit(_UNDATED)
    return read_rows(connection, list(connection.execute(first).scalars())) if number else [], number


def _closed(connection: Connection, bars: list[FleetRow], now_us: int) -> dict[str, dict[date, str]]:
    depots, today = {row.depot for row in bars}, instant(now_us).date()
    first, last = today - timedelta(days=1), today + timedelta(days=CALENDAR_DAYS)  # whatever the day is there
    return closed_between(connection, depots, first, last) if depots else {}


def _news(connection: Connection, mine: list[Any], since_us: int) -> News:
    """By the times of findings and transitions first, which are few and have an index; then by whose they are."""
    finding, step, alarm = schema.finding, schema.transition, schema.alarm
    new = connection.execute(
        select(finding).where(finding.c.detected_us > since_us, finding.c.ended_us.is_(None)).order_by(finding.c.detected_us.desc())
    ).mappings().all()  # fmt: skip
    ended = (
        connection.execute(select(finding).where(finding.c.ended_us > since_us).order_by(finding.c.ended_us.desc()))
        .mappings()
        .all()
    )
    failed = connection.execute(
        select(step.c.alarm_id).where(step.c.at_us > since_us, step.c.event == "realarm", step.c.why == REPAIR_FAILED)
    ).scalars()
    alarms = connection.execute(select(alarm).where(alarm.c.id.in_(list(failed)))).mappings().all()
    ours = _ours(connection, mine, {row["vehicle_id"] for row in (*new, *ended, *alarms)})
    sorts: dict[str, list[Any]] = {
        "new": list(new),
        "over": [row for row in ended if "cycles_since_repair" not in row["evidence"]],
        "held": [row for row in ended if "cycles_since_repair" in row["evidence"]],
        "not_held": [dict(row) | {"detected_us": row["raised_us"]} for row in alarms],
    }
    sorts = {name: [row for row in rows if row["vehicle_id"] in ours] for name, rows in sorts.items()}
    few = {name: rows[:_NEWS] for name, rows in sorts.items()}
    ids = sorted({row["vehicle_id"] for rows in few.values() for row in rows})
    by_id = dict(zip(ids, read_rows(connection, ids), strict=True))
    told = {name: [(by_id[row["vehicle_id"]], from_row(row)) for row in rows] for name, rows in few.items()}
    return News(**told, numbers={name: len(rows) for name, rows in sorts.items()})


def _ours(connection: Connection, mine: list[Any], ids: set[int]) -> set[int]:
    table = schema.vehicle_summary
    return set(connection.execute(select(table.c.vehicle_id).where(table.c.vehicle_id.in_(ids), *mine)).scalars())


def _drifting(connection: Connection, mine: list[Any]) -> list[tuple[FleetRow, list[LineCondition]]]:
    """Who has lines on their way to a finding, most lines first."""
    table = schema.vehicle_summary
    ids = connection.execute(
        select(table.c.vehicle_id)
        .where(table.c.drifting > 0, *mine)
        .order_by(table.c.drifting.desc(), table.c.unit)
        .limit(_DRIFTING)
    ).scalars()
    rows = read_rows(connection, list(ids))
    return [
        (row, [line for line in row.detail.lines if line.condition in DRIFTS] if row.detail else []) for row in rows
    ]
