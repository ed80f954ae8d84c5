"""Runs the analysis over the vehicles in a database, in parallel."""

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cache, lru_cache
from typing import Any, Final

from sqlalchemy import Connection, Engine, Select, func, select
from sqlalchemy.exc import DBAPIError

from analytics.account.greased import Kept, kept_of
from analytics.alarms.depots import depot
from analytics.fills import Fill
from analytics.findings import Finding
from analytics.hand import HandState
from analytics.pipeline import checkpoints
from analytics.pipeline.account import known_from, trends_due
from analytics.pipeline.kept import fleet_revision
from analytics.pipeline.peers import read_sister_channels, read_sisters, read_yard
from analytics.pipeline.workers import Workers
from analytics.planning.greases import cold_weeks
from analytics.planning.usage import Amount, Supply, monthly
from analytics.refills import Refill
from analytics.settings import DEFAULTS
from analytics.trends import Trend
from analytics.vehicle import analysis, daily, data_notes, line_conditions
from analytics.vehicle.archive import Past, from_json
from analytics.vehicle.checkpoints import Checkpoint
from analytics.vehicle.day import Day
from analytics.vehicle.doses import doses
from analytics.vehicle.hand_doses import hand_doses, with_hand
from analytics.vehicle.line_conditions import LineCondition
from analytics.vehicle.model_check import Check, checks
from analytics.vehicle.wear import trends
from ingest import schema
from ingest.arrays import arrived_by
from ingest.database import address, connect
from ingest.errors import Problem
from ingest.reading import read_messages
from ingest.registry import read_vehicles
from ingest.setups import Setup, Vehicle
from ingest.times import DAY_US, EARLIEST_US, LONG_AGO_US, rfc3339
from ingest.totals import recorded_since_us, registered_first_us
from ingest.work import AWAY, Work, why_away
from ingest.work_records import among, read_work, these

_BATCH: Final = 500  # vehicles whose set-ups are in memory together


class Unanalysed(Problem):
    """A vehicle whose analysis fails, for whatever reason: nothing newer is known of it, neither good nor bad."""


