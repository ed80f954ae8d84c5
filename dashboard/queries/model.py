"""How well the pressure model fits the channels that whoever asks may see."""

from dataclasses import dataclass, fields
from typing import Any

from sqlalchemy import Engine, func, select

from analytics.vehicle.model_check import Check
from dashboard.queries.scope import visible
from ingest import schema

MOST = 50


@dataclass(frozen=True)
class Fit:
    """Channels worth a look, the worst first, each with whose it is; how many there are of those, of all that were checked, and of all that
    have too few readings to be."""

    worst: list[tuple[str, str, str, str, Check]]  # fleet, vehicle, unit, depot
    remarked: int
    checked: int
    unknown: int


def model_fit(engine: Engine) -> Fit:
    """Of the fleet."""
    table, who = schema.model_check, schema.vehicle_summary
    mine = ~who.c.sold, *visible(who)
    joined = table.c.vehicle_id == who.c.vehicle_id
    counted = select(
        func.count(table.c.channel).filter(table.c.worst > 1), func.count(table.c.worst), func.count(table.c.channel)
    ).where(joined, *mine)
    asked = (
        select(table, who.c.fleet, who.c.vehicle, who.c.unit, who.c.depot)
        .where(joined, table.c.worst > 1, *mine)
        .order_by(table.c.worst.desc(), who.c.vehicle, table.c.channel)
        .limit(MOST)
    )
    with engine.connect() as connection:
        remarked, checked, of_all = connection.execute(counted).one()
        rows = connection.execute(asked).mappings().all()
    worst = [(row["fleet"], row["vehicle"], row["unit"], row["depot"], _check(row)) for row in rows]
    return Fit(worst, remarked, checked, of_all - checked)


def checks_of(engine: Engine, fleet: str, vehicle: str) -> list[Check]:
    """Of one vehicle, the worst first; nothing where whoever asks sees none of that name."""
    table, who = schema.model_check, schema.vehicle_summary
    asked = select(table).where(
        table.c.vehicle_id == who.c.vehicle_id, who.c.fleet == fleet, who.c.vehicle == vehicle, *visible(who)
    )
    with engine.connect() as connection:
        found = [_check(row) for row in connection.execute(asked).mappings()]
    return sorted(found, key=lambda one: (one.worst is None, -(one.worst or 0.0), one.lines))


def _check(row: Any) -> Check:
    told = {one.name: row[one.name] for one in fields(Check)}
    return Check(**told | {"lines": tuple(row["lines"]), "remarks": tuple(row["remarks"])})
