"""How well the refill dates of past weeks held, over the whole fleet."""

from collections.abc import Callable, Sequence
from dataclasses import asdict
from functools import partial

from sqlalchemy import Engine, delete, insert

from analytics.pipeline.tasks import Task, batches, default_as_of_us, kept_since_us, results_of
from analytics.pipeline.workers import Workers
from analytics.planning import backtest as backtests
from ingest import schema
from ingest.database import writing
from ingest.times import DAY_US


def backtest(
    engine: Engine, weeks: int, pool: Workers, progress: Callable[[int, int], None]
) -> backtests.Summary | None:
    """How well the refill dates of so many past weeks held, over the whole fleet, kept for the *Data* page; None where there is
    nothing to say."""
    with engine.connect() as connection:
        now_us = default_as_of_us(connection)
        since_us = kept_since_us(connection)
    moments = [now_us - week * 7 * DAY_US for week in range(weeks, 0, -1)]
    moments = [at_us for at_us in moments if at_us >= since_us]
    cases, still_open, done = list[backtests.Case](), 0, 0
    for tasks, number in batches(engine, now_us):
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
    if task.vehicle.newest.level != "percent":
        return []
    *then, now = results_of(task, [*moments, task.as_of_us])
    heard_us = now.history.heard_us
    return [backtests.case(result, now) for result in then if len(heard_us) and heard_us[0] < result.history.as_of_us]
