"""Whether every point got its grease, rolled up: one query a roll-up, of what whoever asks may see."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Final

import pandas as pd
from sqlalchemy import ColumnElement, Engine, Table, func, select

from analytics.account.greased import unpacked, with_limits
from dashboard.queries.scope import read_vehicles, visible
from ingest import schema
from ingest.times import DAY_US, microseconds

# What a month may be rolled up by: what people call it, the table, and its column there.
GROUPS: Final = {
    "depot": ("depot", schema.greased, "depot"),
    "class": ("class of vehicle", schema.greased, "vehicle_class"),
    "fleet": ("fleet", schema.greased, "fleet"),
    "point": ("kind of point", schema.greased_kind, "point_kind"),
    "critical": ("what depends on the point", schema.greased_kind, "critical"),
}
MONTHS: Final = 12  # of a trend
WEEKS: Final = 8
MOST_POINTS: Final = 50
CRITICAL_WORDS: Final = {True: "steering or braking", False: "other points"}


@dataclass(frozen=True, kw_only=True)
class WorstPoint:
    """A point that did not get all of its grease in a month: planned doses, surely arrived, surely not; the days on which nothing
    surely arrived though something was planned, and the ones on which doses surely did not."""

    vehicle_id: int
    fleet: str
    vehicle: str
    unit: str
    depot: str
    line: int
    point: str
    critical: bool
    planned: float
    arrived: float
    failed: float
    failed_days: int

    @property
    def failed_pct(self) -> float:
        """Percent of its planned doses that surely did not arrive."""
        return 100 * self.failed / self.planned

    @property
    def arrived_pct(self) -> float:
        """Percent that surely did."""
        return 100 * self.arrived / self.planned


def months(engine: Engine) -> list[str]:
    """The months (YYYY-MM) of which something is kept, the newest first."""
    table = schema.greased
    with engine.connect() as connection:
        found = connection.execute(select(table.c.month).where(*visible(table)).distinct()).scalars()
        return sorted(found, reverse=True)


def by_month(engine: Engine, depot: str = "", until: str = "9999-12", most: int = MONTHS) -> pd.DataFrame:
    """The trend: a row a month, oldest first, of one depot or all, as `greased.with_limits` tells it."""
    chosen = [m for m in months(engine) if m <= until][:most]
    table = schema.greased
    return _rollup(engine, table, "month", [table.c.month.in_(chosen), *_at(table, depot)])


def by_week(engine: Engine, depot: str = "", weeks: int = WEEKS) -> pd.DataFrame:
    """The latest weeks: a row a week (`week`, the date of its Monday), oldest first; the last is the one under way."""
    table = schema.greased_week
    since = select(func.max(table.c.week)).where(*visible(table)).scalar_subquery()
    with engine.connect() as connection:
        newest = connection.scalar(select(since))
    if newest is None:
        return _rollup(engine, table, "week", [table.c.week > ""])
    first = date.fromordinal(date.fromisoformat(newest).toordinal() - 7 * (weeks - 1))
    return _rollup(engine, table, "week", [table.c.week >= str(first), *_at(table, depot)])


def by_group(engine: Engine, month: str, group: str, depot: str = "") -> pd.DataFrame:
    """A month by one of GROUPS, the lowest percent first; the column of names is `group`."""
    _, table, column = GROUPS[group]
    told = _rollup(engine, table, column, [table.c.month == month, *_at(table, depot)])
    told = told.rename(columns={column: "group"})
    if group == "critical":
        told["group"] = [CRITICAL_WORDS[bool(one)] for one in told["group"]]
    return told.sort_values(["arrived_pct", "planned"], ascending=[True, False], ignore_index=True)


def _at(table: Table, depot: str) -> list[ColumnElement[bool]]:
    return [table.c.depot == depot] if depot else []


def _rollup(engine: Engine, table: Table, key: str, where: Sequence[ColumnElement[bool]]) -> pd.DataFrame:
    p, a, f = table.c.planned, table.c.arrived, table.c.failed
    sums = {"planned": p, "arrived": a, "failed": f, "pp": p * p, "pa": p * a, "aa": a * a, "pf": p * f, "ff": f * f}
    column = table.c[key]
    asked = (
        select(column, func.count().label("vehicles"), *(func.sum(value).label(name) for name, value in sums.items()))
        .where(*where, *visible(table))
        .group_by(column)
        .order_by(column)
    )
    with engine.connect() as connection:
        return with_limits(pd.read_sql(asked, connection))


def worst_points(engine: Engine, month: str, depot: str = "", most: int = MOST_POINTS) -> list[WorstPoint]:
    """Points of which most doses surely did not arrive in a month: the highest share first, and steering and braking first among
    equals."""
    table = schema.greased
    asked = (
        select(table.c.vehicle_id, table.c.depot, table.c.days)
        .where(table.c.month == month, table.c.worst > 0, *_at(table, depot), *visible(table))
        .order_by(table.c.worst.desc())
        .limit(most)  # each vehicle's own worst is at least as bad as any that is shown of it
    )
    year, number = map(int, month.split("-"))
    end_us = microseconds(pd.Timestamp(year, number, 1, tz="UTC").to_pydatetime()) + 28 * DAY_US
    with engine.connect() as connection:
        rows = connection.execute(asked).all()
        known = {one.id: one for one in read_vehicles(connection, [row.vehicle_id for row in rows])}
    found = []
    for row in rows:
        if row.vehicle_id not in known:
            continue
        setup, told = known[row.vehicle_id].in_force(end_us), unpacked(row.days)
        named = {line.line: line for line in setup.lines}
        for k, number in enumerate(told.lines.tolist()):
            planned, arrived, failed = (float(v[:, k].sum()) for v in (told.planned, told.arrived, told.failed))
            if not failed:
                continue
            line = named.get(number)
            found.append(
                WorstPoint(
                    vehicle_id=row.vehicle_id, fleet=setup.fleet, vehicle=setup.vehicle, unit=setup.unit, depot=row.depot, line=number,
                    point=line.point if line else "no longer on the line list", critical=bool(line and line.critical),
                    planned=planned, arrived=arrived, failed=failed, failed_days=int((told.failed[:, k] > 0).sum()),
                )
            )  # fmt: skip
    return sorted(found, key=lambda one: (-round(one.failed_pct, 1), not one.critical, one.vehicle, one.line))[:most]


def without_doses(engine: Engine, month: str, depot: str = "") -> int:
    """Registered vehicles of which no dose was planned in a month: they stood, or nobody heard of them."""
    table, who = schema.greased, schema.vehicle_summary
    has = select(table.c.vehicle_id).where(table.c.vehicle_id == who.c.vehicle_id, table.c.month == month).exists()
    asked = select(func.count()).select_from(who).where(~who.c.sold, ~has, *_at(who, depot), *visible(who))
    with engine.connect() as connection:
        return connection.scalar(asked) or 0


def rows_of(told: pd.DataFrame) -> list[dict[str, Any]]:
    """A table as rows for other programs: percent to two places, doses to one, what is not known None."""
    return [{str(name): _rounded(str(name), value) for name, value in row.items()} for row in told.to_dict("records")]


def _rounded(name: str, value: Any) -> Any:
    if isinstance(value, float):
        return None if pd.isna(value) else round(value, 2 if name.endswith("_pct") else 1)
    return value
