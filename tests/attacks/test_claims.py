"""Claims never outlive their makers for long: those that were killed, that lost their database, whose clocks are wrong."""

import json
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
import structlog
from sqlalchemy import Engine, delete, insert, select
from sqlalchemy.exc import OperationalError

from analytics.pipeline import claims, depot_days, results
from analytics.pipeline.claims import LEASE_US, claim_vehicles, vehicles_wanting
from analytics.pipeline.results import Wanting
from analytics.pipeline.tasks import Outcome, Task, engine_of, outcome_of
from analytics.pipeline.vehicle_summary import register
from analytics.pipeline.watch import Watch
from analytics.pipeline.workers import TooLong, Workers, workers
from dashboard.cli.options import start_logging
from ingest import database, schema
from ingest.times import DAY_US, now_us
from tests.helpers.registry_rows import LINE, VEHICLE, write

NEWS = Wanting(3_600_000_000)


@pytest.fixture
def three(engine: Engine, tmp_path: Path) -> Iterator[Engine]:
    """Three registered vehicles that nobody has heard."""
    names = [{"vehicle": f"HS-20{n}"} for n in range(3)]
    write(tmp_path, [VEHICLE | name for name in names], [LINE | name for name in names])
    with database.writing(engine) as connection:
        register(connection, tmp_path, 0)
    yield engine
    engine_of(database.address(engine)).dispose()
    engine_of.cache_clear()


@pytest.fixture
def pool() -> Iterator[Workers]:
    made = Workers(lambda: ThreadPoolExecutor(1))
    yield made
    made.close()


def ids(engine: Engine) -> list[int]:
    with engine.connect() as connection:
        return list(connection.execute(select(schema.vehicle.c.id)).scalars())


def renewed(engine: Engine, pool: Workers) -> int:
    return sum(1 for _ in results.renew(engine, now_us, pool, lambda done, of: None, NEWS))


def _endless_at_hs_201(task: Task) -> Outcome | str:
    """In a process of its own: an analysis that goes on for ever, and does not want to be ended."""

    def endless(task: Task) -> Outcome:
        with suppress(TooLong):
            while task.vehicle.name == "HS-201":
                pass
        while task.vehicle.name == "HS-201":
            pass
        return outcome_of(task)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(results, "outcome_of", endless)
        patch.setattr(results, "LONGEST_S", 0.5)
        return _OUTCOME_OR_ERROR(task)


_OUTCOME_OR_ERROR = results._outcome_or_error


def test_a_vehicle_whose_analysis_never_ends_holds_nobody_up(three: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is left for later and told of, as one whose analysis fails; those behind it have their results."""
    monkeypatch.setattr(results, "_outcome_or_error", _endless_at_hs_201)
    with structlog.testing.capture_logs() as told, workers(1) as pool:
        assert renewed(three, pool) == 2
    assert [(one["vehicle"], one["event"]) for one in told] == [("f/HS-201", "an analysis failed; tried again later")]
    assert "it takes more than 0.5 s of a processor's time" in told[0]["error"]
    with three.connect() as connection:
        assert len(connection.execute(select(schema.claim)).all()) == 1


@pytest.mark.parametrize("ahead_us", [LEASE_US + 1_000_000, 400 * DAY_US, 1 << 61])
def test_a_claim_by_a_clock_that_is_ahead_blocks_nobody(three: Engine, pool: Workers, ahead_us: int) -> None:
    """Further ahead than any claim lasts: it counts for nothing."""
    with database.writing(three) as connection:
        rows = [{"vehicle_id": id_, "who": "ahead", "until_us": now_us() + ahead_us} for id_ in ids(three)]
        connection.execute(insert(schema.claim), rows)
    assert renewed(three, pool) == 3


def test_who_was_killed_holds_nobody_up_for_longer_than_a_lease(
    three: Engine, pool: Workers, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nobody renews its claims; whoever asks for all waits that long by itself."""
    monkeypatch.setattr(claims, "LEASE_US", 2_000_000)
    assert claim_vehicles(three, ids(three), "killed") == set(ids(three))
    assert renewed(three, pool) == 0
    done = results.renew(three, now_us, pool, lambda done, of: None)
    assert sum(1 for _ in done) == 3
    assert LEASE_US == 60_000_000
    assert results._PATIENCE * results._LOOK_AGAIN_S > LEASE_US / 1e6


def test_claims_are_let_go_of_when_the_database_is_back(
    three: Engine, pool: Workers, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An analysis that ends because the database is away cannot let go of them; the next pass does before all else."""
    real, away = claims._release, [True]

    def release(*arguments: Any) -> None:
        if away[0]:
            raise OperationalError("DELETE", {}, Exception("the server is away"))
        real(*arguments)

    def fails(*_: object) -> None:
        raise OperationalError("INSERT", {}, Exception("the server is away"))

    monkeypatch.setattr(claims, "_release", release)
    with monkeypatch.context() as gone:
        gone.setattr(results, "keep", fails)
        with pytest.raises(OperationalError):
            renewed(three, pool)
    with three.connect() as connection:
        assert vehicles_wanting(connection, now_us(), 1, 0)[0] == []
    away[0] = False
    assert renewed(three, pool) == 3
    with three.connect() as connection:
        assert connection.execute(select(schema.claim)).all() == []


def test_health_says_when_vehicles_with_news_wait(
    three: Engine, pool: Workers, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever holds them: after two passes that left them, in numbers; and that the database is away at once."""
    watching = Watch(three, pool, 1.0, threading.Event())
    claim_vehicles(three, ids(three)[:2], "another")
    for passes in range(1, 5):
        watching._look()
        assert watching.health()[0] == ("behind" if passes > 2 else "ok")
    assert watching.health()[1].startswith("2 vehicles with news have waited")
    with database.writing(three) as connection:
        connection.execute(schema.claim.delete())
    watching._look()
    assert watching.health() == ("ok", "")

    def away() -> None:
        watching.stop.set()
        raise OperationalError("SELECT", {}, Exception("the server is away"))

    watching._often("look", away, 0.01)
    assert watching.health() == ("waiting", "the database is away")

    def refuses(_: object) -> None:
        raise OperationalError("SELECT", {}, Exception("the server is away"))

    told: list[str] = []

    def started(status: str, *_: object) -> Any:
        told.append(status)

    with monkeypatch.context() as gone:
        gone.setattr(Engine, "connect", refuses)
        request = {"PATH_INFO": "/metrics", "REQUEST_METHOD": "GET"}
        answer = b"".join(watching.answers()(request, started))
    assert told == ["200 OK"]
    assert "tallow_database_away 1.0" in answer.decode()


def test_two_watches_count_the_days_of_depots_at_once(three: Engine) -> None:
    """Neither fails for the other's sake, and each day is there once."""
    table, together = schema.depot_day, threading.Barrier(2)

    def count(_: int) -> None:
        together.wait()
        depot_days.keep(three, now_us())

    with ThreadPoolExecutor(2) as two:
        for _ in range(10):
            with database.writing(three) as connection:
                connection.execute(delete(table))
            list(two.map(count, range(2)))
    with three.connect() as connection:
        assert [row.heard for row in connection.execute(select(table))] == [0]


def test_what_failed_is_logged_with_its_reason(capsys: pytest.CaptureFixture[str]) -> None:
    """Whoever reads the log of a machine finds out why."""
    before = structlog.get_config()
    start_logging()
    try:
        raise ValueError("the reason")
    except ValueError:
        structlog.get_logger("tallow.test").exception("a pass failed")
    finally:
        structlog.configure(**before)
    assert "ValueError: the reason" in json.loads(capsys.readouterr().out)["exception"]
