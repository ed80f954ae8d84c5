"""A month's report: figures, what failed, what was repaired, refills and litres, open risks."""

from collections import Counter
from dataclasses import dataclass
from typing import Any

import pandas as pd
from sqlalchemy import Connection, Engine, and_, case, func, or_, select

from analytics.findings import Finding, from_row, urgency
from analytics.kinds import FINDING_KINDS
from analytics.pipeline.vehicle_summary import PRIORITIES
from analytics.planning.usage import Amount
from dashboard.queries import account, grease
from dashboard.queries.fleet import NO_REFILL_DATE
from dashboard.queries.frame import due_refills
from dashboard.queries.hand import counted
from dashboard.queries.scope import EVERYTHING, Scope, within
from ingest import schema, times
from ingest.work_records import read_work

MOST_RISKS = 15
MOST_POINTS = 10


@dataclass(frozen=True, kw_only=True)
class Risk:
    """A finding that lasts, and whose it is."""

    fleet: str
    vehicle: str
    unit: str
    depot: str
    timezone: str
    finding: Finding


@dataclass(frozen=True)
class Unknown:
    """Vehicles of a scope of which nothing was heard since the month began, of which not everything is proven now, and of which no refill
    date is known now."""

    unheard: int
    not_proven: int
    undated: int

    def __bool__(self) -> bool:
        return bool(self.unheard or self.not_proven or self.undated)


@dataclass(frozen=True)
class Waiting:
    """What waits for grease now: vehicles whose refill window has begun, points greased by hand that are due, on how many of those
    steering or braking depends, and points of which nobody knows when they are due."""

    refills: int
    by_hand: int
    critical: int
    undated: int


@dataclass(frozen=True, kw_only=True)
class Report:
    """A month of a scope: the trend up to it, the month by depot and by what depends on the points, the worst points;
    findings that began in it, ended in it, and last, by kind; work done in it, by kind; litres; the most urgent findings that last;
    `silent` depots have vehicles, and nothing is accounted for there; `open` is what nobody knows."""

    month: str
    scope: Scope
    trend: pd.DataFrame
    by_depot: pd.DataFrame
    by_critical: pd.DataFrame
    by_point: pd.DataFrame
    worst: list[account.WorstPoints]
    unknown: int
    began: list[tuple[str, int, int, int]]  # kind, began, ended, last
    repaired: list[tuple[str, int, int]]  # kind of work, records, vehicles
    amounts: list[Amount]
    risks: list[Risk]
    more_risks: int
    silent: list[str]
    open: Unknown
    waiting: Waiting
    lasts: bool  # the month is not over yet


def read_report(engine: Engine, month: str, scope: Scope = EVERYTHING) -> Report:
    """The report of a month."""
    (since_us, until_us), now_us = account.month_span_us(month), times.now_us()
    finding, who, work = schema.finding, schema.vehicle_summary, schema.work
    mine = within(who, scope)
    with engine.connect() as connection:
        spans = connection.execute(
            select(finding.c.kind, finding.c.began_us, finding.c.ended_us)
            .join(who, who.c.vehicle_id == finding.c.vehicle_id)
            .where(finding.c.began_us < until_us, func.coalesce(finding.c.ended_us, until_us) >= since_us, *mine)
        ).all()
        worked = list(
            connection.execute(
                select(work.c.vehicle_id)
                .join(who, who.c.vehicle_id == work.c.vehicle_id)
                .where(work.c.at_us >= since_us, work.c.at_us < until_us, *mine)
                .distinct()
            ).scalars()
        )
        done = read_work(connection, worked) if worked else {}
        rows = connection.execute(
            select(finding, who.c.fleet, who.c.vehicle, who.c.unit, who.c.depot, who.c.timezone)
            .join(who, who.c.vehicle_id == finding.c.vehicle_id)
            .where(finding.c.ended_us.is_(None), finding.c.severity != "note", ~who.c.sold, *mine)
        ).mappings()
        risks = [_risk(row) for row in rows]
        depots = set(connection.execute(select(who.c.depot).where(~who.c.sold, *mine).distinct()).scalars())
        open_, waiting = _unknown(connection, mine, since_us), _waiting(connection, scope, now_us)
    risks.sort(key=lambda one: urgency(one.finding))
    by_depot = account.by_group(engine, month, "depot", scope)
    return Report(
        month=month,
        scope=scope,
        trend=account.by_month(engine, scope, month),
        by_depot=by_depot,
        by_critical=account.by_group(engine, month, "critical", scope),
        by_point=account.by_group(engine, month, "point", scope),
        worst=account.worst_points(engine, month, scope, MOST_POINTS),
        unknown=account.without_doses(engine, month, scope),
        began=_by_kind([tuple(row) for row in spans], since_us, until_us),
        repaired=_repaired(done, since_us, until_us),
        amounts=[one for one in grease.read_amounts(engine, scope) if one.month == month],
        risks=risks[:MOST_RISKS],
        more_risks=max(0, len(risks) - MOST_RISKS),
        silent=sorted(depots - set(by_depot["group"])),
        open=open_,
        waiting=waiting,
        lasts=now_us < until_us,
    )


def _unknown(connection: Connection, mine: list[Any], since_us: int) -> Unknown:
    who, vehicle = schema.vehicle_summary, schema.vehicle

    def number(condition: Any) -> Any:
        return func.coalesce(func.sum(case((condition, 1), else_=0)), 0)

    unheard = or_(vehicle.c.heard_us.is_(None), vehicle.c.heard_us < since_us)
    row = connection.execute(
        select(
            number(and_(who.c.controller, unheard)),
            number(who.c.need == PRIORITIES.index("not_proven")),
            number(and_(*NO_REFILL_DATE)),
        )
        .select_from(who.join(vehicle, vehicle.c.id == who.c.vehicle_id))
        .where(~who.c.sold, *mine)
    ).one()
    return Unknown(*map(int, row))


def _waiting(connection: Connection, scope: Scope, now_us: int) -> Waiting:
    points = counted(connection, scope, now_us)
    return Waiting(
        due_refills(connection, scope, now_us),
        sum(one.due for one in points),
        sum(one.critical for one in points),
        sum(one.unknown for one in points),
    )


def _risk(row: Any) -> Risk:
    return Risk(
        finding=from_row(row), **{name: row[name] for name in ("fleet", "vehicle", "unit", "depot", "timezone")}
    )


def _by_kind(spans: list[tuple[Any, ...]], since_us: int, until_us: int) -> list[tuple[str, int, int, int]]:
    began, ended, last = Counter[str](), Counter[str](), Counter[str]()
    for kind, began_us, ended_us in spans:
        began[kind] += began_us >= since_us
        over = ended_us is not None and ended_us < until_us
        ended[kind] += over
        last[kind] += not over
    return [(kind, began[kind], ended[kind], last[kind]) for kind in FINDING_KINDS if kind in began]


def _repaired(done: dict[int, Any], since_us: int, until_us: int) -> list[tuple[str, int, int]]:
    inside = [
        (one.title, vehicle) for vehicle, records in done.items() for one in records if since_us <= one.at_us < until_us
    ]
    titles = Counter(title for title, _ in inside)
    return [
        (title, number, len({vehicle for name, vehicle in inside if name == title}))
        for title, number in titles.most_common()
    ]
