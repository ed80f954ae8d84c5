"""Keeping whether each point got its grease, which are dry, what gets worse slowly, and how well the pressure model fits."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict
from datetime import date, timedelta
from functools import cache
from typing import Any, Final
from zoneinfo import ZoneInfo

from sqlalchemy import Connection, Delete, Insert, Select, Table, bindparam, delete, insert, select

from analytics.account.greased import Kept
from analytics.account.points import point_kind
from analytics.hand import HandState
from analytics.kinds import FINDING_KINDS
from analytics.trends import Trend
from analytics.vehicle.archive import Past
from analytics.vehicle.line_conditions import LineCondition
from analytics.vehicle.model_check import Check
from ingest import schema
from ingest.setups import HandPoint, Setup
from ingest.times import HOUR_US, instant
from ingest.work_records import among, these

_DOSES: Final = ("planned", "arrived", "failed")


# Statements on the rows of a `vehicle`, made once for each table: that takes longer than to execute them.


@cache
def of_vehicle(table: Table, period: str | None = None) -> Select[Any]:
    """All of its rows, or those `since` some value of the column `period`."""
    mine = select(table).where(table.c.vehicle_id == bindparam("vehicle"))
    return mine if period is None else mine.where(table.c[period] >= bindparam("since"))


@cache
def without(table: Table, *key: str) -> Delete:
    """Delete all of its rows, or those whose columns `key` hold what is named `its_...`."""
    these = (table.c[name] == bindparam(f"its_{name}") for name in key)
    return delete(table).where(table.c.vehicle_id == bindparam("vehicle"), *these)


@cache
def more(table: Table) -> Insert:
    """Insert some."""
    return insert(table)


def known_from(past: Past | None, timezone: str) -> date | None:
    """The first day whose messages are there in full; None where all are. What was kept of the time before stays."""
    return None if past is None else instant(past.since_us).astimezone(ZoneInfo(timezone)).date()


def keep_greased(connection: Connection, vehicle_id: int, setup: Setup, kept: Kept, since: date | None) -> None:
    """Make this what is kept of a vehicle from `since` on; rows that are as they were are not written again: most are."""
    month = "" if since is None else f"{since + timedelta(days=1):%Y-%m}"  # a month begins at another hour in each zone
    week = "" if since is None else str(since)
    who = {"vehicle_id": vehicle_id, "fleet": setup.fleet}
    months = {
        key: {name: getattr(one, name) for name in (*_DOSES, "worst", "days")} | {"vehicle_class": setup.vehicle_class}
        for key, one in kept.months.items()
        if key[0] >= month
    }
    kinds = {key: _doses(one) for key, one in kept.kinds.items() if key[0] >= month}
    weeks = {key: _doses(one) for key, one in kept.weeks.items() if key[0] >= week}
    _renew(connection, schema.greased, ("month", "depot"), months, who, month)
    _renew(connection, schema.greased_kind, ("month", "depot", "point_kind", "critical"), kinds, who, month)
    _renew(connection, schema.greased_week, ("week", "depot"), weeks, who, week)


def _doses(sums: Any) -> dict[str, float]:
    return {name: getattr(sums, name) for name in _DOSES}


def _renew(
    connection: Connection, table: Table, key: tuple[str, ...], wanted: Mapping[Any, dict[str, Any]],
    who: dict[str, Any], since: str,
) -> None:  # fmt: skip
    """Replace a vehicle's rows from `since` on, where they differ; the first column of `key` is the period."""
    vehicle: dict[str, Any] = {"vehicle": who["vehicle_id"]}
    names = [column.name for column in table.columns if column.name not in (*key, *who)]
    held = {
        tuple(row[name] for name in key): {name: row[name] for name in names}
        for row in connection.execute(of_vehicle(table, key[0]), vehicle | {"since": since}).mappings()
    }
    gone = [
        vehicle | {f"its_{name}": value for name, value in zip(key, one, strict=True)}
        for one, row in held.items()
        if wanted.get(one) != row
    ]
    new = [who | dict(zip(key, one, strict=True)) | row for one, row in wanted.items() if held.get(one) != row]
    if gone:
        connection.execute(without(table, *key), gone)
    if new:
        connection.execute(more(table), new)


