"""Greases, what has to be changed before it gets cold, and what was filled on what."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import date
from statistics import median

from sqlalchemy import Connection, delete, insert, select

from analytics.planning.greases import Change, Grease, change, checked, known_weeks, warning
from dashboard.queries.scope import Scope, within
from ingest import schema
from ingest.errors import Problem
from ingest.setups import Setup
from ingest.work import Work


@dataclass(frozen=True, kw_only=True)
class SeasonRow:
    """What a depot has to change: of which grease, when, and on which vehicles (units)."""

    depot: str
    change: Change
    units: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Season:
    """The seasonal plan: what to change, the first first; (depot, grease) that are not on the list; and of how many weeks to come the
    cold is known, by depot."""

    rows: tuple[SeasonRow, ...]
    unlisted: tuple[tuple[str, str], ...]
    known_weeks: dict[str, int]


def read_greases(connection: Connection) -> list[Grease]:
    """The list."""
    table = schema.grease
    return [Grease(**row) for row in connection.execute(select(table).order_by(table.c.name, table.c.nlgi)).mappings()]


def keep_grease(connection: Connection, grease: Grease) -> None:
    """Put a grease on the list, or change it. Raises Problem."""
    drop(connection, checked(grease).name, grease.nlgi)
    connection.execute(insert(schema.grease).values(**asdict(grease)))


def drop_grease(connection: Connection, called: str) -> None:
    """Take a grease off the list, by what set-ups call it. Raises Problem."""
    found = named(called, read_greases(connection))
    if found is None:
        raise Problem(f"no grease of the list is called {called!r}")
    drop(connection, found.name, found.nlgi)


def drop(connection: Connection, name: str, nlgi: str) -> None:
    """The same, whether or not it is on the list."""
    table = schema.grease
    connection.execute(delete(table).where(table.c.name == name, table.c.nlgi == nlgi))


def named(text: str, greases: Sequence[Grease]) -> Grease | None:
    """The grease of the list that a text means: by name and grade, or by a name that only one has."""
    wanted = " ".join(text.split()).casefold()
    exact = [one for one in greases if one.called.casefold() == wanted]
    by_name = [one for one in greases if one.name.casefold() == wanted]
    return exact[0] if exact else by_name[0] if len(by_name) == 1 else None


def read_lows(connection: Connection, scope: Scope) -> dict[str, dict[str, float]]:
    """Depot -> week of the year -> how cold it normally is: the middle of what its vehicles say."""
    table, who = schema.cold_week, schema.vehicle_summary
    rows = connection.execute(
        select(who.c.depot, table.c.week, table.c.low_c)
        .join(who, who.c.vehicle_id == table.c.vehicle_id)
        .where(~who.c.sold, *within(who, scope))
    )
    lows = defaultdict[str, defaultdict[str, list[float]]](lambda: defaultdict(list))
    for depot, week, low_c in rows:
        lows[depot][week].append(low_c)
    return {depot: {week: median(values) for week, values in by_week.items()} for depot, by_week in lows.items()}


def read_season(connection: Connection, scope: Scope, today: date) -> Season:
    """What has to be changed in the weeks to come."""
    who, greases, lows = schema.vehicle_summary, read_greases(connection), read_lows(connection, scope)
    held = defaultdict[tuple[str, str], list[str]](list)
    for depot, grease, unit in connection.execute(
        select(who.c.depot, who.c.grease, who.c.unit).where(~who.c.sold, *within(who, scope)).order_by(who.c.unit)
    ):
        held[depot, grease or ""].append(unit)
    rows, unlisted = [], []
    for (depot, called), units in held.items():
        grease = named(called, greases)
        if grease is None:
            unlisted.append((depot, called))
            continue
        told = change(grease, lows.get(depot, {}), greases, today)
        if told is not None:
            rows.append(SeasonRow(depot=depot, change=told, units=tuple(units)))
    depots = sorted({depot for depot, _ in held})
    return Season(
        rows=tuple(sorted(rows, key=lambda one: (one.change.before, one.depot, one.change.held.called))),
        unlisted=tuple(sorted(unlisted)),
        known_weeks={depot: known_weeks(lows.get(depot, {}), today) for depot in depots},
    )


def changes_of(connection: Connection, depot: str, today: date) -> dict[str, Change]:
    """Grease by what set-ups call it -> what has to be changed at a depot."""
    return {one.change.held.called: one.change for one in read_season(connection, Scope(depot=depot), today).rows}


def warnings(connection: Connection, setups: Sequence[Setup], work: Sequence[Work]) -> dict[str, str]:
    """Each grease of the list, by what set-ups call it -> what to say before it is filled on what is in there now; empty where nothing
    speaks against it."""
    greases = read_greases(connection)
    fills = sorted((w for w in work if w.kind == "filled" and w.grease), key=lambda w: w.at_us)
    latest = [found for one in fills if (found := named(one.grease or "", greases)) is not None]
    held = latest[-1] if latest else named(setups[-1].grease_and_grade, greases)
    return {one.called: (warning(one, held) or "") if held is not None else "" for one in greases}


def mixed(connection: Connection, setups: Sequence[Setup], work: Sequence[Work]) -> Mapping[str, str]:
    """Key of a record of a fill -> what to say of what it was filled on: the fill before it that names a grease, or else what the set-up
    says. Nothing of greases that are not on the list."""
    greases, told = read_greases(connection), dict[str, str]()
    held: Grease | None = None
    for one in sorted((w for w in work if w.kind == "filled" and w.grease), key=lambda w: w.at_us):
        filled = named(one.grease or "", greases)
        before = held or _registered(setups, one.at_us, greases)
        if filled is not None and before is not None:
            said = warning(filled, before)
            if said is not None:
                told[one.key] = said
        held = filled or held
    return told


def _registered(setups: Sequence[Setup], at_us: int, greases: Sequence[Grease]) -> Grease | None:
    then = [one for one in setups if one.valid_from_us is None or one.valid_from_us <= at_us] or setups[:1]
    return named(then[-1].grease_and_grade, greases) if then else None
