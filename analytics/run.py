"""Runs the analysis over the vehicles in a database, in parallel."""

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from functools import lru_cache, partial
from typing import Any, Final
from zoneinfo import ZoneInfo

from sqlalchemy import Connection, Engine, delete, func, insert, select

from analytics import backtest as backtests
from analytics import vehicle
from analytics.amounts import Amount, Supply, monthly
from analytics.depots import depot
from analytics.findings import Finding
from analytics.history import DAY_US
from analytics.past import Past, from_json
from analytics.refill import Refill
from analytics.settings import DEFAULTS
from analytics.sisters import read_sisters
from analytics.workers import Workers
from ingest import retention, schema
from ingest.messages import instant
from ingest.problem import Problem
from ingest.registry import Setup, in_force, read_setups
from ingest.store import address, connect, newest_at_us, read_messages, rfc3339, writing
from ingest.work import AWAY, Work, of_vehicles, read_work, why_away

# A forecast looks back over twelve weeks; everything else forgets sooner.
WARM_UP_DAYS: Final = 91
_BATCH: Final = 500  # vehicles whose set-ups are in memory together


@dataclass(frozen=True)
class Outcome:
    """What one analysis of one vehicle found, without the messages it rests on; `news` is what it had seen."""

    vehicle_id: int
    fleet: str
    vehicle: str
    as_of_us: int
    news: int
    next_us: int | None
    findings: tuple[Finding, ...]
    refill: Refill
    fills: list[dict[str, Any]]
    days: list[dict[str, Any]]
    lines: list[dict[str, Any]]
    notes: list[str]
    dry_h: float | None
    filled_us: int | None
    commissioning: dict[str, Any] | None
    amounts: list[Amount]
    setup: Setup
    sold: bool


@dataclass(frozen=True)
class Task:
    """A vehicle to be analysed: where it is recorded, and what has to be known of it beside its messages."""

    url: str
    vehicle_id: int
    setups: tuple[Setup, ...]
    past: Past | None
    work: tuple[Work, ...]
    news: int
    as_of_us: int


def analysed(
    connection: Connection, vehicle_id: int, setups: tuple[Setup, ...], moments_us: Sequence[int],
    past: Past | None, work: tuple[Work, ...],
) -> list[vehicle.Result]:  # fmt: skip
    """Read one vehicle and analyse it, for each of the moments."""
    messages = read_messages(connection, vehicle_id)
    beside = [
        (
            depot(connection, in_force(setups, at_us).depot).lead_days,
            read_sisters(connection, vehicle_id, messages, at_us),
        )
        for at_us in moments_us
    ]
    connection.rollback()  # all is read: no transaction stays open while it is analysed
    return [
        vehicle.analyse(messages, setups, at_us, past, work, replace(DEFAULTS, lead_time_days=lead_days), sisters)
        for at_us, (lead_days, sisters) in zip(moments_us, beside, strict=True)
    ]


@lru_cache(1)
def database(url: str) -> Engine:
    """One connection for all that a process analyses."""
    return connect(url)


def _results(task: Task, moments_us: Sequence[int]) -> list[vehicle.Result]:
    with database(task.url).connect() as connection:
        return analysed(connection, task.vehicle_id, task.setups, moments_us, task.past, task.work)


def _result(task: Task) -> vehicle.Result:
    return _results(task, [task.as_of_us])[0]


def outcome_of(task: Task) -> Outcome:
    """What is found of one vehicle; runs in a process of its own."""
    result = _result(task)
    fleet, name = task.setups[0].fleet, task.setups[0].vehicle
    days, fills = vehicle.days(result), vehicle.fills_json(result, fleet, name)
    supply = Supply(result.history.setups, days, fills, result.refill.as_json(fleet, name), result.history.work)
    return Outcome(
        task.vehicle_id,
        fleet,
        name,
        task.as_of_us,
        task.news,
        result.history.next_us,
        result.findings,
        result.refill,
        fills,
        days,
        vehicle.line_conditions(result),
        vehicle.notes(result),
        result.dry_h,
        result.filled_us,
        None if result.handover is None else result.handover.as_json(),
        monthly(supply),
        result.history.setup,
        why_away(task.work) == AWAY["sold"],
    )


def tasks_of(connection: Connection, url: str, as_of_us: int, ids: Collection[int]) -> list[Task]:
    """What is to be done for these vehicles, by fleet and vehicle; nothing for one that nobody registered."""
    table = schema.vehicle
    news: dict[int, int] = dict(
        connection.execute(select(table.c.id, table.c.news).where(table.c.id.in_(ids))).all()
    )  # fmt: skip
    pasts, work = read_pasts(connection, ids), read_work(connection, ids)
    return [
        Task(url, id_, setups, pasts.get(id_), work.get(id_, ()), news[id_], as_of_us)
        for id_, setups in read_setups(connection, ids).values()
    ]


def registered(connection: Connection) -> list[int]:
    """All vehicles with a set-up, by fleet and vehicle."""
    vehicle_, setup = schema.vehicle, schema.setup
    has = select(setup.c.id).where(setup.c.vehicle_id == vehicle_.c.id).exists()
    return list(
        connection.execute(select(vehicle_.c.id).where(has).order_by(vehicle_.c.fleet, vehicle_.c.vehicle)).scalars()
    )


def _batches(engine: Engine, as_of_us: int) -> Iterator[tuple[list[Task], int]]:
    """All registered vehicles, some at a time, and how many there are in all: set-ups of a very large fleet need not be in
    memory together."""
    with engine.connect() as connection:
        ids = registered(connection)
    for first in range(0, len(ids), _BATCH):
        with engine.connect() as connection:
            yield tasks_of(connection, address(engine), as_of_us, ids[first : first + _BATCH]), len(ids)


