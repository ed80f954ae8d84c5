"""After a prune every answer about the time that is answered for stays what it was, and nothing is recorded again."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, func, select, text

from analytics.pipeline import prune as pruning
from analytics.pipeline import tasks, vehicle_summary
from analytics.pipeline.workers import Workers, workers
from dashboard.cli.options import as_of_us
from ingest import database, retention, schema, times, totals
from ingest.errors import Problem
from ingest.messages import Arrival
from ingest.recorder import Recorder
from ingest.times import DAY_US, LATEST_US
from simulators.fleet import write_registry
from simulators.scenario import Trouble
from tests.helpers.messages import level
from tests.helpers.vehicles import END_H, END_US, arrivals, demo

DAYS = 240
TROUBLES: dict[str, tuple[Trouble, ...]] = {
    "HS-101": (  # one that lasts from the thinned time until today, one that ended in it, one of last week
        Trouble("blocked_line", 215, None, line=5, ratio=4.0, ramp_days=4),
        Trouble("open_line", 190, 170, line=9, ratio=0.1),
        Trouble("blocked_line", 8, None, line=2, ratio=3.0),
    ),
    "HS-103": (  # one that lasts over the beginning of what is answered for, and ends after it
        Trouble("reservoir_loss", 180, 160, ratio=1.9),
        Trouble("timer_mismatch", 70, 10, ratio=0.6),
    ),
    "HS-203": (Trouble("level_sensor", 200, 150, variant="stuck"),),
}


@pytest.fixture(scope="module")
def sent() -> list[Arrival]:
    """Eight months of three vehicles."""
    return [arrival for name, troubles in TROUBLES.items() for arrival in arrivals(name, troubles, DAYS)]


@pytest.fixture(scope="module")
def pool() -> Iterator[Workers]:
    """Processes for the analysis."""
    with workers() as made:
        yield made


def answers(engine: Engine, as_of_us: int, pool: Workers) -> dict[str, Any]:
    return {
        o.setup.vehicle: o
        for o in tasks.outcomes(engine, as_of_us, pool, lambda done, of: None)
        if o.setup.vehicle in TROUBLES
    }


def shown(outcome: Any) -> list[tuple[Any, ...]]:
    return [(f.kind, f.channel, f.began_us, f.detected_us, f.ended_us, f.severity) for f in outcome.findings]


def prune(engine: Engine, pool: Workers, keep_days: int = 20) -> tuple[int, int]:
    return pruning.prune(engine, keep_days, pool, lambda done, of: None)


def messages(engine: Engine) -> int:
    with engine.connect() as connection:
        return connection.scalar(select(func.count()).select_from(schema.message)) or 0


@pytest.mark.parametrize(
    "database_url", [pytest.param("sqlite", marks=pytest.mark.long), "postgresql"], indirect=True
)  # fmt: skip
def test_every_answer_stays(engine: Engine, tmp_path: Path, sent: list[Arrival], pool: Workers) -> None:
    """Findings, fills and days of the whole past, and refill dates, from the first moment that is answered for."""
    write_registry(demo(), END_H, tmp_path)
    with database.writing(engine) as connection:
        vehicle_summary.register(connection, tmp_path, 0)
    recorder = Recorder(engine, "test")
    for start in range(0, len(sent), 2000):
        recorder.record(sent[start : start + 2000])
    since_us = retention.whole_month(END_US - 20 * DAY_US)
    moments = (since_us, END_US)
    before = {at: answers(engine, at, pool) for at in moments}
    held = messages(engine)

    answered_us, gone = prune(engine, pool)
    assert answered_us == since_us
    assert gone > 0.3 * held
    assert messages(engine) < 0.75 * held
    for at in moments:
        for name, now in answers(engine, at, pool).items():
            then = before[at][name]
            assert shown(now) == shown(then)
            assert [(f.at_us, f.detected_us) for f in now.fills] == [(f.at_us, f.detected_us) for f in then.fills]
            # What came after a fill tells its size a little better.
            assert [f.litres for f in now.fills] == pytest.approx([f.litres for f in then.fills], rel=0.01)
            assert [replace(day, level_pct=None) for day in now.days] == [
                replace(day, level_pct=None) for day in then.days
            ]
            levels = [[day.level_pct for day in told.days if day.level_pct is not None] for told in (now, then)]
            assert levels[0] == pytest.approx(levels[1], abs=0.3)
            assert [line.condition for line in now.lines] == [line.condition for line in then.lines]
            due_us, was_us = now.refill.due_expected_us, then.refill.due_expected_us
            assert (due_us is None) == (was_us is None)
            if due_us is not None and was_us is not None:
                assert abs(due_us - was_us) < 0.05 * (was_us - at) + 0.2 * DAY_US, name
    assert {f.kind for o in before[END_US].values() for f in o.findings} >= {
        "blocked_line", "open_line", "reservoir_loss", "timer_mismatch", "level_sensor",
    }  # fmt: skip

    with pytest.raises(Problem, match=f"no answer for .* from {times.rfc3339(since_us)} on"):
        answers(engine, since_us - 1, pool)
    # Everything that comes again is known, and a second prune finds nothing to do and changes nothing.
    tally = recorder.record(sent)
    assert (tally.recorded.total(), tally.duplicates, tally.rejected) == (0, len(sent), 0)
    assert prune(engine, pool) == (since_us, 0)
    for name, again in answers(engine, END_US, pool).items():
        assert shown(again) == shown(before[END_US][name])


def test_a_name_stays_taken_after_its_message_is_gone(engine: Engine, tmp_path: Path, pool: Workers) -> None:
    """At its own time it is a repetition, at another a contradiction; a late message of that time is still new."""
    write_registry(demo(), END_H, tmp_path)
    with database.writing(engine) as connection:
        vehicle_summary.register(connection, tmp_path, 0)
    recorder = Recorder(engine, "test")
    old = [level(n, vehicle="HS-101", at=f"2025-01-10T{n // 60:02d}:{n % 60:02d}:00Z") for n in range(200)]
    recorder.record([*old, level(500, vehicle="HS-101", at="2025-12-20T00:00:00Z")])
    _, gone = prune(engine, pool)
    assert gone == 200 - retention.PER_DAY["level"]
    assert messages(engine) == 1
    assert recorder.record(old).duplicates == 200
    tally = recorder.record(
        [level(7, vehicle="HS-101", at="2025-12-20T00:00:00Z"), level(8, vehicle="HS-101", at="2025-02-20T00:00:00Z")]
    )
    assert (tally.recorded.total(), tally.duplicates) == (0, 2)
    assert recorder.record([level(300, vehicle="HS-101", at="2025-01-11T00:00:00Z")]).recorded["level"] == 1
    with engine.connect() as connection:
        refused = connection.execute(select(schema.quarantine.c.code)).scalars().all()
    assert refused == ["contradiction"]


def test_a_young_message_of_an_old_time_stays(engine: Engine, pool: Workers) -> None:
    """A clock that lost its power says 1970, and one that is behind says last year: their receipt tells their age."""
    received_us = END_US - DAY_US
    young = [
        level(1, at="1970-01-01T00:00:00Z", received_us=received_us),
        level(2, at="2024-11-01T00:00:00Z", received_us=received_us),
    ]
    old = [
        level(3, at="1970-01-01T00:00:00Z", received_us=received_us - 300 * DAY_US),
        level(4, at="2024-11-01T00:00:00Z"),
    ]
    Recorder(engine, "test").record([*young, *old, level(5, at="2025-11-20T00:00:00Z", received_us=received_us)])
    prune(engine, pool)
    with engine.connect() as connection:
        kept = connection.execute(select(schema.message.c.seq).order_by(schema.message.c.seq)).scalars().all()
    assert kept == [1, 2, 5]


def test_a_clock_ahead_lets_go_of_nothing(engine: Engine, pool: Workers) -> None:
    """Of the only vehicle, where no receipt is known: what it said last month is no century old because it says another one today."""
    last_month = times.rfc3339(times.now_us() - 30 * DAY_US)
    Recorder(engine, "test").record([level(1, at=last_month), level(2, at="2150-01-01T00:00:00Z")])
    since_us, gone = prune(engine, pool, 400)
    assert (since_us < times.now_us() - 400 * DAY_US, gone) == (True, 0)
    Recorder(engine, "test").record([level(3, at="9999-12-31T23:00:00Z")])
    with engine.connect() as connection:  # whatever is asked without a time
        assert totals.default_as_of_us(connection) == as_of_us(engine, None) == LATEST_US


def test_a_month_of_which_nothing_came_late_is_dropped_as_a_table(engine: Engine, pool: Workers) -> None:
    """In PostgreSQL; a month with a young message stays for that message's sake."""
    if engine.dialect.name != "postgresql":
        pytest.skip("PostgreSQL only")
    at = {1: "2025-01-10", 2: "2025-02-10", 3: "2025-11-20"}
    received_us = END_US - DAY_US
    Recorder(engine, "test").record(
        [level(n, at=f"{day}T00:00:00Z", received_us=received_us if n > 1 else None) for n, day in at.items()]
    )
    prune(engine, pool)
    with engine.connect() as connection:
        tables = (
            connection.execute(
                text("SELECT inhrelid::regclass::text FROM pg_inherits WHERE inhparent = 'message'::regclass")
            )
            .scalars()
            .all()
        )
    assert {name for name in tables if name.startswith("message_")} == {
        "message_2025_02",
        "message_2025_11",
        "message_other",
    }