def unanalysed(vehicle: Vehicle, error: Exception) -> Unanalysed:
    """What is said of it."""
    name, why = f"{vehicle.fleet}/{vehicle.name}", f"{type(error).__name__}: {error}"
    return Unanalysed(f"{name} cannot be analysed, please report this: {why}")


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What one analysis of one vehicle found, without the messages it rests on; `revision` is that of the vehicle which it had seen,
    `fleet_revision` the sum of all."""

    vehicle_id: int
    setup: Setup  # in force at `as_of_us`
    as_of_us: int
    revision: int
    fleet_revision: int
    next_us: int | None
    findings: tuple[Finding, ...]
    refill: Refill
    fills: tuple[Fill, ...]
    days: list[Day]
    lines: list[LineCondition]
    notes: list[str]
    max_hours_since_grease: float | None
    filled_us: int | None
    commissioning: dict[str, Any] | None
    amounts: list[Amount]
    greased: Kept
    greased_since: date | None  # what is kept of days before it stays
    lows_c: dict[str, float]  # week of the year -> how cold it normally is; empty: as before
    trends: list[Trend] | None  # None: those of before stand
    hand: tuple[HandState, ...]
    checks: list[Check] | None  # of the pressure model; likewise
    checkpoints: tuple[Checkpoint, ...] | None  # likewise
    sold: bool


@dataclass(frozen=True, kw_only=True)
class Task:
    """A vehicle to be analysed: where it is recorded, and what has to be known of it beside its messages."""

    url: str
    vehicle: Vehicle
    past: Past | None
    work: tuple[Work, ...]
    revision: int
    fleet_revision: int
    as_of_us: int
    wants_trends: bool


def analysed(
    connection: Connection, vehicle: Vehicle, moments_us: Sequence[int], past: Past | None, work: tuple[Work, ...], *,
    as_arrived: bool = False,
) -> list[analysis.Result]:  # fmt: skip
    """Read one vehicle and analyse it, for each of the moments; `as_arrived` with the messages only that had arrived by then."""
    messages = read_messages(connection, vehicle.id)
    unheard = not any((rows.at_us >= EARLIEST_US).any() for rows in vars(messages).values())
    since_us = _should_be_heard_us(connection, vehicle) if unheard else None
    beside = []
    for at_us in moments_us:
        then = arrived_by(messages, at_us) if as_arrived else messages
        setup = vehicle.in_force(at_us)
        arrived_us = at_us if as_arrived else None
        beside.append(
            (
                then,
                depot(connection, setup.depot).lead_days,
                read_sisters(connection, vehicle.id, setup, then, at_us, arrived_us),
                read_yard(connection, vehicle.id, setup, then, at_us, arrived_us),
                read_sister_channels(connection, vehicle.id, setup, at_us, arrived_us) if then.cycles.channels else (),
            )
        )
    known = checkpoints.read(connection, vehicle.id)
    connection.rollback()  # all is read: no transaction stays open while it is analysed
    return [
        analysis.analyse(
            then,
            vehicle.setups,
            at_us,
            past,
            work,
            replace(DEFAULTS, lead_time_days=lead_days),
            sisters,
            yard,
            since_us,
            channels,
            known,
        )
        for at_us, (then, lead_days, sisters, yard, channels) in zip(moments_us, beside, strict=True)
    ]


def _should_be_heard_us(connection: Connection, vehicle: Vehicle) -> int | None:
    """Since when a vehicle never heard should have been, by what is recorded of its fleet; None where that tells nothing. Logs are replayed
    to a fleet that is registered only now, but what is registered after the others was not there before."""
    own = min((one.registered_us for one in vehicle.setups if one.registered_us is not None), default=None)
    first = registered_first_us(connection, vehicle.fleet)
    later = own is not None and first is not None and own > first + DAY_US
    return None if later else recorded_since_us(connection, vehicle.fleet)


@lru_cache(1)
def engine_of(url: str) -> Engine:
    """One connection for all that a process analyses."""
    return connect(url)


def results_of(task: Task, moments_us: Sequence[int], *, as_arrived: bool = False) -> list[analysis.Result]:
    with engine_of(task.url).connect() as connection:
        return analysed(connection, task.vehicle, moments_us, task.past, task.work, as_arrived=as_arrived)


def result_of(task: Task) -> analysis.Result:
    return results_of(task, [task.as_of_us])[0]


def outcome_of(task: Task) -> Outcome:
    """What is found of one vehicle; runs in a process of its own."""
    result = result_of(task)
    days = daily.days(result)
    return Outcome(
        vehicle_id=task.vehicle.id,
        setup=result.history.setup,
        as_of_us=task.as_of_us,
        revision=task.revision,
        fleet_revision=task.fleet_revision,
        next_us=result.history.next_us,
        findings=result.findings,
        refill=result.refill,
        fills=result.fills,
        days=days,
        lines=line_conditions.line_conditions(result),
        notes=data_notes.notes(result),
        max_hours_since_grease=result.max_hours_since_grease,
        filled_us=result.filled_us,
        commissioning=None if result.handover is None else result.handover.as_json(),
        amounts=monthly(
            Supply(
                result.history.setups, days, result.fills, result.refill, result.history.work, result.reservoir.read_us
            )
        ),
        greased=kept_of(with_hand(doses(result), hand_doses(result)), result.history.setups),
        greased_since=known_from(task.past, result.history.setup.timezone),
        lows_c=cold_weeks(*result.history.temperatures) if task.wants_trends else {},
        trends=trends(result) if task.wants_trends else None,
        hand=result.hand,
        checks=checks(result) if task.wants_trends else None,
        checkpoints=result.checkpoints,
        sold=why_away(task.work) == AWAY["sold"],
    )


_REVISIONS: Final = select(schema.vehicle.c.id, schema.vehicle.c.revision).where(*among(schema.vehicle.c.id))


def tasks_of(connection: Connection, url: str, as_of_us: int, ids: Collection[int]) -> list[Task]:
    """What is to be done for these vehicles, by fleet and vehicle; nothing for one that nobody registered."""
    revisions: dict[int, int] = dict(connection.execute(_REVISIONS, these(ids)).all())
    seen = fleet_revision(connection)
    pasts, work = read_pasts(connection, ids), read_work(connection, ids)
    due = trends_due(connection, ids, as_of_us)
    return [
        Task(
            url=url,
            vehicle=one,
            past=pasts.get(one.id),
            work=work.get(one.id, ()),
            revision=revisions[one.id],
            fleet_revision=seen,
            as_of_us=as_of_us,
            wants_trends=one.id in due,
        )
        for one in read_vehicles(connection, ids)
    ]


def registered(connection: Connection) -> list[int]:
    """All vehicles with a set-up, by fleet and vehicle."""
    vehicle_, setup = schema.vehicle, schema.setup
    has = select(setup.c.id).where(setup.c.vehicle_id == vehicle_.c.id).exists()
    return list(
        connection.execute(select(vehicle_.c.id).where(has).order_by(vehicle_.c.fleet, vehicle_.c.vehicle)).scalars()
    )


def batches(engine: Engine, as_of_us: int) -> Iterator[tuple[list[Task], int]]:
    """All registered vehicles, some at a time, and how many there are in all: set-ups of a very large fleet need not be in
    memory together."""
    with engine.connect() as connection:
        ids = registered(connection)
    for first in range(0, len(ids), _BATCH):
        with engine.connect() as connection:
            yield tasks_of(connection, address(engine), as_of_us, ids[first : first + _BATCH]), len(ids)


def read_pasts(connection: Connection, vehicle_id: int | Collection[int] | None = None) -> dict[int, Past]:
    """What is kept of the time before messages were thinned, by vehicle; of one, of several, or of all."""
    rows = connection.execute(_pasts(every=vehicle_id is None), these(vehicle_id)).mappings()
    return {row["vehicle_id"]: from_json(row) for row in rows}


@cache
def _pasts(*, every: bool) -> Select[Any]:
    return select(schema.archive).where(*among(schema.archive.c.vehicle_id, every=every))


def kept_since_us(connection: Connection) -> int:
    """From when on messages are kept in full for questions; long ago where all are."""
    since_us = connection.scalar(select(func.max(schema.archive.c.since_us)))
    return LONG_AGO_US if since_us is None else since_us


def check_kept(connection: Connection, as_of_us: int) -> None:
    """Raises Problem where messages of that time are no longer kept in full."""
    since_us = kept_since_us(connection)
    if as_of_us < since_us:
        raise Problem(
            f"there is no answer for {rfc3339(as_of_us)}: messages are kept in full for questions from"
            f" {rfc3339(since_us)} on; name that time or a later one"
        )


def outcomes(engine: Engine, as_of_us: int, pool: Workers, progress: Callable[[int, int], None]) -> Iterator[Outcome]:
    """The outcome of each registered vehicle at `as_of_us`, by fleet and vehicle; `progress` is told (done, of). Nothing is kept. Raises
    Problem where one cannot be analysed: an answer without it would tell nobody that it is not there."""
    with engine.connect() as connection:
        check_kept(connection, as_of_us)
    done = 0
    for tasks, number in batches(engine, as_of_us):
        for outcome in pool.map(_outcome_or_problem, tasks):
            if isinstance(outcome, Problem):
                raise outcome
            done += 1
            progress(done, number)
            yield outcome


def _outcome_or_problem(task: Task) -> Outcome | Problem:
    try:
        return outcome_of(task)
    except (DBAPIError, Problem):
        raise
    except Exception as error:  # noqa: BLE001  # whatever it is, it is one vehicle's
        return unanalysed(task.vehicle, error)