def read_pasts(connection: Connection, vehicle_id: int | Collection[int] | None = None) -> dict[int, Past]:
    """What is kept of the time before messages were thinned, by vehicle; of one, of several, or of all."""
    table = schema.past
    only = of_vehicles(table.c.vehicle_id, vehicle_id)
    return {row["vehicle_id"]: from_json(row) for row in connection.execute(select(table).where(*only)).mappings()}


def _kept_since_us(connection: Connection) -> int:
    """From when on messages are kept in full for questions; long ago where all are."""
    since_us = connection.scalar(select(func.max(schema.past.c.since_us)))
    return -(1 << 62) if since_us is None else since_us


def check_kept(connection: Connection, as_of_us: int) -> None:
    """Raises Problem where messages of that time are no longer kept in full."""
    since_us = _kept_since_us(connection)
    if as_of_us < since_us:
        raise Problem(
            f"there is no answer for {rfc3339(as_of_us)}: messages are kept in full for questions from"
            f" {rfc3339(since_us)} on; name that time or a later one"
        )


def prune(engine: Engine, keep_days: int, pool: Workers, progress: Callable[[int, int], None]) -> tuple[int, int]:
    """Keep what was found, and thin the messages it was found in: (from when on questions are answered, messages let go
    of). Raises Problem where nothing is recorded.

    Messages stay in full for WARM_UP_DAYS longer, for what an analysis has to have seen before.
    """
    with engine.connect() as connection:
        now_us = newest_at_us(connection)
        if now_us is None:
            raise Problem("nothing is recorded yet, so there is nothing to prune")
        # What was let go of does not come back, whoever wants to keep more later.
        since_us = max(retention.whole_month(now_us - keep_days * DAY_US), _kept_since_us(connection))
        known = set(connection.execute(select(schema.vehicle.c.id)).scalars())
    before_us = retention.whole_month(since_us - WARM_UP_DAYS * DAY_US)
    kept = set[int]()
    for tasks, number in _batches(engine, now_us):
        for id_, past in pool.map(partial(_past, since_us=since_us), tasks):
            progress(len(kept), number)
            _keep_past(engine, id_, past)
            kept.add(id_)
    for id_ in sorted(known - kept):  # not registered: nothing is looked for
        _keep_past(engine, id_, Past(since_us, now_us, (), (), ()))
    return since_us, retention.thin(engine, before_us, progress)


def _keep_past(engine: Engine, vehicle_id: int, past: Past) -> None:
    table = schema.past
    with writing(engine) as connection:
        connection.execute(delete(table).where(table.c.vehicle_id == vehicle_id))
        connection.execute(insert(table).values(vehicle_id=vehicle_id, **past.as_json()))


def _past(task: Task, since_us: int) -> tuple[int, Past]:
    result = _result(task)
    zone = ZoneInfo(result.history.setup.timezone)
    first_day = instant(since_us).astimezone(zone).date().isoformat()
    return task.vehicle_id, Past(
        since_us,
        task.as_of_us,
        tuple(finding for finding in result.findings if finding.began_us < since_us),
        tuple(fill for fill in result.fills if fill.at_us < since_us),
        tuple(day for day in vehicle.days(result) if day["day"] < first_day),
    )


def backtest(
    engine: Engine, weeks: int, pool: Workers, progress: Callable[[int, int], None]
) -> backtests.Summary | None:
    """How well the refill dates of so many past weeks held, over the whole fleet, kept for the *Data* page; None where there is
    nothing to say."""
    with engine.connect() as connection:
        now_us = default_as_of_us(connection)
        since_us = _kept_since_us(connection)
    moments = [now_us - week * 7 * DAY_US for week in range(weeks, 0, -1)]
    moments = [at_us for at_us in moments if at_us >= since_us]
    cases, still_open, done = list[backtests.Case](), 0, 0
    for tasks, number in _batches(engine, now_us):
        for told in pool.map(partial(_cases, moments=moments), tasks):
            done += 1
            progress(done, number)
            cases += [one for one in told if one is not None]
            still_open += sum(one is None for one in told)
    found = backtests.summary(cases, still_open)
    if found is not None:
        table = schema.backtest
        with writing(engine) as connection:
            connection.execute(delete(table).where(table.c.made_us == now_us))
            connection.execute(insert(table).values(made_us=now_us, detail=asdict(found)))
    return found


def _cases(task: Task, moments: Sequence[int]) -> list[backtests.Case | None]:
    """The cases of one vehicle; only moments at which it had been heard."""
    if task.setups[-1].level != "percent":
        return []
    *then, now = _results(task, [*moments, task.as_of_us])
    heard_us = now.history.heard_us
    return [backtests.case(result, now) for result in then if len(heard_us) and heard_us[0] < result.history.as_of_us]


def default_as_of_us(connection: Connection) -> int:
    """The newest time that can be believed; 1970 where nothing is recorded."""
    return newest_at_us(connection) or 0


def outcomes(engine: Engine, as_of_us: int, pool: Workers, progress: Callable[[int, int], None]) -> Iterator[Outcome]:
    """The outcome of each registered vehicle at `as_of_us`, by fleet and vehicle; `progress` is told (done, of). Nothing is kept."""
    with engine.connect() as connection:
        check_kept(connection, as_of_us)
    done = 0
    for tasks, number in _batches(engine, as_of_us):
        for outcome in pool.map(outcome_of, tasks):
            done += 1
            progress(done, number)
            yield outcome
