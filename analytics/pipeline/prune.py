"""Keeping what was found, and thinning the messages it was found in."""

from collections.abc import Callable
from functools import partial
from typing import Final
from zoneinfo import ZoneInfo

from sqlalchemy import Engine, delete, insert, select

from analytics.account.greased import Kept, kept_of
from analytics.pipeline.account import keep_greased, known_from
from analytics.pipeline.tasks import Task, batches, kept_since_us, result_of
from analytics.pipeline.workers import Workers
from analytics.vehicle import daily
from analytics.vehicle.archive import Past
from analytics.vehicle.doses import doses
from analytics.vehicle.hand_doses import hand_doses, with_hand
from ingest import retention, schema, stands, times
from ingest.database import writing
from ingest.errors import Problem
from ingest.setups import Setup
from ingest.times import DAY_US, instant
from ingest.totals import newest_at_us

# A forecast looks back over twelve weeks; everything else forgets sooner.
WARM_UP_DAYS: Final = 91


def prune(engine: Engine, keep_days: int, pool: Workers, progress: Callable[[int, int], None]) -> tuple[int, int]:
    """Keep what was found, and thin the messages it was found in: (from when on questions are answered, messages let go
    of). Raises Problem where nothing is recorded.

    Messages stay in full for WARM_UP_DAYS longer, for what an analysis has to have seen before.
    """
    with engine.connect() as connection:
        newest_us = newest_at_us(connection)
        if newest_us is None:
            raise Problem("nothing is recorded yet, so there is nothing to prune")
        now_us = min(newest_us, times.now_us())  # what is let go of because a clock was ahead does not come back
        # What was let go of does not come back, whoever wants to keep more later.
        since_us = max(retention.whole_month(now_us - keep_days * DAY_US), kept_since_us(connection))
        known = set(connection.execute(select(schema.vehicle.c.id)).scalars())
    before_us = retention.whole_month(since_us - WARM_UP_DAYS * DAY_US)
    kept = set[int]()
    for tasks, number in batches(engine, now_us):
        for task, (past, setup, greased) in zip(tasks, pool.map(partial(_past, since_us=since_us), tasks), strict=True):
            id_ = task.vehicle.id
            progress(len(kept), number)
            _keep_past(engine, id_, past)
            with writing(engine) as connection:  # of what is let go of, too: nobody can work it out later
                keep_greased(connection, id_, setup, greased, known_from(task.past, setup.timezone))
            kept.add(id_)
    for id_ in sorted(known - kept):  # not registered: nothing is looked for
        _keep_past(engine, id_, Past(since_us, now_us, (), (), ()))
    with writing(engine) as connection:
        stands.prune(connection, times.now_us())
        connection.execute(delete(schema.asked))
    return since_us, retention.thin(engine, before_us, progress)


def _keep_past(engine: Engine, vehicle_id: int, past: Past) -> None:
    table = schema.archive
    with writing(engine) as connection:
        connection.execute(delete(table).where(table.c.vehicle_id == vehicle_id))
        connection.execute(insert(table).values(vehicle_id=vehicle_id, **past.as_json()))


def _past(task: Task, since_us: int) -> tuple[Past, Setup, Kept]:
    """What is kept of a vehicle: the past, and whether its points got their grease."""
    result = result_of(task)
    zone = ZoneInfo(result.history.setup.timezone)
    first_day = instant(since_us).astimezone(zone).date()
    past = Past(
        since_us,
        task.as_of_us,
        tuple(finding for finding in result.findings if finding.began_us < since_us),
        tuple(fill for fill in result.fills if fill.at_us < since_us),
        tuple(one for one in daily.days(result) if one.day < first_day),
    )
    return past, result.history.setup, kept_of(with_hand(doses(result), hand_doses(result)), result.history.setups)
