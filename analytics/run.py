"""Runs the analysis over the vehicles in a database, in parallel, and keeps its newest results there."""

import os
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from functools import partial
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
from analytics.standing import standing
from ingest import retention, schema
from ingest.messages import instant
from ingest.problem import Problem
from ingest.registry import Setup, read_setups, stand
from ingest.store import address, connect, newest_at_us, read_messages, rfc3339, writing
from ingest.work import AWAY, Work, of_vehicles, read_work, why_away

# A forecast looks back over twelve weeks; everything else forgets sooner.
WARM_UP_DAYS: Final = 91
MOST_AT_ONCE: Final = 5000  # vehicles of one pass over those with news: a statement holds no more names


@dataclass(frozen=True)
class Outcome:
    """What one analysis of one vehicle found, without the messages it rests on; `news` is what it had seen."""

    vehicle_id: int
    fleet: str
    vehicle: str
    as_of_us: int
    news: int
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
class _Task:
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
    settings = replace(DEFAULTS, lead_time_days=depot(connection, setups[-1].depot).lead_days)
    return [
        vehicle.analyse(
            messages, setups, at_us, past, work, settings, read_sisters(connection, vehicle_id, messages, at_us)
        )
        for at_us in moments_us
    ]


def _results(task: _Task, moments_us: Sequence[int]) -> list[vehicle.Result]:
    engine = connect(task.url)
    try:
        with engine.connect() as connection:
            return analysed(connection, task.vehicle_id, task.setups, moments_us, task.past, task.work)
    finally:
        engine.dispose()


def _result(task: _Task) -> vehicle.Result:
    return _results(task, [task.as_of_us])[0]


def _outcome(task: _Task) -> Outcome:
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
        task.setups[-1],
        why_away(task.work) == AWAY["sold"],
    )


def _tasks(
    connection: Connection, url: str, as_of_us: int, stale_us: int | None, most_old: int | None = None
) -> list[_Task]:
    """What is to be done: everything, or with `stale_us` only vehicles with news, and then those with results older than that, at
    most `most_old` of them."""
    news = {id_: number for id_, number in connection.execute(select(schema.vehicle.c.id, schema.vehicle.c.news))}  # noqa: C416
    chosen: list[int] | None = None
    if stale_us is not None:
        table = schema.analysis
        seen = {id_: (number, at_us) for id_, number, at_us in
                connection.execute(select(table.c.vehicle_id, table.c.news, table.c.as_of_us))}  # fmt: skip
        fresh = [id_ for id_, number in news.items() if id_ not in seen or seen[id_][0] != number]
        old = [
            id_
            for id_ in news
            if id_ in seen and id_ not in set(fresh) and not as_of_us - stale_us <= seen[id_][1] <= as_of_us
        ]
        chosen = (fresh + sorted(old, key=lambda id_: seen[id_][1])[:most_old])[:MOST_AT_ONCE]
        if not chosen:
            return []
    setups = dict(read_setups(connection, chosen).values())
    pasts, work = read_pasts(connection, chosen), read_work(connection, chosen)
    return [
        _Task(url, id_, setups[id_], pasts.get(id_), work.get(id_, ()), news[id_], as_of_us)
        for id_ in (setups if chosen is None else chosen)
        if id_ in setups
    ]


def read_pasts(connection: Connection, vehicle_id: int | Collection[int] | None = None) -> dict[int, Past]:
    """What is kept of the time before messages were thinned, by vehicle; of one, of several, or of all."""
    table = schema.past
    only = of_vehicles(table.c.vehicle_id, vehicle_id)
    return {row["vehicle_id"]: from_json(row) for row in connection.execute(select(table).where(*only)).mappings()}


def _check_kept(connection: Connection, as_of_us: int) -> None:
    since_us = connection.scalar(select(func.max(schema.past.c.since_us)))
    if since_us is not None and as_of_us < since_us:
        raise Problem(
            f"there is no answer for {rfc3339(as_of_us)}: messages are kept in full for questions from"
            f" {rfc3339(since_us)} on; name that time or a later one"
        )


