"""States of earlier weeks in the database: kept with results, taken up by the same code only, and nothing is lost with them."""

from dataclasses import replace

import pytest
from sqlalchemy import Engine, delete, func, insert, select, update

from analytics.pipeline import asked, results
from analytics.pipeline.tasks import Outcome, outcome_of, tasks_of
from ingest import database, schema
from ingest.recorder import Recorder
from ingest.times import DAY_US
from simulators.scenario import Trouble
from tests.helpers.vehicles import END_US, arrivals, with_registry


def analysed(engine: Engine, as_of_us: int) -> Outcome:
    """The outcome of the vehicle that was heard."""
    heard = select(schema.message.c.vehicle_id).limit(1)
    with engine.connect() as connection:
        (task,) = tasks_of(connection, database.address(engine), as_of_us, [connection.execute(heard).scalar_one()])
    return outcome_of(replace(task, wants_trends=False))


def kept(engine: Engine, outcome: Outcome) -> list[int]:
    """Until when the states reach that are kept with an outcome, of whatever step."""
    with database.writing(engine) as connection:
        results.keep(connection, outcome)
        table = schema.checkpoint
        return list(connection.execute(select(table.c.until_us).distinct().order_by(table.c.until_us)).scalars())


@pytest.mark.usefixtures("in_this_process")
def test_states_are_kept_with_results(engine: Engine) -> None:
    """On both databases: those of the latest day and two weeks. Without them, and beside those of other code, the answer is the same."""
    with_registry(engine)
    everything = arrivals("HS-101", (Trouble("reservoir_loss", 30, 22, ratio=2.0),), days=60)
    Recorder(engine, "test").record(everything[:-40])
    first = analysed(engine, END_US - 9 * DAY_US)
    assert first.checkpoints is not None
    before = kept(engine, first)
    assert analysed(engine, END_US - 9 * DAY_US) == replace(first, checkpoints=None)  # what is kept stands

    Recorder(engine, "test").record(everything[-40:])
    later = analysed(engine, END_US)
    after = kept(engine, later)
    assert len(before) == len(after) == 3
    assert before[-1] < after[-1] < END_US - DAY_US // 2 < after[-1] + DAY_US

    table = schema.checkpoint
    with database.writing(engine) as connection:
        connection.execute(update(table).values(made_by=b"other code", state=b"of another kind"))
    anew = analysed(engine, END_US)
    assert replace(anew, checkpoints=None) == replace(later, checkpoints=None)
    assert kept(engine, anew) == after
    with database.writing(engine) as connection:
        assert connection.scalar(select(func.count()).where(table.c.made_by == b"other code")) == 0
        connection.execute(delete(table))
    assert replace(analysed(engine, END_US), checkpoints=None) == replace(later, checkpoints=None)
    assert {finding.kind for finding in later.findings} == {"reservoir_loss"}


@pytest.mark.usefixtures("in_this_process")
def test_who_asks_of_times_past_leaves_one_state_to_the_next(engine: Engine) -> None:
    """On both databases: beside those of the newest results, and in place of the one that was left before."""
    with_registry(engine)
    Recorder(engine, "test").record(arrivals("HS-101", (), days=60))
    newest = kept(engine, analysed(engine, END_US))
    table, left = schema.checkpoint, list[int]()
    for days in (30, 21):
        at_us = END_US - days * DAY_US
        told = analysed(engine, at_us)
        asked.keep(engine, at_us, [told])
        with engine.connect() as connection:
            untils = list(connection.execute(select(table.c.until_us).distinct().order_by(table.c.until_us)).scalars())
        assert untils[1:] == newest
        assert untils[0] < at_us
        left.append(untils[0])
        with database.writing(engine) as connection:
            others = connection.execute(select(table)).all()
            connection.execute(delete(table))
        assert replace(analysed(engine, at_us), checkpoints=None) == replace(told, checkpoints=None)
        with database.writing(engine) as connection:
            connection.execute(insert(table), [row._asdict() for row in others])
    assert left[0] < left[1]
