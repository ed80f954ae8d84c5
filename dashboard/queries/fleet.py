"""The fleet, page by page."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Engine, and_, case, func, or_, select

from analytics.kinds import FINDING_KINDS
from analytics.pipeline.vehicle_summary import ORDINARY_RANK, PRIORITIES, Detail
from analytics.settings import DEFAULTS
from dashboard.queries.frame import WAITING
from dashboard.queries.prices import AtRisk, read_at_risk, read_priced
from dashboard.queries.scope import Scope, count_unregistered, visible, within
from ingest import schema
from ingest.times import AHEAD_US, DAY_US, FOREVER_US

PAGE_ROWS = 50
MONEY = "money"  # an order, too, where there are prices


_LONG_US = 3 * DAY_US


def heard_long_ago(heard_us: int | None, now_us: int) -> bool:
    """Whether a vehicle was last heard so long ago, or by so wrong a clock, that its level is said with its day."""
    return heard_us is None or not now_us - _LONG_US <= heard_us <= now_us + AHEAD_US


@dataclass(frozen=True, kw_only=True)
class FleetRow:
    """A vehicle as the fleet's page shows it; `detail` is None before its first analysis."""

    fleet: str
    vehicle: str
    unit: str
    depot: str
    vehicle_class: str
    timezone: str
    low_mark_pct: float
    nlgi: str
    need: str
    detail: Detail | None
    heard_us: int | None
    online: bool | None
    waiting: int  # alarms that nobody has taken note of
    controller: bool = True  # without one all of it is greased by hand

    def heard_this_week(self, now_us: int) -> bool:
        """Whether anything tells what it did in the last seven days: silence is not rest."""
        return self.heard_us is not None and self.heard_us >= now_us - 7 * DAY_US


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
    at_risk: (
        dict[tuple[str, str], AtRisk] | None
    )  # (fleet, vehicle) -> money, of those that have points with a price that are dry
    currency: str = ""
    folded_us: int | None = (
        None  # when the one of those that are only counted was analysed whose results are the oldest
    )