def prune(engine: Engine, keep_days: int, pool: Executor, progress: Callable[[int, int], None]) -> tuple[int, int]:
    """Keep what was found, and thin the messages it was found in: (from when on questions are answered, messages let go
    of). Raises Problem where nothing is recorded.

    Messages stay in full for WARM_UP_DAYS longer, for what an analysis has to have seen before.
    """
    with engine.connect() as connection:
        now_us = newest_at_us(connection)
        if now_us is None:
            raise Problem("nothing is recorded yet, so there is nothing to prune")
        since_us = retention.whole_month(now_us - keep_days * DAY_US)
        tasks = _tasks(connection, address(engine), now_us, None)
        known = set(connection.execute(select(schema.vehicle.c.id)).scalars())
    before_us = retention.whole_month(since_us - WARM_UP_DAYS * DAY_US)
    for done, (id_, past) in enumerate(pool.map(partial(_past, since_us=since_us), tasks)):
        progress(done, len(tasks))
        _keep_past(engine, id_, past)
    for id_ in sorted(known - {task.vehicle_id for task in tasks}):  # not registered: nothing is looked for
        _keep_past(engine, id_, Past(since_us, now_us, (), (), ()))
    return since_us, retention.thin(engine, before_us, progress)


def _keep_past(engine: Engine, vehicle_id: int, past: Past) -> None:
    table = schema.past
    with writing(engine) as connection:
        connection.execute(delete(table).where(table.c.vehicle_id == vehicle_id))
        connection.execute(insert(table).values(vehicle_id=vehicle_id, **past.as_json()))


def _past(task: _Task, since_us: int) -> tuple[int, Past]:
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
    engine: Engine, weeks: int, pool: Executor, progress: Callable[[int, int], None]
) -> backtests.Summary | None:
    """How well the refill dates of so many past weeks held, over the whole fleet, kept for the *Data* page; None where there is
    nothing to say."""
    with engine.connect() as connection:
        now_us = default_as_of_us(connection)
        since_us = connection.scalar(select(func.max(schema.past.c.since_us))) or 0
        tasks = _tasks(connection, address(engine), now_us, None)
    moments = [now_us - week * 7 * DAY_US for week in range(weeks, 0, -1)]
    moments = [at_us for at_us in moments if at_us >= since_us]
    cases, still_open = list[backtests.Case](), 0
    for done, told in enumerate(pool.map(partial(_cases, moments=moments), tasks), start=1):
        progress(done, len(tasks))
        cases += [one for one in told if one is not None]
        still_open += sum(one is None for one in told)
    found = backtests.summary(cases, still_open)
    if found is not None:
        table = schema.backtest
        with writing(engine) as connection:
            connection.execute(delete(table).where(table.c.made_us == now_us))
            connection.execute(insert(table).values(made_us=now_us, detail=asdict(found)))
    return found


def _cases(task: _Task, moments: Sequence[int]) -> list[backtests.Case | None]:
    """The cases of one vehicle; only moments at which it had been heard."""
    if task.setups[-1].level != "percent":
        return []
    *then, now = _results(task, [*moments, task.as_of_us])
    heard_us = now.history.heard_us
    return [backtests.case(result, now) for result in then if len(heard_us) and heard_us[0] < result.history.as_of_us]


def default_as_of_us(connection: Connection) -> int:
    """The newest time that can be believed; 1970 where nothing is recorded."""
    return newest_at_us(connection) or 0


@contextmanager
def workers(number: int | None = None) -> Iterator[Executor]:
    """Processes to analyse in; as many as the machine has processors, unless told."""
    with ProcessPoolExecutor(number or os.cpu_count() or 1) as pool:
        yield pool


