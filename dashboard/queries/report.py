"""A month's report: figures, what failed, what was repaired, refills and litres, open risks."""

from collections import Counter
from dataclasses import dataclass
from typing import Any

import pandas as pd
from sqlalchemy import Engine, func, select

from analytics.findings import Finding, from_row, urgency
from analytics.kinds import FINDING_KINDS
from analytics.planning.usage import Amount
from dashboard.queries import account, grease
from dashboard.queries.scope import EVERYTHING, Scope, within
from ingest import schema
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


@dataclass(frozen=True, kw_only=True)
class Report:
    """A month of a scope: the trend up to it, the month by depot and by what depends on the points, the worst points;
    findings that began in it, ended in it, and last, by kind; work done in it, by kind; litres; the most urgent findings that last."""

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


def read_report(engine: Engine, month: str, scope: Scope = EVERYTHING) -> Report:
    """The report of a month."""
    since_us, until_us = account.month_span_us(month)
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
    risks.sort(key=lambda one: urgency(one.finding))
    return Report(
        month=month,
        scope=scope,
        trend=account.by_month(engine, scope, month),
        by_depot=account.by_group(engine, month, "depot", scope),
        by_critical=account.by_group(engine, month, "critical", scope),
        by_point=account.by_group(engine, month, "point", scope),
        worst=account.worst_points(engine, month, scope, MOST_POINTS),
        unknown=account.without_doses(engine, month, scope),
        began=_by_kind([tuple(row) for row in spans], since_us, until_us),
        repaired=_repaired(done, since_us, until_us),
        amounts=[one for one in grease.read_amounts(engine, scope.depot) if one.month == month],
        risks=risks[:MOST_RISKS],
        more_risks=max(0, len(risks) - MOST_RISKS),
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
