"""What the frame around all pages tells: how old the data is, what waits, and what the search finds."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import Connection, Engine, and_, case, func, or_, select
from sqlalchemy.exc import DBAPIError

from analytics.alarms import not_analysed as lagging
from analytics.kinds import FINDING_KINDS
from dashboard import formatting
from dashboard.queries.scope import EVERYTHING, Scope, within
from ingest import listening, schema, times, totals
from ingest.languages import tr, trn
from ingest.times import HOUR_US

WAITING: Final = ("unacknowledged", "returned")  # states of alarms that nobody has taken note of
_UNWATCHED_US: Final = 2 * HOUR_US  # everything is analysed once an hour
_AHEAD_US: Final = HOUR_US // 6  # what claims to be later is of a wrong clock
_MOST_FOUND: Final = 6


def state(engine: Engine, scope: Scope = EVERYTHING) -> dict[str, Any]:
    """In words how old the newest data is, and whether ingest and analysis are late; alarms that nobody took note of, and refills whose
    window has begun. Raises nothing: a database that is away is trouble as well."""
    now = times.now_us()
    try:
        with engine.connect() as connection:
            newest_us = totals.newest_at_us(connection) if scope == EVERYTHING else _heard_us(connection, scope, now)
            recorded_us = max(totals.recorders(connection).values(), default=None)
            listened = listening.is_listened(connection)
            looked_us, old = _looked(connection, scope, now)
            counts = {"alarms": _waiting(connection, scope), "refills": due_refills(connection, scope, now)}
    except DBAPIError:
        words = tr("The database is away; what you see may be old.")
        return {"words": words, "late": True, "about": words, "alarms": 0, "refills": 0}
    words, late = tr("No data yet"), False
    if newest_us is not None:
        words = tr("Data {time} old", time=formatting.lasting(newest_us, now))
    if recorded_us is not None and now - recorded_us > listening.longest_quiet_us(now, listened=listened):
        words, late = tr("Nothing recorded for {time}", time=formatting.lasting(recorded_us, now)), True
    elif looked_us is not None and now - looked_us > _UNWATCHED_US:
        words, late = tr("Nothing analysed for {time}", time=formatting.lasting(looked_us, now)), True
    elif old:
        words = trn("{n} vehicle not analysed for a day", "{n} vehicles not analysed for a day", old)
        late = True
    about = (
        "\n".join(
            f"{name}: {tr('not yet') if at_us is None else formatting.ago(at_us, now)}"
            for name, at_us in (
                (tr("Newest message"), newest_us),
                (tr("Last recorded"), recorded_us),
                (tr("Last analysed"), looked_us),
            )
        )
        + f"\n{tr('Ingest')}: {formatting.listening(listened=listened)}"
    )
    return {"words": words, "late": late, "about": about} | counts


def _heard_us(connection: Connection, scope: Scope, now_us: int) -> int | None:
    """When a vehicle of a scope was heard last."""
    who, vehicle = schema.vehicle_summary, schema.vehicle
    heard = select(func.max(vehicle.c.heard_us)).join(who, who.c.vehicle_id == vehicle.c.id)
    found: int | None = connection.scalar(
        heard.where(vehicle.c.heard_us <= now_us + _AHEAD_US, ~who.c.sold, *within(who, scope))
    )
    return found


def not_analysed(engine: Engine, mine: Sequence[Any]) -> tuple[list[tuple[str, str, str]], int]:
    """Vehicles of a choice that were not analysed for a day: some of them (fleet, vehicle, unit), and how many."""
    asked = lagging.not_analysed(times.now_us(), *mine)
    with engine.connect() as connection:
        some = connection.execute(asked.limit(_MOST_FOUND)).all()
        number = len(some)
        if number == _MOST_FOUND:
            number = connection.scalar(asked.order_by(None).with_only_columns(func.count())) or 0
        return [tuple(row) for row in some], number


def _looked(connection: Connection, scope: Scope, now_us: int) -> tuple[int | None, int]:
    """When a vehicle of a scope was analysed last, and how many were not for a day."""
    who, analysis = schema.vehicle_summary, schema.analysis
    old = func.sum(case((lagging.is_old(now_us), 1), else_=0))
    asked = select(func.max(analysis.c.as_of_us), old).select_from(who)
    asked = asked.outerjoin(analysis, analysis.c.vehicle_id == who.c.vehicle_id)
    row = connection.execute(asked.where(~who.c.sold, *within(who, scope))).one()
    return row[0], int(row[1] or 0)


def _waiting(connection: Connection, scope: Scope) -> int:
    table, who = schema.alarm, schema.vehicle_summary
    counted = select(func.count()).select_from(table.join(who, who.c.vehicle_id == table.c.vehicle_id))
    return connection.scalar(counted.where(table.c.state.in_(WAITING), ~who.c.sold, *within(who, scope))) or 0


def due_refills(connection: Connection, scope: Scope, now_us: int) -> int:
    """How many vehicles of a scope have a refill window that has begun."""
    who = schema.vehicle_summary
    chosen = ~who.c.sold, who.c.due_early_us <= now_us, *within(who, scope)
    return connection.scalar(select(func.count()).where(*chosen)) or 0


@dataclass(frozen=True)
class Found:
    """What a search finds: vehicles by name (fleet, vehicle, unit, depot, whether it is sold), kinds of finding (kind, title, open ones),
    and how many vehicles that are not sold have all words in their name, place or points."""

    vehicles: list[tuple[str, str, str, str, bool]]
    kinds: list[tuple[str, str, int]]
    matching: int


def find(engine: Engine, text: str, scope: Scope = EVERYTHING) -> Found:
    """What matches: by unit and number first, then by a finding's title, then by points and places. By name those that are sold are
    found, too: somebody may have recorded that by mistake."""
    who, finding, words = schema.vehicle_summary, schema.finding, text.casefold().split()
    if not words:
        return Found([], [], 0)
    mine = [~who.c.sold, *within(who, scope)]
    named = and_(
        *(or_(func.lower(who.c.unit).contains(w, autoescape=True), func.lower(who.c.vehicle).contains(w, autoescape=True)) for w in words)
    )  # fmt: skip
    phrase = " ".join(words)
    kinds = [kind for kind, entry in FINDING_KINDS.items() if phrase in entry.title.casefold()]
    with engine.connect() as connection:
        vehicles = connection.execute(
            select(who.c.fleet, who.c.vehicle, who.c.unit, who.c.depot, who.c.sold)
            .where(*within(who, scope), named).order_by(who.c.sold, who.c.unit).limit(_MOST_FOUND)
        ).all()  # fmt: skip
        counted = dict[str, int](
            connection.execute(
                select(finding.c.kind, func.count(func.distinct(finding.c.vehicle_id)))
                .join(who, who.c.vehicle_id == finding.c.vehicle_id)
                .where(finding.c.ended_us.is_(None), finding.c.kind.in_(kinds), *mine)
                .group_by(finding.c.kind)
            ).all()
        ) if kinds else {}  # fmt: skip
        matching = connection.scalar(
            select(func.count()).where(*mine, *(who.c.search.contains(w, autoescape=True) for w in words))
        )
    return Found(
        [tuple(row) for row in vehicles], [(kind, FINDING_KINDS[kind].title, counted.get(kind, 0)) for kind in kinds], matching or 0
    )  # fmt: skip
