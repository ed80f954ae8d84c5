"""What gets worse slowly, of what whoever asks may see."""

from dataclasses import dataclass, fields
from typing import Any, Final

from sqlalchemy import Connection, Engine, select

from analytics.trends import Trend
from dashboard.queries.scope import EVERYTHING, Scope, visible, within
from ingest import schema

MOST: Final = 100


@dataclass(frozen=True, kw_only=True)
class Wearing:
    """A trend, and whose it is."""

    fleet: str
    vehicle: str
    unit: str
    depot: str
    timezone: str
    points: tuple[str, ...]
    trend: Trend


def read_wearing(connection: Connection, scope: Scope, most: int = MOST) -> list[Wearing]:
    """What worsens, the first to pass its limit first."""
    table, who = schema.wear, schema.vehicle_summary
    asked = (
        select(table, who.c.fleet, who.c.vehicle, who.c.unit, who.c.depot, who.c.timezone)
        .join(who, who.c.vehicle_id == table.c.vehicle_id)
        .where(table.c.worsens, ~who.c.sold, *within(who, scope))
        .order_by(table.c.expected_us)
        .limit(most)
    )
    rows = connection.execute(asked).mappings().all()
    points = _points(connection, {row["vehicle_id"] for row in rows})
    return [
        Wearing(
            **{name: row[name] for name in ("fleet", "vehicle", "unit", "depot", "timezone")},
            points=tuple(points.get((row["vehicle_id"], line), "") for line in row["lines"]),
            trend=_trend(row),
        )
        for row in rows
    ]


def _trend(row: Any) -> Trend:
    told = {one.name: row[one.name] for one in fields(Trend)}
    return Trend(**told | {"channel": row["channel"] or None, "lines": tuple(row["lines"])})


def trends_of(engine: Engine, fleet: str, vehicle: str) -> list[Trend]:
    """All trends of a vehicle: what worsens first, the first to pass its limit; nothing where whoever asks sees none of that name."""
    table, who = schema.wear, schema.vehicle_summary
    asked = (
        select(table)
        .join(who, who.c.vehicle_id == table.c.vehicle_id)
        .where(who.c.fleet == fleet, who.c.vehicle == vehicle, *visible(who))
    )
    with engine.connect() as connection:
        found = [_trend(row) for row in connection.execute(asked).mappings()]
    return sorted(found, key=lambda one: (not one.worsens, one.expected_us or 0, one.what, one.lines))


def _points(connection: Connection, ids: set[int]) -> dict[tuple[int, int], str]:
    """(vehicle, line) -> what its point is called by the latest set-up."""
    setup, line = schema.setup, schema.line
    rows = connection.execute(
        select(setup.c.vehicle_id, line.c.line, line.c.point)
        .join(setup, setup.c.id == line.c.setup_id)
        .where(setup.c.vehicle_id.in_(ids))
        .order_by(setup.c.valid_from_us.is_not(None), setup.c.valid_from_us)
    )
    return {(id_, number): point for id_, number, point in rows}


def wearing(engine: Engine, scope: Scope = EVERYTHING, most: int = MOST) -> list[Wearing]:
    """The same."""
    with engine.connect() as connection:
        return read_wearing(connection, scope, most)
