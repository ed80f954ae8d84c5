"""Long lists a part at a time, for programs: each goes on behind the key of its last row, whatever came or went meanwhile."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from sqlalchemy import Engine, func, select, tuple_

from analytics.alarms.evaluate import Alarm, alarm_of
from analytics.findings import Finding, from_row
from analytics.pipeline.vehicle_summary import PRIORITIES
from analytics.refills import Refill
from dashboard.queries.scope import visible
from ingest import schema

Row = TypeVar("Row")


@dataclass(frozen=True)
class Part(Generic[Row]):
    """Rows of a list, and the key behind which the next part begins; None where there is none."""

    rows: list[Row]
    next: list[Any] | None


@dataclass(frozen=True)
class Chosen:
    """Of which vehicles: of a fleet, one of them, of a depot; all where empty."""

    fleet: str = ""
    vehicle: str = ""
    depot: str = ""

    def conditions(self) -> list[Any]:
        """Conditions on the list of vehicles: what is chosen, of what whoever asks may see."""
        who = schema.vehicle_summary
        asked = ((who.c.fleet, self.fleet), (who.c.vehicle, self.vehicle), (who.c.depot, self.depot))
        return [*visible(who), *(column == value for column, value in asked if value)]


def vehicles(engine: Engine, chosen: Chosen, need: str, after: Sequence[Any] | None, most: int) -> Part[Any]:
    """Vehicles by fleet and name, those sold left out: rows of the list with `heard_us`, and of what is told of each only how many
    findings are open (None: not analysed yet), since the rest is large."""
    who, vehicle = schema.vehicle_summary, schema.vehicle
    told = (
        who.c.fleet, who.c.vehicle, who.c.unit, who.c.vehicle_class, who.c.depot, who.c.timezone, who.c.level_pct, who.c.need,
        who.c.due_early_us, who.c.detail["open"].as_integer().label("findings_open"), vehicle.c.heard_us,
    )  # fmt: skip
    key = (who.c.fleet, who.c.vehicle)
    wanted = [~who.c.sold, *chosen.conditions()] + ([who.c.need == PRIORITIES.index(need)] if need else [])
    asked = select(*told).select_from(who).join(vehicle, vehicle.c.id == who.c.vehicle_id).where(*wanted)
    return _part(engine, asked, key, after, most, lambda row: (row, [row.fleet, row.vehicle]))


def findings(
    engine: Engine, chosen: Chosen, kind: str, open_: bool | None, after: Sequence[Any] | None, most: int
) -> Part[tuple[Finding, str, str]]:
    """Findings by vehicle, kind, channel and time, with fleet and vehicle."""
    who, finding = schema.vehicle_summary, schema.finding
    channel = func.coalesce(finding.c.channel, "")
    key = (finding.c.vehicle_id, finding.c.kind, channel, finding.c.began_us)
    wanted = chosen.conditions() + ([finding.c.kind == kind] if kind else [])
    if open_ is not None:
        wanted.append(finding.c.ended_us.is_(None) if open_ else finding.c.ended_us.is_not(None))
    asked = (
        select(finding, who.c.fleet, who.c.vehicle).join(who, who.c.vehicle_id == finding.c.vehicle_id).where(*wanted)
    )
    return _part(
        engine, asked, key, after, most,
        lambda row: (
            (from_row(row._mapping), row.fleet, row.vehicle),
            [row.vehicle_id, row.kind, row.channel or "", row.began_us],
        ),
    )  # fmt: skip


def refills(engine: Engine, chosen: Chosen, after: Sequence[Any] | None, most: int) -> Part[tuple[Refill, str, str]]:
    """Refill forecasts by vehicle, of those analysed, with fleet and vehicle."""
    who, analysis = schema.vehicle_summary, schema.analysis
    asked = (
        select(analysis.c.refill, who.c.vehicle_id, who.c.fleet, who.c.vehicle)
        .join(who, who.c.vehicle_id == analysis.c.vehicle_id)
        .where(~who.c.sold, *chosen.conditions())
    )
    return _part(
        engine, asked, (who.c.fleet, who.c.vehicle), after, most,
        lambda row: ((Refill.from_row(row.refill), row.fleet, row.vehicle), [row.fleet, row.vehicle]),
    )  # fmt: skip


def alarms(
    engine: Engine, chosen: Chosen, kind: str, state: str, after: Sequence[Any] | None, most: int
) -> Part[tuple[Alarm, Any]]:
    """Alarms by number, past ones included, with whose they are."""
    who, alarm = schema.vehicle_summary, schema.alarm
    wanted = (
        chosen.conditions() + ([alarm.c.kind == kind] if kind else []) + ([alarm.c.state == state] if state else [])
    )
    asked = (
        select(alarm, who.c.fleet, who.c.vehicle, who.c.unit, who.c.depot)
        .join(who, who.c.vehicle_id == alarm.c.vehicle_id)
        .where(*wanted)
    )
    return _part(engine, asked, (alarm.c.id,), after, most, lambda row: ((alarm_of(row), row), [row.id]))


def _part(
    engine: Engine, asked: Any, key: tuple[Any, ...], after: Sequence[Any] | None, most: int, told: Any
) -> Part[Any]:
    if after is not None:
        asked = asked.where(tuple_(*key) > tuple_(*after))
    with engine.connect() as connection:
        found = [told(row) for row in connection.execute(asked.order_by(*key).limit(most + 1))]
    more = len(found) > most
    return Part([row for row, _ in found[:most]], found[most - 1][1] if more else None)
