"""Points greased by hand: when each is due, by the newest analysis and by what was recorded since."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

from sqlalchemy import Connection, Engine, and_, case, func, select

from analytics.hand import SOON_DAYS, standing
from dashboard.queries.scope import EVERYTHING, Scope, within
from ingest import schema
from ingest.times import DAY_US
from ingest.work_records import read_records

if TYPE_CHECKING:
    from analytics.vehicle.analysis import Result

JUST_GREASED: Final = "greased since the latest analysis"
STATES: Final = ("due", "unknown", "soon", "ok")  # as the list has them: what nobody knows comes before what is not due


@dataclass(frozen=True, kw_only=True)
class HandDue:
    """A point greased by hand, as lists show it: `since` is in the unit of its interval (h, km, d), `hours_since` ignition hours; None is
    not known. `grease` is its own, or else the vehicle's; `state` one of STATES, `reason` why no date is known."""

    vehicle_id: int
    fleet: str
    vehicle: str
    unit: str
    depot: str
    timezone: str
    number: int
    point: str
    every: float
    interval_unit: str
    grams: float | None
    strokes: float | None
    grease: str
    critical: bool
    greased_us: int | None
    since: float | None
    hours_since: float | None
    read_us: int | None
    from_us: int | None
    due_us: int | None
    reason: str
    state: str


def read_hand(
    connection: Connection, scope: Scope, now_us: int, vehicles: Sequence[int] | None = None
) -> list[HandDue]:
    """The points of a scope, of vehicles that are not sold: what is due first, and of that what steering or braking depends on."""
    table, who, analysis = schema.hand_due, schema.vehicle_summary, schema.analysis
    chosen = [] if vehicles is None else [table.c.vehicle_id.in_(vehicles)]
    rows = connection.execute(
        select(table, who.c.fleet, who.c.vehicle, who.c.unit.label("called"), who.c.depot, who.c.timezone,
               who.c.grease.label("its_grease"))
        .join(who, who.c.vehicle_id == table.c.vehicle_id)
        .where(~who.c.sold, *within(who, scope), *chosen)
    ).all()  # fmt: skip
    ids = {row.vehicle_id for row in rows}
    news = connection.execute(
        select(schema.work.c.vehicle_id, analysis.c.as_of_us)
        .join(analysis, analysis.c.vehicle_id == schema.work.c.vehicle_id)
        .where(schema.work.c.vehicle_id.in_(ids), schema.work.c.recorded_us > analysis.c.as_of_us)
        .distinct()
    ).all()
    records = read_records(connection, [row.vehicle_id for row in news]) if news else {}
    # By when it was recorded: what a phone kept for a while is older than the analysis, and news to it.
    greased = {
        (id_, number): one.at_us
        for id_, as_of_us in news
        for one, recorded_us, stands in records.get(id_, ())
        for number in one.points
        if stands and one.kind == "points_greased" and recorded_us > as_of_us
    }
    found = [_of_row(row, greased.get((row.vehicle_id, row.number)), now_us) for row in rows]
    return sorted(found, key=_order)


def _order(one: HandDue) -> tuple[Any, ...]:
    first = one.state == "due" and one.critical
    return STATES.index(one.state), not first, one.due_us or 0, one.unit, one.number


def _of_row(row: Any, greased_us: int | None, now_us: int) -> HandDue:
    told = HandDue(
        vehicle_id=row.vehicle_id, fleet=row.fleet, vehicle=row.vehicle, unit=row.called, depot=row.depot, timezone=row.timezone,
        number=row.number, point=row.point, every=row.every, interval_unit=row.unit, grams=row.grams, strokes=row.strokes,
        grease=row.grease or row.its_grease or "", critical=row.critical, greased_us=row.greased_us, since=row.since,
        hours_since=row.hours_since, read_us=row.read_us, from_us=row.from_us, due_us=row.due_us, reason=row.reason,
        state=standing(row.due_us, now_us),
    )  # fmt: skip
    if greased_us is None or greased_us <= (row.greased_us or 0):
        return told
    return replace(
        told, greased_us=greased_us, since=None, hours_since=None, from_us=None, due_us=None, reason=JUST_GREASED, state="unknown"
    )  # fmt: skip


def of_result(result: "Result") -> list[HandDue]:
    """The points of a vehicle as a fresh analysis has them, in the order of its list."""
    setup = result.history.setup
    return [
        HandDue(
            vehicle_id=0, fleet=setup.fleet, vehicle=setup.vehicle, unit=setup.unit, depot=setup.depot, timezone=setup.timezone,
            number=one.point.number, point=one.point.point, every=one.point.every, interval_unit=one.point.unit,
            grams=one.point.grams, strokes=one.point.strokes, grease=one.point.grease or setup.grease_and_grade,
            critical=one.point.critical, greased_us=one.greased_us, since=one.since, hours_since=one.hours_since,
            read_us=one.read_us, from_us=one.from_us, due_us=one.due_us, reason=one.reason,
            state=standing(one.due_us, result.history.as_of_us),
        )
        for one in result.hand
    ]  # fmt: skip


def hand_points(engine: Engine, now_us: int, scope: Scope = EVERYTHING) -> list[HandDue]:
    """The same, for who has no connection."""
    with engine.connect() as connection:
        return read_hand(connection, scope, now_us)


@dataclass(frozen=True)
class HandCount:
    """How many points of a depot's vehicles are due, will be within a week, and of how many no date is known; on how many of those that are
    due steering or braking depends."""

    depot: str
    due: int
    soon: int
    unknown: int
    critical: int


def counted(connection: Connection, scope: Scope, now_us: int) -> list[HandCount]:
    """By depot, those with most that is due first; depots without such points are left out."""
    table, who = schema.hand_due, schema.vehicle_summary

    def number(condition: Any) -> Any:
        return func.sum(case((condition, 1), else_=0))

    due, week = table.c.due_us <= now_us, table.c.due_us <= now_us + SOON_DAYS * DAY_US
    asked = (
        select(
            who.c.depot,
            number(due),
            number(week),
            number(table.c.due_us.is_(None)),
            number(and_(due, table.c.critical)),
        )
        .join(who, who.c.vehicle_id == table.c.vehicle_id)
        .where(~who.c.sold, *within(who, scope))
        .group_by(who.c.depot)
    )
    found = [
        HandCount(depot, int(now), int(within_a_week) - int(now), int(unknown), int(critical))
        for depot, now, within_a_week, unknown, critical in connection.execute(asked)
    ]
    return sorted(found, key=lambda one: (-one.due, -one.soon, one.depot))


def vehicles_with_points(connection: Connection, scope: Scope) -> list[tuple[str, str, str]]:
    """(fleet, vehicle, unit) of those that have points greased by hand, or no controller: whose meters people may read."""
    who, table = schema.vehicle_summary, schema.hand_due
    has = select(table.c.vehicle_id).where(table.c.vehicle_id == who.c.vehicle_id).exists()
    asked = (
        select(who.c.fleet, who.c.vehicle, who.c.unit)
        .where(~who.c.sold, has | ~who.c.controller, *within(who, scope))
        .order_by(who.c.unit)
    )
    return [(row.fleet, row.vehicle, row.unit) for row in connection.execute(asked)]