def fleet(
    engine: Engine,
    depot: str = "",
    need: str = "",
    search: str = "",
    page: int = 1,
    vehicle_class: str = "",
    sort: str = "need",
    *,
    fleet_name: str = "",
    kind: str = "",
    fold: bool = False,
) -> FleetView:
    """A page of the fleet: filtered, in an order of SORTS; who needs somebody first unless told otherwise. Sold vehicles are left
    out, and with `fold` those that need nothing: they are counted only."""
    table, vehicle = schema.vehicle_summary, schema.vehicle
    mine = [~table.c.sold, *within(table, Scope(fleet_name))]
    wanted = _matching(search)
    wanted += [table.c.depot == depot] if depot else []
    wanted += [table.c.vehicle_class == vehicle_class] if vehicle_class else []
    wanted += _having([kind]) if kind else []
    only = [table.c.need == PRIORITIES.index(need)] if need else []
    only += [table.c.need != PRIORITIES.index("none")] if fold else []
    with engine.connect() as connection:
        groups = table.c.depot, table.c.vehicle_class, table.c.need
        kinds = connection.execute(select(*groups, func.count()).where(*mine).group_by(*groups)).all()
        counted = kinds  # an index has all that is asked for, unless somebody searches
        if search or kind:
            counted = connection.execute(select(*groups, func.count()).where(*mine, *wanted).group_by(*groups)).all()
        totals = dict.fromkeys(PRIORITIES, 0)
        for its_depot, its_class, rank, number in counted:
            if depot in ("", its_depot) and vehicle_class in ("", its_class):
                totals[PRIORITIES[rank]] += number
        found = totals[need] if need else sum(totals.values()) - (totals["none"] if fold else 0)
        pages = max(1, -(-found // PAGE_ROWS))
        page = min(max(1, page), pages)
        with_vehicle = table.join(vehicle, vehicle.c.id == table.c.vehicle_id)
        priced, order = read_priced(connection), SORTS.get(sort, SORTS["need"])
        if priced is not None and sort == MONEY:
            told = priced.by_vehicle
            with_vehicle = with_vehicle.outerjoin(told, told.c.vehicle_id == table.c.vehicle_id)
            order = func.coalesce(told.c.money, 0.0).desc(), func.coalesce(told.c.unknown, 0).desc(), *SORTS["need"]
        ids = list(
            connection.execute(
                select(table.c.vehicle_id)
                .select_from(with_vehicle)
                .where(*mine, *wanted, *only)
                .order_by(*order, table.c.fleet, table.c.vehicle)
                .limit(PAGE_ROWS)
                .offset((page - 1) * PAGE_ROWS)
            ).scalars()
        )
        rows = read_rows(connection, ids)
        folded_us = _folded_us(connection, [*mine, *wanted]) if fold else None
        at_risk = None if priced is None else read_at_risk(connection, priced, ids)
        depots_, classes = (sorted({str(row[k]) for row in kinds}) for k in (0, 1))
        unregistered = 0 if visible(table) else count_unregistered(connection)
    return FleetView(tuple(rows), found, page, pages, totals, tuple(depots_), tuple(classes), unregistered,
                     at_risk, "" if priced is None else priced.currency, folded_us)  # fmt: skip


def _folded_us(connection: Connection, which: list[Any]) -> int | None:
    """When the one of those that need nothing was analysed whose results are the oldest."""
    table, analysis = schema.vehicle_summary, schema.analysis
    made = select(func.min(analysis.c.as_of_us)).join(table, table.c.vehicle_id == analysis.c.vehicle_id)
    found: int | None = connection.scalar(made.where(*which, table.c.need == PRIORITIES.index("none")))
    return found


def newest_us(engine: Engine) -> int:
    """A time that grows whenever results of any vehicle are made anew; 0 before the first."""
    with engine.connect() as connection:
        return connection.scalar(select(func.max(schema.analysis.c.as_of_us))) or 0


def read_rows(connection: Connection, ids: Sequence[int]) -> list[FleetRow]:
    """These vehicles as lists show them, in this order. Whoever asks has chosen them by way of `scope`."""
    table, vehicle, alarm = schema.vehicle_summary, schema.vehicle, schema.alarm
    told = {
        row.vehicle_id: row
        for row in connection.execute(
            select(table, vehicle.c.heard_us, vehicle.c.online)
            .join(vehicle, vehicle.c.id == table.c.vehicle_id)
            .where(table.c.vehicle_id.in_(ids), *visible(table))
        )
    }
    waiting: dict[int, int] = dict(
        connection.execute(
            select(alarm.c.vehicle_id, func.count())
            .where(alarm.c.vehicle_id.in_(ids), alarm.c.state.in_(WAITING))
            .group_by(alarm.c.vehicle_id)
        ).all()
    )  # fmt: skip
    return [_fleet_row(told[id_], waiting.get(id_, 0)) for id_ in ids if id_ in told]


_SUMMARY = schema.vehicle_summary.c
# Of whose refill nothing is known: a date that is far off is known to be.
NO_REFILL_DATE: tuple[Any, ...] = (
    _SUMMARY.due_early_us.is_(None),
    func.coalesce(_SUMMARY.detail["refill"]["state"].as_string(), "unknown") == "unknown",
    _SUMMARY.controller,
)
_DUE_US = func.coalesce(_SUMMARY.due_early_us, FOREVER_US)
# Hours that nobody knows count as many as make a finding urgent: after those that are known to be more, before those known to be less.
_WAITED_H = func.coalesce(_SUMMARY.dry_h, DEFAULTS.dry_act_now_h)
# What nobody knows comes after what is known to want somebody and before what is known to be fine; and who has no controller, of whom
# there is nothing to know, last.
_LEVEL_KNOWN = case(
    (_SUMMARY.level_pct <= _SUMMARY.low_mark_pct, 0),
    (_SUMMARY.level_pct.is_not(None), 2),
    (_SUMMARY.controller, 1),
    else_=3,
)
_DUE_KNOWN = case(
    (_SUMMARY.due_early_us.is_not(None), 0), (and_(*NO_REFILL_DATE), 1), (_SUMMARY.controller, 2), else_=3
)
# What the fleet may be sorted by. Only the first of them is what an index has, and the one that a large fleet is opened with.
SORTS: dict[str, tuple[Any, ...]] = {
    # Then points that steering or braking depends on, then the longest without grease, then the kind.
    "need": (_SUMMARY.need, _SUMMARY.rank >= ORDINARY_RANK, _WAITED_H.desc(), _SUMMARY.rank, _DUE_US),
    "unit": (_SUMMARY.unit,),
    "level": (_LEVEL_KNOWN, _SUMMARY.level_pct),
    "refill": (_DUE_KNOWN, _SUMMARY.due_early_us),  # one that is far off has no date, and is known to be fine
    "heard": (func.coalesce(schema.vehicle.c.heard_us, 0),),
}


def _matching(search: str) -> list[Any]:
    """Conditions that each word is in what a vehicle may be found by, its points included; or that all of them together are in the
    title of a kind of finding that it has."""
    words = search.casefold().split()
    if not words:
        return []
    named = and_(*(_SUMMARY.search.contains(word, autoescape=True) for word in words))
    phrase = " ".join(words)
    kinds = [name for name, kind in FINDING_KINDS.items() if phrase in kind.title.casefold() or phrase == name]
    if not kinds:
        return [named]
    return [or_(named, *_having(kinds))]


def _having(kinds: Sequence[str]) -> list[Any]:
    """Conditions that a vehicle has an open finding of one of these kinds."""
    finding = schema.finding
    return [
        _SUMMARY.vehicle_id.in_(
            select(finding.c.vehicle_id).where(finding.c.ended_us.is_(None), finding.c.kind.in_(kinds))
        )
    ]


def _fleet_row(row: Any, waiting: int) -> FleetRow:
    return FleetRow(
        fleet=row.fleet,
        vehicle=row.vehicle,
        unit=row.unit,
        depot=row.depot,
        vehicle_class=row.vehicle_class,
        timezone=row.timezone,
        low_mark_pct=row.low_mark_pct,
        nlgi=row.nlgi,
        need=PRIORITIES[row.need],
        detail=None if row.detail is None else Detail.from_row(row.detail),
        heard_us=row.heard_us,
        online=row.online,
        waiting=waiting,
        controller=row.controller,
    )
