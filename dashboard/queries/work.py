"""What people did to vehicles: who did what where, and what was said of it, the latest first."""

from dataclasses import dataclass
from typing import Final

import msgspec
from sqlalchemy import Engine, or_, select

from dashboard.queries.scope import EVERYTHING, Scope, within
from ingest import remarks, schema
from ingest.remarks import Remark
from ingest.work import AWAY, Work, went_away
from ingest.work_records import read_records, read_work

PAGE_ROWS: Final = 50
MOST_ROWS: Final = 20_000  # of a file


@dataclass(frozen=True)
class WorkRow:
    """A record of work, on which vehicle, whether it still stands, and what was said of it."""

    work: Work
    stands: bool
    remarks: tuple[Remark, ...]
    fleet: str
    vehicle: str
    unit: str
    depot: str
    timezone: str


@dataclass(frozen=True)
class WorkView:
    """A page of them, and whether there are more."""

    rows: tuple[WorkRow, ...]
    page: int
    more: bool


def work(
    engine: Engine,
    scope: Scope = EVERYTHING,
    vehicle: str = "",
    kind: str = "",
    page: int = 1,
    page_rows: int = PAGE_ROWS,
) -> WorkView:
    """Work of a kind on vehicles whose name or unit contains a text; all where these are empty. Withdrawals say nothing by themselves,
    and stand in no row of their own."""
    table, who = schema.work, schema.vehicle_summary
    chosen = [*within(who, scope), table.c.detail["withdrawn"].as_boolean().is_not(True)]
    if kind:
        chosen.append(table.c.detail["kind"].as_string() == kind)
    if vehicle:
        chosen.append(
            or_(who.c.vehicle.icontains(vehicle, autoescape=True), who.c.unit.icontains(vehicle, autoescape=True))
        )
    named = who.c.fleet, who.c.vehicle, who.c.unit, who.c.depot, who.c.timezone
    asked = (
        select(table.c.key, table.c.vehicle_id, table.c.detail, *named)
        .join(who, who.c.vehicle_id == table.c.vehicle_id)
        .where(*chosen)
        .order_by(table.c.at_us.desc(), table.c.key)
    )
    with engine.connect() as connection:
        found = connection.execute(asked.limit(page_rows + 1).offset((page - 1) * page_rows)).all()
        rows = found[:page_rows]
        records = read_records(connection, {row.vehicle_id for row in rows})
        stands = {one.key for of_one in records.values() for one, _, standing in of_one if standing}
        said = remarks.read(connection, [row.key for row in rows])
    told = tuple(
        WorkRow(msgspec.convert(r.detail, Work), r.key in stands, said.get(r.key, ()), r.fleet, r.vehicle, r.unit, r.depot, r.timezone)
        for r in rows
    )  # fmt: skip
    return WorkView(told, page, len(found) > page_rows)


@dataclass(frozen=True)
class Away:
    """A vehicle that is laid up, in the workshop or sold, and the record that says so."""

    work: Work
    fleet: str
    vehicle: str
    unit: str
    depot: str
    timezone: str


def away(engine: Engine, scope: Scope = EVERYTHING) -> list[Away]:
    """Those of a scope, the latest first: no list has those that are sold, and alarms of all of them are hidden."""
    table, who = schema.work, schema.vehicle_summary
    ever = select(table.c.vehicle_id).where(table.c.detail["kind"].as_string().in_(AWAY))
    named = who.c.vehicle_id, who.c.fleet, who.c.vehicle, who.c.unit, who.c.depot, who.c.timezone
    with engine.connect() as connection:
        rows = connection.execute(select(*named).where(who.c.vehicle_id.in_(ever), *within(who, scope))).all()
        done = read_work(connection, [row.vehicle_id for row in rows])
    found = [(went_away(done.get(id_, ())), rest) for id_, *rest in rows]
    told = [Away(work, *rest) for work, rest in found if work is not None]
    return sorted(told, key=lambda one: (-one.work.at_us, one.unit))
