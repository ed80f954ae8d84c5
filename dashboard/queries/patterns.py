"""How often which lines fail."""

from collections import Counter
from dataclasses import dataclass
from typing import NamedTuple

from sqlalchemy import Engine, Subquery, func, select

from analytics.account.points import point_kind
from analytics.kinds import LINE_FAULTS
from analytics.statistics.rates import MeanCumulative, Rate, mean_cumulative, rate
from dashboard.queries.scope import EVERYTHING, Scope, within
from ingest import schema
from ingest.languages import later

GROUPS = {
    "point": later("kind of point"), "bundle": later("bundle"), "class": later("class of vehicle"), "depot": later("depot"),
    "feed": later("feed"),
}  # fmt: skip


class Exposure(NamedTuple):
    """What faults are held against: what it is called, of a vehicle and of a line; rates are told per so many; the column that keeps
    it, and how many of the column's make one."""

    of_vehicle: str
    of_line: str
    per: int
    column: str
    unit: float


EXPOSURES = {
    "months": Exposure(later("months"), later("line-months"), 100, "watched_days", 30.4),
    "hours": Exposure(later("ignition hours"), later("line ignition hours"), 100_000, "watched_h", 1.0),
}


@dataclass(frozen=True)
class Patterns:
    """Line faults by group, most frequent first, in events per line-month or line ignition hour; and faults over each vehicle's
    months or ignition hours."""

    rates: tuple[tuple[str, Rate], ...]
    course: MeanCumulative | None
    longest: float  # watch of a vehicle
    vehicles: int


def patterns(engine: Engine, group: str, by: str = "months", scope: Scope = EVERYTHING) -> Patterns:
    """How often lines of a scope fail, by one of GROUPS and against one of EXPOSURES; only lines that a channel watches count, for as
    long as they were watched."""
    finding, who, line = schema.finding, schema.vehicle_summary, schema.line
    kept, unit = EXPOSURES[by].column, EXPOSURES[by].unit
    latest = latest_setups()
    value = {"bundle": line.c.bundle, "class": who.c.vehicle_class, "depot": who.c.depot, "feed": latest.c.feed}
    with engine.connect() as connection:
        rows = connection.execute(select(who.c.vehicle_id, who.c[kept]).where(who.c[kept] > 0, *within(who, scope)))
        lasted: dict[int, float] = {id_: found / unit for id_, found in rows}
        lines = connection.execute(
            select(latest.c.vehicle_id, line.c.line, line.c.channel, value.get(group, line.c.point))
            .join(line, line.c.setup_id == latest.c.id)
            .join(who, who.c.vehicle_id == latest.c.vehicle_id)
            .where(latest.c.number == 1, line.c.channel.is_not(None), *within(who, scope))
        ).all()
        faults = connection.execute(
            select(finding.c.vehicle_id, finding.c.lines, finding.c[kept]).where(finding.c.kind.in_(LINE_FAULTS))
        ).all()
    group_of: dict[tuple[int, str], str] = {}  # (vehicle, channel) -> what it watches
    mixed = set[tuple[int, str]]()
    watches: list[tuple[int, int, tuple[int, str]]] = []
    for id_, number, channel, said in lines:
        if id_ in lasted:
            name, key = point_kind(said) if group == "point" else said or f"no {group}", (id_, channel)
            if group_of.setdefault(key, name) != name:
                mixed.add(key)
            watches.append((id_, number, key))
    # A channel that watches lines of several groups cannot tell in which of them a fault lies.
    certain = [(id_, number, group_of[key]) for id_, number, key in watches if key not in mixed]
    exposure: dict[str, float] = {}
    for id_, _, name in certain:
        exposure[name] = exposure.get(name, 0.0) + lasted[id_]
    ends = {id_: lasted[id_] for id_, _ in group_of}
    faulty = {row.vehicle_id for row in faults}
    lies_in = {(id_, number): name for id_, number, name in certain if id_ in faulty}
    events: Counter[str] = Counter()
    happened: list[tuple[int, float]] = []
    for id_, numbers, at in faults:
        if id_ in ends:
            happened.append((id_, min(max(0.0, (at or 0.0) / unit), ends[id_])))
            events.update({lies_in[id_, number] for number in numbers if (id_, number) in lies_in})
    told = [(name, rate(events[name], total)) for name, total in exposure.items()]
    told.sort(key=lambda row: (-row[1].rate, -row[1].exposure, row[0]))
    return Patterns(
        tuple(told), mean_cumulative(happened, ends) if happened else None, max(ends.values(), default=0.0), len(ends)
    )


def latest_setups() -> Subquery:
    """Set-ups with their number among those of their vehicle, counted from the latest."""
    table = schema.setup
    latest_first = func.row_number().over(
        partition_by=table.c.vehicle_id, order_by=(table.c.valid_from_us.is_(None), table.c.valid_from_us.desc())
    )
    return select(table.c.id, table.c.vehicle_id, table.c.feed, latest_first.label("number")).subquery()
