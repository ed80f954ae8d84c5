"""What is counted of each depot on each day, so that a page shows weeks without counting them again. Nobody else writes that table.

Days are of UTC: a fleet may lie in several zones. Days of before this was kept are told as far as something still tells of them.
"""

from collections import Counter
from collections.abc import Iterable
from datetime import date, timedelta
from functools import cache
from typing import Any, Final

from sqlalchemy import Connection, Engine, Select, bindparam, case, delete, func, literal, select, tuple_, union_all

from analytics.pipeline.vehicle_summary import PRIORITIES
from ingest import schema
from ingest.database import upsert, writing
from ingest.times import AHEAD_US, DAY_US, EPOCH, instant

SHOWN_DAYS: Final = 56
DUE_DAYS: Final = 7
_KEPT_DAYS: Final = 400
Place = tuple[str, str]  # fleet, depot


def keep(engine: Engine, now_us: int) -> None:
    """Count the day of `now_us` anew, and past days that nobody counted."""
    today = instant(now_us).date()
    with engine.connect() as connection:
        rows = [{"day": today.isoformat(), **row} for row in _today(connection, now_us)]
        missing = _missing(connection, today)
        rows += _past(connection, missing) if missing else []
    table = schema.depot_day
    places = {(row["fleet"], row["depot"]) for row in rows}
    gone = (table.c.day == today.isoformat()) & tuple_(table.c.fleet, table.c.depot).not_in(places)
    with writing(engine) as connection:
        oldest = (today - timedelta(days=_KEPT_DAYS)).isoformat()
        connection.execute(delete(table).where((table.c.day < oldest) | gone))
        if rows:  # another watch may be at the same: in one order, and whoever is last has counted last
            wanted = upsert(connection, table)
            counted = {name: wanted.excluded[name] for name in ("urgent", "due", "heard")}
            connection.execute(
                wanted.on_conflict_do_update(index_elements=["day", "fleet", "depot"], set_=counted),
                sorted(rows, key=lambda row: (row["day"], row["fleet"], row["depot"])),
            )


def _today(connection: Connection, now_us: int) -> Iterable[dict[str, Any]]:
    asked = {"due_by": now_us + DUE_DAYS * DAY_US, "since": now_us - DAY_US, "until": now_us + AHEAD_US}
    return [dict(row) for row in connection.execute(_counting(), asked).mappings()]


@cache
def _counting() -> Select[Any]:
    """The query of `_today`, made once: it is asked with each piece of news."""
    who, vehicle = schema.vehicle_summary, schema.vehicle

    def number(condition: Any) -> Any:
        return func.sum(case((condition, 1), else_=0))

    return (
        select(
            who.c.fleet,
            who.c.depot,
            number(who.c.need == PRIORITIES.index("act_now")).label("urgent"),
            number(who.c.due_early_us <= bindparam("due_by")).label("due"),
            number(who.c.controller & vehicle.c.heard_us.between(bindparam("since"), bindparam("until"))).label(
                "heard"
            ),
        )
        .join(vehicle, vehicle.c.id == who.c.vehicle_id)
        .where(~who.c.sold)
        .group_by(who.c.fleet, who.c.depot)
    )


def _missing(connection: Connection, today: date) -> list[date]:
    """Days of the last weeks that no row tells of."""
    table = schema.depot_day
    first = today - timedelta(days=SHOWN_DAYS)
    told = set(connection.execute(select(table.c.day).where(table.c.day >= first.isoformat()).distinct()).scalars())
    days = [first + timedelta(days=n) for n in range(SHOWN_DAYS)]
    missing = [day for day in days if day.isoformat() not in told]
    if not missing:
        return []
    begun_us = _heard_first_us(connection, _start_us(first))
    return [day for day in missing if begun_us is not None and _start_us(day) + DAY_US > begun_us]


def _heard_first_us(connection: Connection, since_us: int) -> int | None:
    """When anything was heard first from `since_us` on: days before it would be asked for again with each pass, and tell nothing."""
    message, vehicle = schema.message, schema.vehicle
    mine = message.c.vehicle_id == vehicle.c.id, message.c.at_us >= since_us
    first = select(func.min(message.c.at_us)).where(*mine).scalar_subquery()
    at_us: int | None = connection.scalar(select(func.min(select(first.label("at_us")).subquery().c.at_us)))
    return at_us


def _past(connection: Connection, days: list[date]) -> list[dict[str, Any]]:
    """What findings and messages still tell of past days: who could not wait, by each finding's present severity, and who was heard.
    Of days before the first message nothing is told, and of refills that were due then nothing at all."""
    who = schema.vehicle_summary
    places: dict[int, Place] = {
        row.vehicle_id: (row.fleet, row.depot)
        for row in connection.execute(select(who.c.vehicle_id, who.c.fleet, who.c.depot).where(~who.c.sold))
    }
    heard, urgent = _heard(connection, days, places), _urgent(connection, days, places)
    all_places = sorted(set(places.values()))
    return [
        {"day": day.isoformat(), "fleet": fleet, "depot": depot, "urgent": urgent[day, (fleet, depot)], "due": None,
         "heard": heard[day, (fleet, depot)]}
        for day in days
        for fleet, depot in all_places
    ]  # fmt: skip


def _start_us(day: date) -> int:
    return (day - EPOCH.date()).days * DAY_US


def _heard(connection: Connection, days: list[date], places: dict[int, Place]) -> Counter[tuple[date, Place]]:
    """How many vehicles said something on each day: asked day by day, since one message is enough."""
    message, vehicle = schema.message, schema.vehicle
    starts = union_all(*(select(literal(_start_us(day)).label("start_us")) for day in days)).subquery()
    said = select(message.c.seq).where(
        message.c.vehicle_id == vehicle.c.id,
        message.c.at_us >= starts.c.start_us,
        message.c.at_us < starts.c.start_us + DAY_US,
    )
    rows = connection.execute(
        select(vehicle.c.id, starts.c.start_us).select_from(vehicle.join(starts, literal(True))).where(said.exists())
    )
    return Counter((instant(start_us).date(), places[id_]) for id_, start_us in rows if id_ in places)


def _urgent(connection: Connection, days: list[date], places: dict[int, Place]) -> Counter[tuple[date, Place]]:
    finding = schema.finding
    rows = connection.execute(
        select(finding.c.vehicle_id, finding.c.detected_us, finding.c.ended_us).where(finding.c.severity == "act_now")
    ).all()
    found = Counter[tuple[date, Place]]()
    for day in days:
        end_us = _start_us(day) + DAY_US
        those = {
            id_ for id_, known_us, ended_us in rows if known_us < end_us and (ended_us is None or ended_us >= end_us)
        }
        found.update((day, places[id_]) for id_ in those if id_ in places)
    return found
