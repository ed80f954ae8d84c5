"""The refill round of a depot."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from sqlalchemy import Connection, Engine, and_, case, func, select

from analytics.alarms.depots import closed_dates
from analytics.findings import Finding, from_row, urgency
from analytics.planning.closed_days import open_days
from analytics.planning.greases import Change
from analytics.planning.rounds import HandNeed, Need, Visit, hand_needs, joined, plan, refill_need, with_points
from analytics.refills import Refill
from dashboard.queries.fleet import NO_REFILL_DATE
from dashboard.queries.greases import changes_of
from dashboard.queries.hand import JUST_GREASED, HandDue, read_hand
from dashboard.queries.scope import Scope, read_vehicles, vehicles_at, visible, within
from ingest import schema
from ingest.depot_zone import zone_of
from ingest.setups import Setup
from ingest.stands import depot_of
from ingest.times import DAY_US, instant
from ingest.work_records import read_work


@dataclass(frozen=True)
class Round:
    """Visits to a depot within a horizon; `today` is the depot's, `undated` vehicles have no refill date."""

    depot: str
    today: date
    visits: tuple[Visit, ...]
    beside: dict[tuple[str, str], tuple[Finding, ...]]  # (fleet, vehicle) -> what else is open there
    undated: tuple[Setup, ...]
    visiting: dict[tuple[str, str], str]  # (fleet, vehicle) -> where it is registered, of those that stand here only
    changes: dict[str, Change]  # grease -> what has to be filled instead before it gets cold
    points_undated: tuple[HandDue, ...] = ()  # points greased by hand that no stop passes and of which no date is known
    analysed_us: int | None = None  # when the one of those to fill was analysed whose results are the oldest
    heard_us: Mapping[tuple[str, str], int | None] = field(
        default_factory=dict
    )  # of those to fill, when each was heard last


class DepotDue(NamedTuple):
    """How many vehicles of a depot are due now, within a week, and within four, and of how many no date is known."""

    depot: str
    now: int
    in_7_days: int
    in_28_days: int
    undated: int


def due_by_depot(engine: Engine, scope: Scope, now_us: int) -> list[DepotDue]:
    """What is due at each depot, by the early ends of the windows; who has no date is counted apart, as it may be due."""
    who = schema.vehicle_summary

    def within_days(days: int) -> Any:
        return func.sum(case((who.c.due_early_us <= now_us + days * DAY_US, 1), else_=0))

    of = depot_of(who, now_us).label("of")
    undated = func.sum(case((and_(*NO_REFILL_DATE), 1), else_=0))
    counted = (
        select(of, within_days(0), within_days(7), within_days(28), undated)
        .where(~who.c.sold, *within(who, scope))
        .group_by(of)
    )
    with engine.connect() as connection:
        found = [DepotDue(depot, *map(int, numbers)) for depot, *numbers in connection.execute(counted)]
    return sorted(found, key=lambda one: (-one.now, -one.in_7_days, one.depot))


@dataclass(frozen=True)
class Refillable:
    """A vehicle that asks for a fill: what it needs, since which fill, by an analysis of when, and when it was heard last."""

    need: Need
    setup: Setup
    filled_us: int | None
    as_of_us: int
    heard_us: int | None


@dataclass(frozen=True)
class Asked:
    """What the vehicles of a depot ask for, and how many they are; `today` is the depot's, `undated` have no refill date, or were never
    analysed. Who was filled since the newest analysis is left out."""

    today: date
    refillable: tuple[Refillable, ...]
    undated: tuple[Setup, ...]
    vehicles: int


def read_asked(connection: Connection, depot: str, at_us: int) -> Asked:
    """What the vehicles of a depot ask for, by the newest analysis."""
    analysis, vehicle = schema.analysis, schema.vehicle
    setups = {one.id: one.in_force(at_us) for one in read_vehicles(connection, vehicles_at(connection, depot, at_us))}
    done = read_work(connection, list(setups))
    rows = connection.execute(
        select(analysis.c.vehicle_id, analysis.c.refill, analysis.c.as_of_us, analysis.c.filled_us, vehicle.c.heard_us)
        .join(vehicle, vehicle.c.id == analysis.c.vehicle_id)
        .where(analysis.c.vehicle_id.in_(list(setups)))
    )
    found, undated = list[Refillable](), dict(setups)
    for id_, kept, as_of_us, filled_us, heard_us in rows:
        refill, setup = Refill.from_row(kept), undated.pop(id_)
        if any(work.kind == "filled" and work.at_us > as_of_us for work in done.get(id_, ())):
            continue
        need = refill_need(refill, setup, at_us)
        if need is not None:
            found.append(Refillable(need, setup, filled_us, as_of_us, heard_us))
        elif refill.state == "unknown":
            undated[id_] = setup
    zone = ZoneInfo(zone_of(connection, depot) or "UTC")
    nobody_knows = sorted((one for one in undated.values() if one.controller), key=lambda one: (one.unit, one.vehicle))
    return Asked(instant(at_us).astimezone(zone).date(), tuple(found), tuple(nobody_knows), len(setups))