def keep_cold_weeks(connection: Connection, vehicle_id: int, lows_c: Mapping[str, float]) -> None:
    """Make this what a vehicle says of the cold of weeks of the year; of others what it said before stays."""
    if not lows_c:
        return
    table, vehicle = schema.cold_week, {"vehicle": vehicle_id}
    held = {row.week: row.low_c for row in connection.execute(of_vehicle(table), vehicle)}
    changed = {week: low for week, low in lows_c.items() if held.get(week) != low}
    if changed:
        connection.execute(without(table, "week"), [vehicle | {"its_week": week} for week in changed])
        rows = [{"vehicle_id": vehicle_id, "week": week, "low_c": low} for week, low in changed.items()]
        connection.execute(more(table), rows)


def keep_dry_points(connection: Connection, vehicle_id: int, setup: Setup, lines: Sequence[LineCondition]) -> None:
    """Make these the points of a vehicle that a finding says are dry; most vehicles have none."""
    table, vehicle = schema.dry_point, {"vehicle": vehicle_id}
    points = {line.line: point_kind(line.point) for line in setup.lines}
    dry = [one for one in lines if one.condition in FINDING_KINDS and FINDING_KINDS[one.condition].dries]
    wanted = {(one.line, points[one.line], one.condition, one.hours_since_grease) for one in dry if one.line in points}
    names = ("line", "point_kind", "finding", "hours")
    rows = connection.execute(of_vehicle(table), vehicle).mappings()
    held = {tuple(row[name] for name in names) for row in rows}
    if held == wanted:
        return
    connection.execute(without(table), vehicle)
    if wanted:
        new = [{"vehicle_id": vehicle_id} | dict(zip(names, row, strict=True)) for row in wanted]
        connection.execute(more(table), new)


def keep_hand(connection: Connection, vehicle_id: int, states: Sequence[HandState]) -> None:
    """Make this how a vehicle's points stand that are greased by hand; most vehicles have none."""
    table, vehicle = schema.hand_due, {"vehicle": vehicle_id}
    names = [column.name for column in table.columns]
    wanted = {
        (vehicle_id, *(getattr(one.point if name in HandPoint.__struct_fields__ else one, name) for name in names[1:]))
        for one in states
    }
    held = {tuple(row) for row in connection.execute(of_vehicle(table), vehicle)}
    if held == wanted:
        return
    connection.execute(without(table), vehicle)
    if wanted:
        connection.execute(more(table), [dict(zip(names, row, strict=True)) for row in wanted])


TRENDS_EVERY_US: Final = 20 * HOUR_US  # a day adds one point to a trend: more often would tell nothing


_FRESH: Final = select(schema.analysis.c.vehicle_id).where(
    *among(schema.analysis.c.vehicle_id), schema.analysis.c.trends_us.between(bindparam("since"), bindparam("until"))
)


def trends_due(connection: Connection, ids: Collection[int], as_of_us: int) -> set[int]:
    """Which of these vehicles want their trends made anew."""
    asked = these(ids) | {"since": as_of_us - TRENDS_EVERY_US, "until": as_of_us}
    return set(ids) - set(connection.scalars(_FRESH, asked))


def keep_trends(connection: Connection, vehicle_id: int, found: Sequence[Trend] | None, as_of_us: int) -> None:
    """Make these a vehicle's trends; None: those of before stand."""
    if found is None:
        return
    table = schema.wear
    connection.execute(without(table), {"vehicle": vehicle_id})
    rows = [
        asdict(one)
        | {"vehicle_id": vehicle_id, "as_of_us": as_of_us, "channel": one.channel or "", "lines": list(one.lines)}
        for one in found
    ]
    if rows:
        connection.execute(more(table), rows)


def keep_checks(connection: Connection, vehicle_id: int, found: Sequence[Check] | None, as_of_us: int) -> None:
    """Make these how well the pressure model fits a vehicle's channels; None: those of before stand."""
    if found is None:
        return
    table = schema.model_check
    connection.execute(without(table), {"vehicle": vehicle_id})
    rows = [
        asdict(one)
        | {"vehicle_id": vehicle_id, "as_of_us": as_of_us, "lines": list(one.lines), "remarks": list(one.remarks)}
        for one in found
    ]
    if rows:
        connection.execute(more(table), rows)
