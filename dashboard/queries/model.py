"""How well the pressure model fits the channels that whoever asks may see."""

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from sqlalchemy import Engine, select

from analytics.vehicle.model_check import REMARKS, Check, Remark, outstanding
from dashboard.queries.scope import EVERYTHING, Scope, visible, within
from ingest import schema

MOST = 50


@dataclass(frozen=True)
class Fit:
    """Channels worth a look, the worst first, each with whose it is; how many there are of those, of all that were checked, and of all that
    have too few readings to be; and of each remark how many channels have it as the others do."""

    worst: list[tuple[str, str, str, str, Check]]  # fleet, vehicle, unit, depot
    remarked: int
    checked: int
    unknown: int
    shared: dict[Remark, int]


def model_fit(engine: Engine, scope: Scope = EVERYTHING) -> Fit:
    """Of a scope: what stands out of all that whoever asks may see (`model_check.outstanding`)."""
    table, who = schema.model_check, schema.vehicle_summary
    mine = table.c.vehicle_id == who.c.vehicle_id, ~who.c.sold, *visible(who)
    measures = table.c.lean_percent, table.c.memory, table.c.spread_percent, table.c.outside
    asked = select(table.c.vehicle_id, table.c.channel, table.c.worst, table.c.remarks, *measures).where(*mine)
    with engine.connect() as connection:
        rows = connection.execute(asked.order_by(table.c.worst.desc(), who.c.vehicle, table.c.channel)).all()
        known = [row for row in rows if row.worst is not None]
        said = [set(row.remarks) for row in known]
        beyond = np.array([[name in one for name in REMARKS] for one in said], bool).reshape(-1, len(REMARKS))
        measured = np.array([row[4:] for row in known], float).reshape(-1, len(REMARKS))
        named = outstanding(measured, beyond)
        inside = set(connection.scalars(select(who.c.vehicle_id).where(*within(who, scope))))
        here = np.array([row.vehicle_id in inside for row in known], bool)
        chosen = {
            (row.vehicle_id, row.channel): tuple(name for name in row.remarks if which[REMARKS.index(name)])
            for row, which in zip(known, named, strict=True)
            if which.any() and row.vehicle_id in inside
        }
        first = list(chosen)[:MOST]
        whose = who.c.fleet, who.c.vehicle, who.c.unit, who.c.depot
        full = {
            (row["vehicle_id"], row["channel"]): row
            for row in connection.execute(
                select(table, *whose).where(*mine, table.c.vehicle_id.in_({id_ for id_, _ in first}))
            ).mappings()
        }
    worst = [
        (*(full[key][column.name] for column in whose), replace(_check(full[key]), remarks=chosen[key]))
        for key in first
    ]
    shared = {name: int((beyond & ~named)[here, k].sum()) for k, name in enumerate(REMARKS)}
    unknown = sum(row.worst is None and row.vehicle_id in inside for row in rows)
    return Fit(worst, len(chosen), int(here.sum()), unknown, shared)


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