def read_refillable(engine: Engine, depot: str, at_us: int) -> Asked:
    """The same, for who has no connection."""
    with engine.connect() as connection:
        return read_asked(connection, depot, at_us)


def read_round(
    engine: Engine, depot: str, horizon_days: int, limit: int | None, worth: float, workdays: frozenset[int], at_us: int
) -> Round:
    """The refill round of a depot by the newest analysis. Raises ValueError where the limit leaves somebody out."""
    finding, who = schema.finding, schema.vehicle_summary
    with engine.connect() as connection:
        asked = read_asked(connection, depot, at_us)
        changes = changes_of(connection, depot, asked.today)
        closed = closed_dates(connection, depot, asked.today.year, asked.today.year + 2)
        rows = connection.execute(
            select(finding, who.c.fleet, who.c.vehicle)
            .join(who, who.c.vehicle_id == finding.c.vehicle_id)
            .where(depot_of(who, at_us) == depot, *visible(who), finding.c.ended_us.is_(None))
            .where(finding.c.kind != "low_level")  # the visit itself
        ).mappings()
        beside: dict[tuple[str, str], list[Finding]] = {}
        for row in rows:
            beside.setdefault((row["fleet"], row["vehicle"]), []).append(from_row(row))
        points = read_hand(connection, Scope(depot=depot), at_us)
    by_hand = _by_hand(points, asked.today)
    to_fill = [one for one in asked.refillable if one.need.early_days <= horizon_days]
    fills = {(one.need.fleet, one.need.vehicle): one.need for one in to_fill}
    called = {(one.fleet, one.vehicle): one.unit for one in points}
    wanted = [
        need
        for vehicle in dict.fromkeys((*fills, *by_hand))
        for need in joined(
            fills.get(vehicle), hand_needs(by_hand.get(vehicle, ()), horizon_days, _to_grease(vehicle, called)), worth
        )
    ]
    visits = with_points(plan(wanted, worth, limit, open_days(asked.today, workdays, frozenset(closed))), by_hand)
    stopped = {(stop.need.fleet, stop.need.vehicle) for visit in visits for stop in visit.stops}
    return Round(
        depot,
        asked.today,
        tuple(visits),
        {vehicle: tuple(sorted(found, key=urgency)) for vehicle, found in beside.items()},
        asked.undated,
        {(one.setup.fleet, one.setup.vehicle): one.setup.depot for one in asked.refillable if one.setup.depot != depot},
        changes,
        tuple(one for one in points if one.state == "unknown" and (one.fleet, one.vehicle) not in stopped),
        min((one.as_of_us for one in to_fill), default=None),
        {(one.setup.fleet, one.setup.vehicle): one.heard_us for one in to_fill},
    )


def _to_grease(vehicle: tuple[str, str], called: Mapping[tuple[str, str], str]) -> Need:
    """A vehicle that is not filled, whenever that is."""
    fleet, name = vehicle
    return Need(name, 100.0, 0.0, "", 0.0, 0.0, fleet, called.get(vehicle, name), fills=False)


def _by_hand(points: Sequence[HandDue], today: date) -> dict[tuple[str, str], list[HandNeed]]:
    """(fleet, vehicle) -> its points greased by hand, in days from today. What was greased since the latest analysis needs nobody."""
    out: dict[tuple[str, str], list[HandNeed]] = {}
    for one in points:
        zone = ZoneInfo(one.timezone)
        from_days, due_days = (
            None if us is None else float((instant(us).astimezone(zone).date() - today).days)
            for us in (one.from_us, one.due_us)
        )
        if one.reason != JUST_GREASED:
            need = HandNeed(one.number, one.point, one.grams, one.strokes, from_days, due_days, one.critical)
            out.setdefault((one.fleet, one.vehicle), []).append(need)
    return out
