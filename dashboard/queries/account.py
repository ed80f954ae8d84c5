"""Whether every point got its grease, rolled up: one query a roll-up, of what whoever asks may see."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from math import isnan
from typing import TYPE_CHECKING, Any, Final

from sqlalchemy import ColumnElement, Connection, Engine, Table, func, select

from analytics.hand import HAND_FROM
from dashboard.queries.prices import AtRisk, PointAtRisk, dry_points, read_priced, together
from dashboard.queries.scope import EVERYTHING, Scope, read_vehicles, visible, within
from ingest import schema
from ingest.languages import later
from ingest.setups import HandPoint, Line, Setup
from ingest.times import instant, microseconds

if TYPE_CHECKING:
    import pandas as pd

    from analytics.account.greased import DaysOfMonth

# What a month may be rolled up by: what people call it, the table, and its column there.
GROUPS: Final = {
    "depot": (later("depot"), schema.greased, "depot"),
    "class": (later("class of vehicle"), schema.greased, "vehicle_class"),
    "fleet": (later("fleet"), schema.greased, "fleet"),
    "point": (later("kind of point"), schema.greased_kind, "point_kind"),
    "critical": (later("what depends on the point"), schema.greased_kind, "critical"),
}
MONTHS: Final = 12  # of a trend
WEEKS: Final = 8
MOST_POINTS: Final = 50
CRITICAL_WORDS: Final = {True: later("Steering or braking depends on it"), False: later("Other points")}


@dataclass(frozen=True, kw_only=True)
class WorstPoints:
    """Points of a vehicle that missed the same share of their grease in a month: by their lines; doses planned, surely arrived and
    surely not, of one of them; on how many days at least one dose surely did not arrive; and how many lines there are. The numbers of
    points greased by hand lie above HAND_FROM."""

    vehicle_id: int
    fleet: str
    vehicle: str
    unit: str
    depot: str
    lines: tuple[int, ...]
    points: tuple[str, ...]
    of_lines: int
    critical: bool
    planned: float
    arrived: float
    failed: float
    failed_days: int
    at_risk: AtRisk | None = None  # money at risk on them now; None where there are no prices, or they are not dry now

    @property
    def of_system(self) -> list[int]:
        """Those on the line list."""
        return [line for line in self.lines if line < HAND_FROM]

    @property
    def by_hand(self) -> list[int]:
        """Those that somebody greases by hand."""
        return [line - HAND_FROM for line in self.lines if line >= HAND_FROM]

    @property
    def failed_pct(self) -> float:
        """Percent of planned doses that surely did not arrive."""
        return 100 * self.failed / self.planned

    @property
    def arrived_pct(self) -> float:
        """Percent that surely did."""
        return 100 * self.arrived / self.planned


def months(engine: Engine, scope: Scope = EVERYTHING) -> list[str]:
    """The months (YYYY-MM) of which something is kept, the newest first."""
    table = schema.greased
    with engine.connect() as connection:
        found = connection.execute(select(table.c.month).where(*within(table, scope)).distinct()).scalars()
        return sorted(found, reverse=True)


def by_month(engine: Engine, scope: Scope = EVERYTHING, until: str = "9999-12", most: int = MONTHS) -> pd.DataFrame:
    """The trend: a row a month, oldest first, of a scope, as `greased.with_limits` tells it."""
    chosen = [m for m in months(engine, scope) if m <= until][:most]
    table = schema.greased
    return _rollup(engine, table, "month", [table.c.month.in_(chosen), *within(table, scope)])


def by_week(engine: Engine, scope: Scope = EVERYTHING, weeks: int = WEEKS) -> pd.DataFrame:
    """The latest weeks: a row a week (`week`, the date of its Monday), oldest first; the last is the one under way."""
    table = schema.greased_week
    with engine.connect() as connection:
        newest = connection.scalar(select(func.max(table.c.week)).where(*within(table, scope)))
    if newest is None:
        return _rollup(engine, table, "week", [table.c.week > "", *within(table, scope)])
    first = date.fromordinal(date.fromisoformat(newest).toordinal() - 7 * (weeks - 1))
    return _rollup(engine, table, "week", [table.c.week >= str(first), *within(table, scope)])


def percent_by_week(connection: Connection, scope: Scope, today: date, weeks: int = WEEKS) -> dict[str, float]:
    """Percent of the planned doses that surely arrived, by the Mondays of the latest weeks that are over, oldest first."""
    table, monday = schema.greased_week, today - timedelta(days=today.weekday())
    span = table.c.week >= str(monday - timedelta(weeks=weeks)), table.c.week < str(monday)
    rows = connection.execute(
        select(table.c.week, func.sum(table.c.arrived), func.sum(table.c.planned))
        .where(*span, *within(table, scope))
        .group_by(table.c.week)
        .order_by(table.c.week)
    )
    return {week: 100 * arrived / planned for week, arrived, planned in rows if planned}


def by_group(engine: Engine, month: str, group: str, scope: Scope = EVERYTHING) -> pd.DataFrame:
    """A month by one of GROUPS, the lowest percent first; the column of names is `group`."""
    _, table, column = GROUPS[group]
    told = _rollup(engine, table, column, [table.c.month == month, *within(table, scope)])
    told = told.rename(columns={column: "group"})
    if group == "critical":
        told["group"] = [CRITICAL_WORDS[bool(one)] for one in told["group"]]
    return told.sort_values(["arrived_pct", "planned"], ascending=[True, False], ignore_index=True)


def _rollup(engine: Engine, table: Table, key: str, where: Sequence[ColumnElement[bool]]) -> pd.DataFrame:
    import pandas as pd  # here, since it takes long to load

    from analytics.account.greased import with_limits

    p, a, f = table.c.planned, table.c.arrived, table.c.failed
    sums = {"planned": p, "arrived": a, "failed": f, "pp": p * p, "pa": p * a, "aa": a * a, "pf": p * f, "ff": f * f}
    column = table.c[key]
    asked = (
        select(column, func.count().label("vehicles"), *(func.sum(value).label(name) for name, value in sums.items()))
        .where(*where)
        .group_by(column)
        .order_by(column)
    )
    with engine.connect() as connection:
        return with_limits(pd.read_sql(asked, connection))


def worst_points(
    engine: Engine, month: str, scope: Scope = EVERYTHING, most: int = MOST_POINTS, *, by_money: bool = False
) -> list[WorstPoints]:
    """Points of which most doses surely did not arrive in a month: the highest share first, and what steering or braking depends on
    first among equals; or those with most money at risk now, where there are prices."""
    from analytics.account.greased import unpacked  # here, since it loads what takes long

    table = schema.greased
    asked = select(table.c.vehicle_id, table.c.depot, table.c.days).where(
        table.c.month == month, table.c.worst > 0, *within(table, scope)
    )
    end_us = month_span_us(month)[1] - 1
    with engine.connect() as connection:
        priced = read_priced(connection)
        if priced is not None and by_money:
            told = priced.by_vehicle
            asked = asked.outerjoin(told, told.c.vehicle_id == table.c.vehicle_id)
            asked = asked.order_by(func.coalesce(told.c.money, 0.0).desc(), func.coalesce(told.c.unknown, 0).desc())
        # Each vehicle's own worst is at least as bad, and it has at least as much at risk, as any that is shown of it.
        rows = connection.execute(asked.order_by(table.c.worst.desc()).limit(most)).all()
        ids = [row.vehicle_id for row in rows]
        known = {one.id: one for one in read_vehicles(connection, ids)}
        dry = None if priced is None else dry_points(connection, priced, ids)
    found = [
        one
        for row in rows
        if row.vehicle_id in known
        for one in _worst_of(row.vehicle_id, known[row.vehicle_id].in_force(end_us), row.depot, unpacked(row.days))
    ]
    if dry is not None:
        found = [replace(one, at_risk=_now_at_risk(dry.get(one.vehicle_id, ()), one)) for one in found]

    def order(one: WorstPoints) -> tuple[Any, ...]:
        risk = one.at_risk if by_money and one.at_risk is not None else AtRisk(money=0.0, unknown=0)
        return -risk.money, -risk.unknown, -round(one.failed_pct, 1), not one.critical, one.vehicle, one.lines

    return sorted(found, key=order)[:most]


def _now_at_risk(points: Sequence[PointAtRisk], one: WorstPoints) -> AtRisk | None:
    return together(point for point in points if point.line in one.lines)


def priced_in(engine: Engine) -> str | None:
    """The currency that money at risk is told in; None where there are no prices."""
    with engine.connect() as connection:
        priced = read_priced(connection)
        return None if priced is None else priced.currency


def _worst_of(vehicle_id: int, setup: Setup, depot: str, told: DaysOfMonth) -> Iterator[WorstPoints]:
    """A vehicle's, those together that are alike."""
    named: dict[int, Line | HandPoint] = {line.line: line for line in setup.lines}
    named |= {HAND_FROM + point.number: point for point in setup.hand_points}
    alike = defaultdict[tuple[float, ...], list[int]](list)
    for k in range(len(told.lines)):
        planned, arrived, failed = (float(v[:, k].sum()) for v in (told.planned, told.arrived, told.failed))
        if failed:
            by_hand = float(told.lines[k] >= HAND_FROM)
            alike[planned, arrived, failed, float((told.failed[:, k] > 0).sum()), by_hand].append(k)
    of_lines = int((told.lines < HAND_FROM).sum())
    for (planned, arrived, failed, days, _), columns in alike.items():
        lines = [int(told.lines[k]) for k in columns]
        here = [named[number] for number in lines if number in named]
        yield WorstPoints(
            vehicle_id=vehicle_id, fleet=setup.fleet, vehicle=setup.vehicle, unit=setup.unit, depot=depot, lines=tuple(lines),
            points=tuple(line.point for line in here), of_lines=of_lines, critical=any(line.critical for line in here),
            planned=planned, arrived=arrived, failed=failed, failed_days=int(days),
        )  # fmt: skip


