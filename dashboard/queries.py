"""Everything the pages read from the database, in one place."""

import re
from collections import Counter, OrderedDict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from typing import Any, NamedTuple
from urllib.parse import quote
from zoneinfo import ZoneInfo

from icalendar import Calendar, Event
from sqlalchemy import Connection, Engine, Subquery, Text, case, cast, func, select
from sqlalchemy.exc import DBAPIError

from analytics.alarms import outbox, wording
from analytics.alarms.depots import closed_dates
from analytics.alarms.evaluate import KINDS as ALARM_KINDS
from analytics.alarms.evaluate import Alarm
from analytics.alarms.performance import NEEDED_DAYS, Figures, read_figures
from analytics.alarms.records import alarm_of
from analytics.alarms.routes import Route, read_routes
from analytics.findings import CAUTION, SEVERITIES, Finding, from_row, severity_rank, urgency
from analytics.pipeline.tasks import analysed, read_pasts
from analytics.pipeline.vehicle_summary import NEEDS
from analytics.planning.closed_days import open_days
from analytics.planning.rounds import Visit, plan, refill_need
from analytics.planning.usage import AHEAD_DAYS, Amount
from analytics.statistics.rates import MeanCumulative, Rate, mean_cumulative, rate
from analytics.vehicle.analysis import Result
from dashboard import people
from ingest import quarantine, reading, schema
from ingest.errors import Problem
from ingest.registry import read_setups as read_all_setups
from ingest.setups import Setup, in_force
from ingest.times import DAY_US, instant
from ingest.times import now_us as now_us
from ingest.work import Work
from ingest.work_records import read_records, read_work

PAGE_ROWS = 50
CALENDAR_DAYS = 90
_KEPT_RESULTS = 8
_NUMBER = re.compile(r"[-+]?[0-9.]+(e[-+]?[0-9]+)?")


@dataclass(frozen=True)
class FleetRow:
    """A vehicle as the fleet's page shows it; of its worst findings the kind, severity and sentence, of each line its number, bundle
    and condition."""

    fleet: str
    vehicle: str
    unit: str
    depot: str
    vehicle_class: str
    timezone: str
    low_mark_pct: float
    nlgi: str
    need: str
    findings: tuple[tuple[str, str, str], ...]
    open: int
    refill: dict[str, Any] | None
    due_early_us: int | None
    heard_us: int | None
    online: bool | None
    week: tuple[int, int]  # cycles done, cycles that should have been, in the last seven days
    strip: tuple[tuple[int, str, str], ...]
    waiting: int  # alarms that nobody has taken note of


@dataclass(frozen=True)
class FleetView:
    """A page of the fleet, worst first, with the totals it was chosen from."""

    rows: tuple[FleetRow, ...]
    found: int
    page: int
    pages: int
    totals: dict[str, int]  # need -> vehicles
    depots: tuple[str, ...]
    classes: tuple[str, ...]
    unregistered: int