def outcomes(
    engine: Engine, as_of_us: int, pool: Executor, progress: Callable[[int, int], None], stale_us: int | None = None,
    most_old: int | None = None,
) -> Iterator[Outcome]:  # fmt: skip
    """The outcome of each registered vehicle at `as_of_us`, by fleet and vehicle; `progress` is told (done, of)."""
    url = address(engine)
    with engine.connect() as connection:
        _check_kept(connection, as_of_us)
        tasks = _tasks(connection, url, as_of_us, stale_us, most_old)
    progress(0, len(tasks))
    for done, outcome in enumerate(pool.map(_outcome, tasks), start=1):
        progress(done, len(tasks))
        yield outcome


def keep(engine: Engine, found: Iterable[Outcome]) -> int:
    """Make these the newest results, each vehicle's as a whole; returns how many."""
    number = 0
    for outcome in found:
        with writing(engine) as connection:
            _keep(connection, outcome)
        number += 1
    return number


def _keep(connection: Connection, outcome: Outcome) -> None:
    analysis, finding = schema.analysis, schema.finding
    connection.execute(delete(finding).where(finding.c.vehicle_id == outcome.vehicle_id))
    connection.execute(delete(analysis).where(analysis.c.vehicle_id == outcome.vehicle_id))
    connection.execute(
        insert(analysis).values(
            vehicle_id=outcome.vehicle_id,
            as_of_us=outcome.as_of_us,
            news=outcome.news,
            fills=outcome.fills,
            refill_state=outcome.refill.state,
            due_early_us=outcome.refill.due_early_us,
            due_expected_us=outcome.refill.due_expected_us,
            refill=outcome.refill.as_json(outcome.fleet, outcome.vehicle),
            days=outcome.days,
            lines=outcome.lines,
            notes=outcome.notes,
            dry_h=outcome.dry_h,
            filled_us=outcome.filled_us,
            commissioning=outcome.commissioning,
            alarms_due_us=0,
        )
    )
    stands = standing(
        outcome.setup, outcome.findings, outcome.refill, outcome.days, outcome.lines, outcome.dry_h
    )  # fmt: skip
    stand(connection, outcome.vehicle_id, outcome.setup, sold=outcome.sold, **stands)
    if outcome.findings:
        connection.execute(
            insert(finding),
            [
                {
                    "vehicle_id": outcome.vehicle_id,
                    "kind": f.kind,
                    "channel": f.channel,
                    "lines": list(f.lines),
                    "began_us": f.began_us,
                    "detected_us": f.detected_us,
                    "ended_us": f.ended_us,
                    "severity": f.severity,
                    "summary": f.summary,
                    "evidence": dict(f.evidence),
                    **_watched(outcome, f.began_us),
                }
                for f in outcome.findings
            ],
        )
    _keep_amounts(connection, outcome)


def _watched(outcome: Outcome, at_us: int) -> dict[str, float]:
    """For how many days and ignition hours a vehicle had been watched at a time; the hours of a day lie spread over it."""
    at = instant(at_us).astimezone(ZoneInfo(outcome.setup.timezone))
    day, part = at.date().isoformat(), (at.hour + at.minute / 60) / 24
    whole = [told["ignition_h"] for told in outcome.days if told["day"] < day]
    begun = sum(told["ignition_h"] for told in outcome.days if told["day"] == day)
    return {"watched_days": len(whole) + part, "watched_h": float(sum(whole) + part * begun)}


def _keep_amounts(connection: Connection, outcome: Outcome) -> None:
    """Months that are as they were are not written again: most are."""
    table = schema.supply
    names = [column.name for column in table.columns if column.name != "vehicle_id"]
    mine = table.c.vehicle_id == outcome.vehicle_id
    held = {tuple(row) for row in connection.execute(select(*(table.c[name] for name in names)).where(mine))}
    wanted = {
        tuple(
            round(value, 3) if isinstance(value, float) else value for value in (getattr(one, name) for name in names)
        )
        for one in outcome.amounts
    }
    for month, depot_, grease, *_ in held - wanted:
        connection.execute(
            delete(table).where(mine, table.c.month == month, table.c.depot == depot_, table.c.grease == grease)
        )
    new = [dict(zip(names, row, strict=True)) | {"vehicle_id": outcome.vehicle_id} for row in wanted - held]
    if new:
        connection.execute(insert(table), new)