def days_of(engine: Engine, fleet: str, vehicle: str, month: str) -> pd.DataFrame:
    """A vehicle's month by day and line, or point greased by hand: day, depot, line, hand_point (one of the two is None), planned, arrived,
    failed, not_proven; only where a dose was planned."""
    import numpy as np  # here, since they take long to load
    import pandas as pd

    from analytics.account.greased import unpacked

    table, who = schema.greased, schema.vehicle
    asked = (
        select(table.c.depot, table.c.days)
        .join(who, who.c.id == table.c.vehicle_id)
        .where(who.c.fleet == fleet, who.c.vehicle == vehicle, table.c.month == month, *visible(table))
        .order_by(table.c.depot)
    )
    with engine.connect() as connection:
        kept = [(depot, unpacked(days)) for depot, days in connection.execute(asked)]
    return pd.DataFrame(
        [
            (f"{month}-{told.days[d]:02}", depot, *_number(int(told.lines[k])), *(float(v) for v in (planned, arrived, failed)),
             round(max(planned - arrived - failed, 0.0), 1))
            for depot, told in kept
            for d, k in np.argwhere(told.planned > 0)
            for planned, arrived, failed in [(told.planned[d, k], told.arrived[d, k], told.failed[d, k])]
        ],
        dtype=object,
        columns=["day", "depot", "line", "hand_point", "planned", "arrived", "failed", "not_proven"],
    )  # fmt: skip