def test_who_wants_to_keep_more_later_keeps_what_there_is(engine: Engine, pool: Workers) -> None:
    """What was let go of does not come back, and neither do questions about it; what was kept stays."""
    Recorder(engine, "test").record([level(n, at=f"2025-{n:02d}-10T00:00:00Z") for n in range(1, 13)])
    first, _ = prune(engine, pool, 20)
    assert prune(engine, pool, 200) == (first, 0)
    with engine.connect() as connection:
        assert set(connection.execute(select(schema.archive.c.since_us)).scalars()) == {first}


def test_a_month_that_was_let_go_of_while_a_recorder_knew_it(engine: Engine) -> None:
    """In PostgreSQL: its late message goes where messages of impossible times go, and nobody else stumbles over it."""
    if engine.dialect.name != "postgresql":
        pytest.skip("PostgreSQL only")
    recorder = Recorder(engine, "one")
    recorder.record([level(1, at="2025-01-10T00:00:00Z")])
    with database.writing(engine) as connection:
        connection.exec_driver_sql("DROP TABLE message_2025_01")
    recorder.record([level(2, at="2025-01-11T00:00:00Z")])
    another = Recorder(engine, "two")
    assert another.record([level(3, at="2025-01-12T00:00:00Z")]).recorded["level"] == 1
    assert messages(engine) == 2


def test_traces_and_quarantine_go_by_age(engine: Engine) -> None:
    """A cycle without its trace is still the same message; the counts of what was refused stay."""
    cycle = (
        b'{"seq": %d, "at": "2025-0%d-01T00:00:00Z", "cycle_no": 1, "run_s": 9, "peak_kpa": {},'
        b' "trace": {"a": {"dt_s": 1, "kpa": [1]}}}'
    )
    both = [Arrival("lube/1/f/v/cycle", cycle % (month, month), None) for month in (3, 7)]
    bad = [Arrival("lube/1/f/v/cycle", b"{", received_us) for received_us in (1_000, END_US)]
    recorder = Recorder(engine, "test")
    recorder.record([*both, *bad])
    before_us = retention.whole_month(END_US - 180 * DAY_US)
    assert retention.drop_traces(engine, before_us) == 1
    assert retention.clear_quarantine(engine, before_us) == 1
    assert recorder.record(both).duplicates == 2
    with engine.connect() as connection:
        assert totals.status(connection)["rejected"] == 2
        traces = connection.execute(select(schema.message.c.trace).order_by(schema.message.c.seq)).scalars().all()
    assert [trace is None for trace in traces] == [True, False]