def fleet(
    engine: Engine,
    depot: str = "",
    need: str = "",
    search: str = "",
    page: int = 1,
    vehicle_class: str = "",
    sort: str = "need",
) -> FleetView:
    """A page of the fleet: filtered, in an order of SORTS; who needs somebody first unless told otherwise. Sold vehicles are left
    out."""
    table, vehicle, alarm = schema.standing, schema.vehicle, schema.alarm
    mine = [~table.c.sold, *_scope(table)]
    wanted = [table.c.search.contains(word, autoescape=True) for word in search.casefold().split()]
    wanted += [table.c.depot == depot] if depot else []
    wanted += [table.c.vehicle_class == vehicle_class] if vehicle_class else []
    only = [table.c.need == NEEDS.index(need)] if need else []
    with engine.connect() as connection:
        groups = table.c.depot, table.c.vehicle_class, table.c.need
        kinds = connection.execute(select(*groups, func.count()).where(*mine).group_by(*groups)).all()
        counted = kinds  # an index has all that is asked for, unless somebody searches
        if search:
            counted = connection.execute(select(*groups, func.count()).where(*mine, *wanted).group_by(*groups)).all()
        totals = dict.fromkeys(NEEDS, 0)
        for its_depot, its_class, rank, number in counted:
            if depot in ("", its_depot) and vehicle_class in ("", its_class):
                totals[NEEDS[rank]] += number
        found = totals[need] if need else sum(totals.values())
        pages = max(1, -(-found // PAGE_ROWS))
        page = min(max(1, page), pages)
        with_vehicle = table.join(vehicle, vehicle.c.id == table.c.vehicle_id)
        ids = connection.execute(
            select(table.c.vehicle_id)
            .select_from(with_vehicle)
            .where(*mine, *wanted, *only)
            .order_by(*SORTS.get(sort, SORTS["need"]), table.c.fleet, table.c.vehicle)
            .limit(PAGE_ROWS)
            .offset((page - 1) * PAGE_ROWS)
        ).scalars()
        place = {id_: k for k, id_ in enumerate(ids)}
        # Sorted are numbers only, not what is told of each.
        told = connection.execute(
            select(table, vehicle.c.heard_us, vehicle.c.online)
            .select_from(with_vehicle)
            .where(table.c.vehicle_id.in_(place))
        )
        shown = sorted(told, key=lambda row: place[row.vehicle_id])
        waiting: dict[int, int] = dict(
            connection.execute(
                select(alarm.c.vehicle_id, func.count())
                .where(alarm.c.vehicle_id.in_([row.vehicle_id for row in shown]), alarm.c.state.in_(WAITING))
                .group_by(alarm.c.vehicle_id)
            ).all()
        )  # fmt: skip
        depots_, classes = (sorted({str(row[k]) for row in kinds}) for k in (0, 1))
        unregistered = 0 if _scope(table) else _unregistered(connection)
    rows = tuple(_fleet_row(row, waiting.get(row.vehicle_id, 0)) for row in shown)
    return FleetView(rows, found, page, pages, totals, tuple(depots_), tuple(classes), unregistered)


def _unregistered(connection: Connection) -> int:
    """How many vehicles send that nobody has registered."""
    heard, registered = (
        connection.scalar(select(func.count()).select_from(table)) or 0 for table in (schema.vehicle, schema.standing)
    )
    return heard - registered


_FAR_US = 1 << 62
# What the fleet may be sorted by; nothing that is not known comes first.
SORTS: dict[str, tuple[Any, ...]] = {
    "need": (
        schema.standing.c.need, schema.standing.c.rank, schema.standing.c.dry_h.desc(),
        func.coalesce(schema.standing.c.due_early_us, _FAR_US),
    ),
    "unit": (schema.standing.c.unit,),
    "level": (func.coalesce(schema.standing.c.level_pct, 999),),
    "refill": (func.coalesce(schema.standing.c.due_early_us, _FAR_US),),
    "heard": (func.coalesce(schema.vehicle.c.heard_us, 0),),
}  # fmt: skip
WAITING = ("unacknowledged", "returned")


def _scope(table: Any) -> list[Any]:
    """Conditions on a table with fleet and depot: what whoever asks may see."""
    person = people.ASKING.get()
    return ([table.c.fleet.in_(person.fleets)] if person.fleets else []) + (
        [table.c.depot.in_(person.depots)] if person.depots else []
    )


def _fleet_row(row: Any, waiting: int) -> FleetRow:
    told = row.detail or {"findings": [], "open": 0, "refill": None, "week": (0, 0), "strip": []}
    return FleetRow(
        row.fleet, row.vehicle, row.unit, row.depot, row.vehicle_class, row.timezone, row.low_mark_pct, row.nlgi, NEEDS[row.need],
        tuple(tuple(f) for f in told["findings"]), told["open"], told["refill"], row.due_early_us, row.heard_us, row.online,
        tuple(told["week"]), tuple(tuple(s) for s in told["strip"]), waiting,
    )  # fmt: skip


def read_setups(
    connection: Connection, vehicle_id: int | Collection[int] | None = None
) -> dict[tuple[str, str], tuple[int, tuple[Setup, ...]]]:
    """The registered vehicles that whoever asks may see: nothing on any page is read but by way of this."""
    found = read_all_setups(connection, vehicle_id)
    return {key: (id_, setups) for key, (id_, setups) in found.items() if people.sees(in_force(setups, now_us()))}


@dataclass(frozen=True)
class Round:
    """Visits to a depot within a horizon; `today` is the depot's, `undated` vehicles have no refill date."""

    depot: str
    today: date
    visits: tuple[Visit, ...]
    beside: dict[tuple[str, str], tuple[Finding, ...]]  # (fleet, vehicle) -> what else is open there
    undated: tuple[str, ...]


def setups(engine: Engine) -> list[Setup]:
    """The set-up in force of every registered vehicle."""
    with engine.connect() as connection:
        return [in_force(found, now_us()) for _, found in read_setups(connection).values()]


def setup(engine: Engine, fleet_name: str, vehicle: str) -> Setup | None:
    """The set-up of a vehicle; None where whoever asks sees none of that name."""
    table = schema.vehicle
    with engine.connect() as connection:
        id_ = connection.scalar(select(table.c.id).where(table.c.fleet == fleet_name, table.c.vehicle == vehicle))
        found = {} if id_ is None else read_setups(connection, id_)
        return next((in_force(setups, now_us()) for _, setups in found.values()), None)


_ALIKE = 200


def alike(engine: Engine, setup: Setup) -> list[Setup]:
    """Set-ups of vehicles of the same class, at most _ALIKE of them: enough to say what is usual."""
    table = schema.standing
    chosen = table.c.vehicle_class == setup.vehicle_class, ~table.c.sold, *_scope(table)
    with engine.connect() as connection:
        ids = connection.execute(
            select(table.c.vehicle_id).where(*chosen).order_by(table.c.vehicle_id).limit(_ALIKE)
        ).scalars()
        return [in_force(found, now_us()) for _, found in read_setups(connection, list(ids)).values()]


def depots(engine: Engine) -> list[str]:
    """All depots of registered vehicles."""
    table = schema.standing
    with engine.connect() as connection:
        return sorted(
            connection.execute(select(table.c.depot).where(~table.c.sold, *_scope(table)).distinct()).scalars()
        )


def _at(connection: Connection, depot: str) -> list[int]:
    """The vehicles of a depot that are not sold."""
    table = schema.standing
    chosen = table.c.depot == depot, ~table.c.sold, *_scope(table)
    return list(connection.execute(select(table.c.vehicle_id).where(*chosen)).scalars())


def refill_round(
    engine: Engine, depot: str, horizon_days: int, limit: int | None, worth: float, workdays: frozenset[int], at_us: int
) -> Round:
    """The refill round of a depot by the newest analysis. Raises ValueError where the limit leaves somebody out."""
    analysis, finding = schema.analysis, schema.finding
    with engine.connect() as connection:
        mine = {id_: in_force(s, now_us()) for id_, s in read_setups(connection, _at(connection, depot)).values()}
        refills = connection.execute(
            select(analysis.c.vehicle_id, analysis.c.refill, analysis.c.as_of_us).where(
                analysis.c.vehicle_id.in_(list(mine))
            )
        ).all()
        done = read_work(connection, list(mine))
        year = instant(at_us).year
        closed = closed_dates(connection, depot, year, year + 2)
        rows = connection.execute(
            select(finding).where(finding.c.vehicle_id.in_(list(mine)), finding.c.ended_us.is_(None))
        ).mappings()
        open_: dict[tuple[str, str], list[Finding]] = {}
        for row in rows:
            if row["kind"] != "low_level":  # the visit itself
                its = mine[row["vehicle_id"]]
                open_.setdefault((its.fleet, its.vehicle), []).append(from_row(row))
    wanted, undated = [], []
    for id_, refill, seen_us in refills:
        if any(work.kind == "filled" and work.at_us > seen_us for work in done.get(id_, ())):
            continue  # ticked off since
        need = refill_need(refill, mine[id_], at_us)
        if need is None and refill["state"] == "unknown":
            undated.append(mine[id_].unit)
        elif need is not None and need.early_days <= horizon_days:
            wanted.append(need)
    zone = ZoneInfo(next(iter(mine.values())).timezone) if mine else ZoneInfo("UTC")
    today = instant(at_us).astimezone(zone).date()
    visits = plan(wanted, worth, limit, open_days(today, workdays, frozenset(closed)))
    return Round(
        depot,
        today,
        tuple(visits),
        {who: tuple(sorted(found, key=urgency)) for who, found in open_.items()},
        tuple(sorted(undated)),
    )


def round_calendar(told: Round) -> bytes:
    """A round as an iCalendar file (RFC 5545): a whole day for each visit. The first visit of a depot has always the same name, and
    so has the second: a round planned anew moves them."""
    calendar = _calendar("refill round")
    for number, visit in enumerate(told.visits, start=1):
        day = told.today + timedelta(days=visit.day)
        event = Event()
        event.add("uid", f"{quote(told.depot)}-visit-{number}@tallow")
        event.add("dtstamp", datetime.now(UTC))
        event.add("dtstart", day)
        event.add("dtend", day + timedelta(days=1))
        event.add("summary", f"{told.depot}: fill {len(visit.stops)}")
        event.add("location", told.depot)
        take = [f"Take {litres:.1f} l of {grease}." for grease, litres in sorted(visit.litres.items())]
        stops = [f"{s.need.unit} ({s.need.vehicle}): {s.litres:.1f} l" for s in visit.stops]
        event.add("description", "\n".join([*take, *stops, CAUTION]))
        calendar.add_component(event)
    return bytes(calendar.to_ical())


def refill_calendar(engine: Engine, depot: str) -> bytes:
    """A depot's refills as an iCalendar file (RFC 5545), a whole day for each: one that has no fill yet keeps its name while its date
    moves, so that the entry moves with it."""
    analysis, now = schema.analysis, now_us()
    calendar = _calendar("refills")
    calendar.add("x-wr-calname", f"Refills, {depot}")
    with engine.connect() as connection:
        rows = {row.vehicle_id: row for row in connection.execute(
            select(analysis.c.vehicle_id, analysis.c.refill, analysis.c.due_early_us, analysis.c.filled_us, analysis.c.as_of_us)
            .where(analysis.c.due_early_us.is_not(None))
        )}  # fmt: skip
        for id_, found in read_setups(connection, _at(connection, depot)).values():
            setup, row = in_force(found, now_us()), rows.get(id_)
            if row is None or row.due_early_us > now + CALENDAR_DAYS * DAY_US:
                continue
            day = instant(max(row.due_early_us, now)).astimezone(ZoneInfo(setup.timezone)).date()
            event = Event()
            event.add("uid", f"refill-{setup.fleet}-{setup.vehicle}-{row.filled_us or 0}@tallow")
            event.add("dtstamp", instant(row.as_of_us))
            event.add("dtstart", day)
            event.add("dtend", day + timedelta(days=1))
            litres = row.refill["litres_to_full"]
            event.add("summary", f"Fill {setup.unit}: {litres:.1f} l of {setup.grease_and_grade}")
            event.add("location", depot)
            event.add("url", wording.address_of(setup, wording.site()))
            calendar.add_component(event)
    return bytes(calendar.to_ical())


def _calendar(what: str) -> Calendar:
    calendar = Calendar()
    calendar.add("prodid", f"-//tallow//{what}//EN")
    calendar.add("version", "2.0")
    return calendar


def amounts(engine: Engine, depot: str = "") -> list[Amount]:
    """Litres by month, depot and grease, in that order, of one depot or of all."""
    table, who, person = schema.supply, schema.standing, people.ASKING.get()
    chosen = ([who.c.fleet.in_(person.fleets)] if person.fleets else []) + (
        [table.c.depot.in_(person.depots)] if person.depots else []
    )
    keys = table.c.month, table.c.depot, table.c.grease
    sums = (func.sum(table.c[name]) for name in ("used_l", "filled_l", "held_l", "unaccounted_l"))
    with engine.connect() as connection:
        rows = connection.execute(
            select(*keys, func.count(), *sums)
            .join(who, who.c.vehicle_id == table.c.vehicle_id)
            .where(*chosen, *([table.c.depot == depot] if depot else []))
            .group_by(*keys)
            .order_by(*keys)
        )
        return [Amount(*row) for row in rows]


def ahead_l(engine: Engine, depot: str = "") -> dict[tuple[str, str], float]:
    """(depot, grease) -> litres that the cycles of the next AHEAD_DAYS will use, at their present pace."""
    table = schema.standing
    chosen = [~table.c.sold, table.c.use_l_a_day > 0, *_scope(table)] + ([table.c.depot == depot] if depot else [])
    keys = table.c.depot, table.c.grease
    with engine.connect() as connection:
        rows = connection.execute(
            select(*keys, func.sum(table.c.use_l_a_day)).where(*chosen).group_by(*keys).order_by(*keys)
        )
        return {(place, grease): litres * AHEAD_DAYS for place, grease, litres in rows}


@dataclass(frozen=True)
class AlarmRow:
    """An alarm, whose it is, and how long the point that waits longest has waited for grease."""

    alarm: Alarm
    fleet: str
    vehicle: str
    unit: str
    depot: str
    timezone: str
    dry_h: float | None


MOST_ALARMS = 200  # of a page; of those that are over a fifth of it
_OVER_DAYS = 90


def alarms(
    engine: Engine,
    depot: str = "",
    vehicle: tuple[str, str] | None = None,
    *,
    over: bool = False,
    most: int = MOST_ALARMS,
) -> list[AlarmRow]:
    """What somebody has to deal with, worst first; with `over` also what is over, of the last 90 days."""
    table, who = schema.alarm, schema.standing
    chosen = _of(depot, vehicle)
    rows = (
        select(table, who.c.fleet, who.c.vehicle, who.c.unit, who.c.depot, who.c.timezone, who.c.dry_h)
        .join(who, who.c.vehicle_id == table.c.vehicle_id)
        .where(*chosen)
    )
    worst = (
        case({name: n for n, name in enumerate(STATES)}, value=table.c.state),
        case({name: n for n, name in enumerate(SEVERITIES)}, value=table.c.severity),
    )
    with engine.connect() as connection:
        found = list(
            connection.execute(
                rows.where(table.c.state != "normal").order_by(*worst, table.c.raised_us).limit(most)
            ).all()
        )
        if over:
            past = table.c.state == "normal", table.c.changed_us > now_us() - _OVER_DAYS * DAY_US
            found += connection.execute(
                rows.where(*past).order_by(table.c.changed_us.desc()).limit(most // 5)
            ).all()  # fmt: skip
    told = [AlarmRow(alarm_of(r), r.fleet, r.vehicle, r.unit, r.depot, r.timezone, r.dry_h or None) for r in found]
    return sorted(told, key=_alarm_order)


def _of(depot: str, vehicle: tuple[str, str] | None) -> list[Any]:
    who = schema.standing
    chosen = _scope(who) + ([who.c.depot == depot] if depot else [])
    return chosen + ([who.c.fleet == vehicle[0], who.c.vehicle == vehicle[1]] if vehicle is not None else [])


@dataclass(frozen=True)
class AlarmView:
    """What the alarms' page shows: alarms with their history, how alerts travel, and how many there are."""

    rows: list[AlarmRow]
    counts: dict[str, int]  # state -> how many there are, shown or not
    steps: dict[int, list[Any]]
    depots: list[str]
    routes: list[Route]
    waiting: tuple[int, int | None]
    figures: Figures
    now_us: int


def alarm_view(engine: Engine, depot: str, vehicle: str) -> AlarmView:
    """All of it, for a depot, for a vehicle (FLEET/VEHICLE), or for all."""
    fleet_name, _, name = vehicle.partition("/")
    one = (fleet_name, name) if vehicle else None
    rows, now, table, who = alarms(engine, depot, one, over=True), now_us(), schema.alarm, schema.standing
    recent = (table.c.state != "normal") | (table.c.changed_us > now - _OVER_DAYS * DAY_US)
    with engine.connect() as connection:
        counted = (
            select(table.c.state, func.count())
            .join(who, who.c.vehicle_id == table.c.vehicle_id)
            .where(*_of(depot, one), recent)
            .group_by(table.c.state)
        )
        counts = {state: int(n) for state, n in connection.execute(counted)}
        return AlarmView(
            rows,
            counts, _steps(connection, [row.alarm.id for row in rows]), depots(engine), read_routes(connection),
            outbox.waiting(connection, now), read_figures(connection, NEEDED_DAYS, now), now,
        )  # fmt: skip


def alarm_news(engine: Engine) -> list[int]:
    """Numbers that change with whatever the alarms' page shows, and once a minute."""
    step, way, message = schema.transition, schema.route, schema.outbox
    with engine.connect() as connection:
        steps = connection.execute(select(func.max(step.c.at_us))).one()
        ways = connection.execute(select(func.count(), func.sum(way.c.failures))).one()
        left = connection.scalar(select(func.count()).where(message.c.done_us.is_(None)))
    return [int(n or 0) for n in (*steps, *ways, left, now_us() // 60_000_000)]


def _steps(connection: Connection, numbers: Sequence[int | None]) -> dict[int, list[Any]]:
    table = schema.transition
    found: dict[int, list[Any]] = {}
    for row in connection.execute(
        select(table).where(table.c.alarm_id.in_(numbers)).order_by(table.c.alarm_id, table.c.number)
    ):
        found.setdefault(row.alarm_id, []).append(row)
    return found


def _alarm_order(row: AlarmRow) -> tuple[int, int, int, float, int]:
    kinds = list(ALARM_KINDS)
    alarm = row.alarm
    return (
        STATES.index(alarm.state), severity_rank(alarm.severity), kinds.index(alarm.kind), -(row.dry_h or 0.0), alarm.raised_us
    )  # fmt: skip


# In the order in which they want somebody.
STATES = ("unacknowledged", "returned", "acknowledged", "shelved", "suppressed", "out_of_service", "normal")


def transitions(engine: Engine, number: int) -> list[Any]:
    """What happened to an alarm, in order: rows with at_us, event, state, who, why, until_us."""
    with engine.connect() as connection:
        return _steps(connection, [number]).get(number, []) if seen(connection, number) else []


def seen(connection: Connection, number: int) -> bool:
    """Whether there is an alarm of this number that whoever asks may see."""
    owner = connection.scalar(select(schema.alarm.c.vehicle_id).where(schema.alarm.c.id == number))
    return owner is not None and bool(read_setups(connection, owner))


def need_seen(connection: Connection, numbers: Iterable[int]) -> None:
    """Raises Problem where one of these is no alarm that whoever asks may see."""
    for number in numbers:
        if not seen(connection, number):
            raise Problem(f"there is no alarm {number}")


# What a point is, without the words that only say where it is.
_WHERE = frozenset("left right upper lower front rear head rod inner outer 1 2 3 4 5 6 axle".split())
LINE_FAULTS = ("blocked_line", "open_line")
GROUPS = {"point": "kind of point", "bundle": "bundle", "class": "class of vehicle", "depot": "depot", "feed": "feed"}


class Exposure(NamedTuple):
    """What faults are held against: what it is called, of a vehicle and of a line; rates are told per so many; the column that keeps
    it, and how many of the column's make one."""

    of_vehicle: str
    of_line: str
    per: int
    column: str
    unit: float


EXPOSURES = {
    "months": Exposure("months", "line-months", 100, "watched_days", 30.4),
    "hours": Exposure("ignition hours", "line ignition hours", 100_000, "watched_h", 1.0),
}


@dataclass(frozen=True)
class Patterns:
    """Line faults by group, most frequent first, in events per line-month or line ignition hour; and faults over each vehicle's
    months or ignition hours."""

    rates: tuple[tuple[str, Rate], ...]
    course: MeanCumulative | None
    longest: float  # watch of a vehicle
    vehicles: int


@lru_cache(4096)
def point_kind(point: str) -> str:
    """What a lubrication point is, wherever it sits: kingpin upper left -> kingpin."""
    kept = [word for word in point.split() if word.casefold() not in _WHERE]
    return " ".join(kept) or point


def patterns(engine: Engine, group: str, by: str = "months") -> Patterns:
    """How often lines fail, by one of GROUPS and against one of EXPOSURES; only lines that a channel watches count, for as long as
    they were watched."""
    finding, who, line = schema.finding, schema.standing, schema.line
    kept, unit = EXPOSURES[by].column, EXPOSURES[by].unit
    latest = _latest_setups()
    value = {"bundle": line.c.bundle, "class": who.c.vehicle_class, "depot": who.c.depot, "feed": latest.c.feed}
    with engine.connect() as connection:
        rows = connection.execute(select(who.c.vehicle_id, who.c[kept]).where(who.c[kept] > 0, *_scope(who)))
        lasted: dict[int, float] = {id_: found / unit for id_, found in rows}
        lines = connection.execute(
            select(latest.c.vehicle_id, line.c.line, line.c.channel, value.get(group, line.c.point))
            .join(line, line.c.setup_id == latest.c.id)
            .join(who, who.c.vehicle_id == latest.c.vehicle_id)
            .where(latest.c.number == 1, line.c.channel.is_not(None), *_scope(who))
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


def _latest_setups() -> Subquery:
    """Set-ups with their number among those of their vehicle, counted from the latest."""
    table = schema.setup
    latest_first = func.row_number().over(
        partition_by=table.c.vehicle_id, order_by=(table.c.valid_from_us.is_(None), table.c.valid_from_us.desc())
    )
    return select(table.c.id, table.c.vehicle_id, table.c.feed, latest_first.label("number")).subquery()


class Who(NamedTuple):
    """A vehicle as lists name it."""

    fleet: str
    vehicle: str
    unit: str
    depot: str


@dataclass(frozen=True)
class DataState:
    """Whether the data can be trusted: what was recorded and when, when each recorder last committed and the watch last looked,
    refusals by reason, findings and notes about the data by vehicle, and how past refill dates held (None: nobody has looked yet)."""

    recorded: int
    duplicates: int
    newest_us: int | None
    unregistered: int
    recorders: dict[str, int]
    looked_us: int | None
    refused: list[tuple[str, int, int]]
    findings: list[tuple[Who, Finding]]
    notes: list[tuple[Who, str]]
    backtest: dict[str, Any] | None
    backtest_us: int | None


DATA_KINDS = ("silent", "level_sensor", "pressure_sensor")
MOST_LISTED = 200  # vehicles of each list


def data_state(engine: Engine) -> DataState:
    """What the *Data* page shows; nothing of it is counted message by message."""
    analysis, finding, looked, intake = schema.analysis, schema.finding, schema.backtest, schema.intake
    table = schema.standing
    named = (table.c.fleet, table.c.vehicle, table.c.unit, table.c.depot)
    with engine.connect() as connection:
        found: list[tuple[Who, Finding]] = []
        for kind in DATA_KINDS:
            rows = connection.execute(
                select(finding, *(column.label(f"who_{column.name}") for column in named))
                .join(table, table.c.vehicle_id == finding.c.vehicle_id)
                .where(finding.c.ended_us.is_(None), finding.c.kind == kind, ~table.c.sold, *_scope(table))
                .order_by(finding.c.began_us)
                .limit(MOST_LISTED)
            ).mappings()
            found += [(Who(*(row[f"who_{name}"] for name in Who._fields)), from_row(row)) for row in rows]
        noted = connection.execute(
            select(*named, analysis.c.notes)
            .join(analysis, analysis.c.vehicle_id == table.c.vehicle_id)
            .where(cast(analysis.c.notes, Text) != "[]", ~table.c.sold, *_scope(table))
            .limit(MOST_LISTED)
        ).all()
        told = connection.execute(select(looked).order_by(looked.c.made_us.desc()).limit(1)).one_or_none()
        recorded, duplicates = connection.execute(
            select(func.coalesce(func.sum(intake.c.recorded), 0), func.coalesce(func.sum(intake.c.duplicates), 0))
        ).one()
        return DataState(
            int(recorded), int(duplicates), reading.newest_at_us(connection), _unregistered(connection), reading.recorders(connection),
            connection.scalar(select(func.max(analysis.c.as_of_us))), quarantine.counts(connection), found,
            [(Who(*row[:4]), note) for row in noted for note in row.notes],
            None if told is None else told.detail, None if told is None else told.made_us,
        )  # fmt: skip


_results: "OrderedDict[tuple[str, int, int, int], Result]" = OrderedDict()


def vehicle_result(engine: Engine, fleet_name: str, vehicle: str) -> Result | None:
    """The analysis of one vehicle at the present time, with its arrays; None where it is not registered.

    It is worked out from the messages, so that a page never shows less than is recorded; repeated only for news, or
    after ten minutes.
    """
    table = schema.vehicle
    with engine.connect() as connection:
        row = connection.execute(
            select(table.c.id, table.c.news).where(table.c.fleet == fleet_name, table.c.vehicle == vehicle)
        ).one_or_none()
        if row is None:
            return None
        setups = next(iter(read_setups(connection, row.id).values()), None)
        if setups is None:
            return None
        key = (str(engine.url), row.id, row.news, now_us() // 600_000_000)
        if key in _results:
            return _results[key]
        past, work = read_pasts(connection, row.id).get(row.id), read_work(connection, row.id).get(row.id, ())
        (result,) = analysed(connection, row.id, setups[1], [now_us()], past, work)
    _results[key] = result
    while len(_results) > _KEPT_RESULTS:
        _results.popitem(last=False)
    return result


def alive(engine: Engine) -> dict[str, Any]:
    """Seconds since a recorder last committed and since the watch last looked; None before the first."""
    now = now_us()
    try:
        with engine.connect() as connection:
            recorded_us = max(reading.recorders(connection).values(), default=None)
            looked_us = connection.scalar(select(func.max(schema.analysis.c.as_of_us)))
    except DBAPIError:
        return {"alive": False}
    ages = {"recorded_s": recorded_us, "looked_s": looked_us}
    return {"alive": True} | {name: None if us is None else max(0, now - us) / 1e6 for name, us in ages.items()}


def news(engine: Engine, fleet_name: str, vehicle: str) -> int:
    """A number that grows with whatever is recorded of a vehicle or happens to its alarms."""
    table, alarm = schema.vehicle, schema.alarm
    chosen = table.c.fleet == fleet_name, table.c.vehicle == vehicle
    steps = select(func.coalesce(func.sum(alarm.c.transitions), 0)).where(alarm.c.vehicle_id == table.c.id)
    with engine.connect() as connection:
        return int(connection.scalar(select(table.c.news + steps.scalar_subquery()).where(*chosen)) or 0)


def records(engine: Engine, fleet_name: str, vehicle: str) -> tuple[tuple[Work, int, bool], ...]:
    """What people recorded of a vehicle: record, when it was made, whether it still stands."""
    table = schema.vehicle
    with engine.connect() as connection:
        id_ = connection.scalar(select(table.c.id).where(table.c.fleet == fleet_name, table.c.vehicle == vehicle))
        seen = id_ is not None and bool(read_setups(connection, id_))
        return read_records(connection, id_).get(id_, ()) if seen and id_ is not None else ()