def _number(line: int) -> tuple[int | None, int | None]:
    return (line, None) if line < HAND_FROM else (None, line - HAND_FROM)


def month_span_us(month: str) -> tuple[int, int]:
    """From when to when a month (YYYY-MM) lasts, by UTC."""
    first = date.fromisoformat(f"{month}-01")
    after = date(first.year + first.month // 12, first.month % 12 + 1, 1)
    since, until = (microseconds(datetime(d.year, d.month, 1, tzinfo=UTC)) for d in (first, after))
    return since, until


def month_before(at_us: int) -> str:
    """The month (YYYY-MM) before the one of a time, by UTC."""
    return f"{instant(at_us).replace(day=1) - timedelta(days=1):%Y-%m}"


def without_doses(engine: Engine, month: str, scope: Scope = EVERYTHING) -> int:
    """Registered vehicles of which no dose was planned in a month: they stood, or nothing was heard of them."""
    table, who = schema.greased, schema.vehicle_summary
    has = select(table.c.vehicle_id).where(table.c.vehicle_id == who.c.vehicle_id, table.c.month == month).exists()
    asked = select(func.count()).select_from(who).where(~who.c.sold, ~has, *within(who, scope))
    with engine.connect() as connection:
        return connection.scalar(asked) or 0


def rows_of(told: pd.DataFrame) -> list[dict[str, Any]]:
    """A table as rows for other programs: percent to two places, doses to one, what is not known None."""
    return [{str(name): _rounded(str(name), value) for name, value in row.items()} for row in told.to_dict("records")]


def _rounded(name: str, value: Any) -> Any:
    if isinstance(value, float):
        return None if isnan(value) else round(value, 2 if name.endswith("_pct") else 1)
    return value
