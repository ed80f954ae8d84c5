"""How well the refill dates of past weeks held, over the whole fleet."""

from collections.abc import Callable, Sequence
from dataclasses import asdict
from functools import partial

from sqlalchemy import Engine, delete, insert

from analytics.pipeline.tasks import Task, batches, kept_since_us, results_of
from analytics.pipeline.workers import Workers
from analytics.planning import backtest as backtests
from analytics.planning.yardsticks import Structural
from ingest import schema
from ingest.database import writing
from ingest.times import DAY_US
from ingest.totals import default_as_of_us


def backtest(
    engine: Engine, weeks: int, pool: Workers, progress: Callable[[int, int], None]
) -> backtests.Summary | None:
    """How well the refill dates of so many past weeks held, over the whole fleet, kept for the *Data* page; None where there is
    nothing to say."""
    with engine.connect() as connection:
        now_us = default_as_of_us(connection)
    found = backtests.summary(cases_of(engine, now_us, weeks, pool, progress))
    if found is not None:
        table = schema.backtest
        with writing(engine) as connection:
            connection.execute(delete(table).where(table.c.made_us == now_us))
            connection.execute(insert(table).values(made_us=now_us, detail=asdict(found)))
    return found


def cases_of(
    engine: Engine, now_us: int, weeks: int, pool: Workers, progress: Callable[[int, int], None]
) -> list[backtests.Case]:
    """The cases of all vehicles at so many past weeks before `now_us`."""
    with engine.connect() as connection:
        since_us = kept_since_us(connection)
    moments = [now_us - week * 7 * DAY_US for week in range(weeks, 0, -1)]
    moments = [at_us for at_us in moments if at_us >= since_us]
    cases, done = list[backtests.Case](), 0
    for tasks, number in batches(engine, now_us):
        for told in pool.map(partial(_cases, moments=moments), tasks):
            done += 1
            progress(done, number)
            cases += told
    return cases


def _cases(task: Task, moments: Sequence[int]) -> list[backtests.Case]:
    """The cases of one vehicle, each by what had arrived by then; only moments at which it had been heard."""
    if task.vehicle.newest.level != "percent":
        return []
    (now,) = results_of(task, [task.as_of_us])
    structural = Structural()
    told = (
        backtests.case(then, now, structural)
        for then in results_of(task, moments, as_arrived=True)
        if len(then.history.heard_us)
    )
    return [one for one in told if one is not None]
