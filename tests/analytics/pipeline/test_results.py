"""Several analysers on one database: no vehicle twice at a time, no newer result overwritten, nobody held up for good."""

import csv
import json
import os
import threading
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from msgspec import structs
from sqlalchemy import Engine, event, func, insert, select, update

from analytics.pipeline import claims, results, vehicle_summary
from analytics.pipeline.claims import LEASE_US, vehicles_wanting
from analytics.pipeline.results import Wanting
from analytics.pipeline.tasks import Outcome, Task, outcome_of, outcomes, registered, tasks_of
from analytics.pipeline.watch import look
from analytics.pipeline.workers import Workers, workers
from ingest import database, registry, schema, times
from ingest.errors import Problem
from ingest.messages import Arrival, topic
from ingest.recorder import Recorder
from ingest.times import now_us
from simulators.fleet import write_registry
from tests.helpers.registry_rows import write
from tests.helpers.vehicles import END_H, END_US, arrivals, demo

HOUR_US = 3_600_000_000
NEWS = Wanting(HOUR_US)


@pytest.fixture
def fleet(engine: Engine, tmp_path: Path, in_this_process: None) -> Engine:  # noqa: ARG001
    """The demo's vehicles registered, one of them heard for a week."""
    write_registry(demo(), END_H, tmp_path)
    with database.writing(engine) as connection:
        vehicle_summary.register(connection, tmp_path, 0)
    Recorder(engine, "test").record(arrivals("HS-101", (), days=7))
    return engine


@pytest.fixture
def pool() -> Iterator[Workers]:
    """Threads: what is tested here is what happens around the analysis."""
    made = Workers(lambda: ThreadPoolExecutor(2))
    yield made
    made.close()


def renewed(engine: Engine, pool: Workers, as_of_us: int = END_US, wanting: Wanting | None = None) -> list[str]:
    """The vehicles whose results were made new."""
    return [o.setup.vehicle for o in results.renew(engine, lambda: as_of_us, pool, lambda done, of: None, wanting)]


def claimed(engine: Engine) -> int:
    """How many vehicles are claimed."""
    with engine.connect() as connection:
        return connection.scalar(select(func.count()).select_from(schema.claim)) or 0


def claim(engine: Engine, until_us: int) -> int:
    """Somebody else claims HS-101; its number."""
    vehicle = schema.vehicle
    with database.writing(engine) as connection:
        id_ = connection.scalar(select(vehicle.c.id).where(vehicle.c.vehicle == "HS-101"))
        assert isinstance(id_, int)
        connection.execute(insert(schema.claim).values(vehicle_id=id_, who="another", until_us=until_us))
    return id_


def test_no_claim_is_left_behind(fleet: Engine, pool: Workers) -> None:
    """By whoever came to the end."""
    assert len(renewed(fleet, pool)) == 25
    assert claimed(fleet) == 0


def test_what_another_has_claimed_is_left_to_it(fleet: Engine, pool: Workers) -> None:
    """Until the claim has run out: whoever held it is dead."""
    claim(fleet, now_us() + LEASE_US // 2)
    told = renewed(fleet, pool, wanting=NEWS)
    assert len(told) == 24
    assert "HS-101" not in told
    with database.writing(fleet) as connection:
        connection.execute(update(schema.claim).values(until_us=now_us() - 1))
    assert renewed(fleet, pool, wanting=NEWS) == ["HS-101"]


def test_all_means_all(fleet: Engine, pool: Workers) -> None:
    """Whoever asks for all vehicles waits for what another has in hand."""
    claim(fleet, now_us() + 1_000_000)
    assert Counter(renewed(fleet, pool))["HS-101"] == 1


def test_who_was_taken_for_dead_overwrites_nothing(fleet: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    """A slow analyser whose claim has run out and gone to another: its result is dropped."""
    waits, go_on = threading.Event(), threading.Event()
    slow = Workers(lambda: ThreadPoolExecutor(1))

    def slowly(task: Task) -> Outcome:
        waits.set()
        assert go_on.wait(30)
        return replace(outcome_of(task), notes=["slow"])

    monkeypatch.setattr(results, "outcome_of", slowly)
    told: list[str] = []
    beside = threading.Thread(target=lambda: told.extend(renewed(fleet, slow, wanting=NEWS)))
    beside.start()
    assert waits.wait(30)
    with database.writing(fleet) as connection:
        connection.execute(update(schema.claim).values(who="another"))
    go_on.set()
    beside.join(60)
    slow.close()
    assert told == []
    with fleet.connect() as connection:
        assert connection.execute(select(schema.analysis.c.notes)).all() == []
    assert claimed(fleet) == 25  # of the other


def test_a_slow_batch_stays_claimed(fleet: Engine, pool: Workers, monkeypatch: pytest.MonkeyPatch) -> None:
    """However long it takes, as a whole or one analysis."""
    monkeypatch.setattr(claims, "LEASE_US", 4_000_000)  # longer than a busy machine may hold a thread up
    monkeypatch.setattr(claims, "RENEW_S", 0.2)
    for done, _ in enumerate(results.renew(fleet, lambda: END_US, pool, lambda done, of: None, NEWS), 1):
        if done == 1:
            time.sleep(5)
            with fleet.connect() as connection:
                assert vehicles_wanting(connection, END_US, HOUR_US, 0) == ([], set())
    assert done == 25


def test_two_at_once_share_the_work(fleet: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each vehicle once, whoever does it, as long as both began with news only."""
    monkeypatch.setattr(results, "BATCH", 4)
    pools = [Workers(lambda: ThreadPoolExecutor(1)) for _ in range(2)]
    with ThreadPoolExecutor(2) as both:
        told = [
            vehicle for found in both.map(lambda one: renewed(fleet, one, wanting=NEWS), pools) for vehicle in found
        ]
    assert sorted(told) == sorted(set(told))
    assert len(told) == 25
    assert renewed(fleet, pools[0], wanting=NEWS) == []
    for one in pools:
        one.close()


def test_an_analysis_that_fails_holds_nobody_up(fleet: Engine, pool: Workers, monkeypatch: pytest.MonkeyPatch) -> None:
    """The other vehicles have their results; the failed one is left alone until its claim runs out."""

    def fails(task: Task) -> Outcome:
        if task.vehicle.name == "HS-102":
            raise ZeroDivisionError
        return outcome_of(task)

    monkeypatch.setattr(results, "outcome_of", fails)
    assert len(renewed(fleet, pool, wanting=NEWS)) == 24
    assert claimed(fleet) == 1
    assert renewed(fleet, pool, wanting=NEWS) == []
    monkeypatch.setattr(results, "outcome_of", outcome_of)
    with database.writing(fleet) as connection:
        connection.execute(update(schema.claim).values(until_us=0))
    assert renewed(fleet, pool, wanting=NEWS) == ["HS-102"]


@pytest.mark.parametrize("wrong", [{"filled_us": 1 << 70}, {"revision": None}])
def test_a_result_that_no_column_holds_holds_nobody_up(
    fleet: Engine, pool: Workers, monkeypatch: pytest.MonkeyPatch, wrong: dict[str, Any]
) -> None:
    """It is one vehicle's matter, too, and nothing of it is kept by half."""

    def too_far(task: Task) -> Outcome:
        found = outcome_of(task)
        return replace(found, **wrong) if task.vehicle.name == "HS-102" else found

    monkeypatch.setattr(results, "outcome_of", too_far)
    assert len(renewed(fleet, pool, wanting=NEWS)) == 24
    assert claimed(fleet) == 1
    with fleet.connect() as connection:
        assert connection.scalar(select(func.count()).select_from(schema.analysis)) == 24


def test_a_question_for_a_time_names_the_vehicle_that_cannot_be_analysed(
    fleet: Engine, pool: Workers, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One line, and no answer: without that vehicle it would look whole."""

    def fails(task: Task) -> Outcome:
        if task.vehicle.name == "HS-102":
            raise ZeroDivisionError("by nothing")
        return outcome_of(task)

    monkeypatch.setattr("analytics.pipeline.tasks.outcome_of", fails)
    with pytest.raises(Problem, match=r"harrowmere-stone/HS-102 cannot be analysed, .*ZeroDivisionError: by nothing"):
        list(outcomes(fleet, END_US, pool, lambda done, of: None))


def test_a_pass_costs_what_the_news_costs(fleet: Engine, pool: Workers) -> None:
    """Without news one query for them; after one message one vehicle is read."""
    renewed(fleet, pool)
    said: list[str] = []
    event.listen(fleet, "before_cursor_execute", lambda c, k, statement, *_: said.append(statement))
    assert renewed(fleet, pool, END_US + 1, NEWS) == []
    assert sum("analysis" in one for one in said) == 1
    assert sum(one.startswith("SELECT") for one in said) == 2  # and whether messages of that time are kept in full
    Recorder(fleet, "test").record(arrivals("HS-102", (), days=1)[-1:])
    assert renewed(fleet, pool, END_US + 2, NEWS) == ["HS-102"]


def test_trends_are_made_once_a_day_whether_or_not_there_are_any(fleet: Engine, pool: Workers) -> None:
    """A vehicle too young for a trend costs no more than one that has some, and what is between keeps the time they were made at."""

    def due(as_of_us: int) -> set[str]:
        with fleet.connect() as connection:
            tasks = tasks_of(connection, database.address(fleet), as_of_us, registered(connection))
        return {task.vehicle.name for task in tasks if task.wants_trends}

    assert len(due(END_US)) == 25
    renewed(fleet, pool)
    with fleet.connect() as connection:
        assert not connection.scalar(select(func.count()).select_from(schema.wear))
    assert due(END_US + HOUR_US) == set()
    renewed(fleet, pool, END_US + HOUR_US)
    assert due(END_US + 20 * HOUR_US) == set()
    assert len(due(END_US + 21 * HOUR_US)) == 25


def test_so_many_old_ones_a_pass(fleet: Engine, pool: Workers) -> None:
    """Of those without news; the oldest first, and never one twice."""
    renewed(fleet, pool)
    later = END_US + 2 * HOUR_US
    first = renewed(fleet, pool, later, Wanting(HOUR_US, 10))
    assert len(set(first)) == 10
    second = renewed(fleet, pool, later, Wanting(HOUR_US, 10))
    assert len(set(first) | set(second)) == 20


def test_what_comes_in_the_middle_is_news_again(fleet: Engine, pool: Workers, monkeypatch: pytest.MonkeyPatch) -> None:
    """A message that comes while its vehicle is analysed is seen by the next pass."""
    said = {"seq": 1, "boot": "late", "at": times.rfc3339(END_US - HOUR_US), "level_pct": 50}
    late = [Arrival(topic("harrowmere-stone", "HS-101", "level"), json.dumps(said).encode(), None)]

    def meanwhile(task: Task) -> Outcome:
        if task.vehicle.name == "HS-101":
            Recorder(fleet, "test").record(late)
        return outcome_of(task)

    monkeypatch.setattr(results, "outcome_of", meanwhile)
    assert len(renewed(fleet, pool, wanting=NEWS)) == 25
    monkeypatch.setattr(results, "outcome_of", outcome_of)
    assert renewed(fleet, pool, END_US + 1, NEWS) == ["HS-101"]


def test_a_message_of_a_clock_ahead_is_counted_in_once_its_time_has_come(fleet: Engine, pool: Workers) -> None:
    """It is news that the analysis cannot see yet, and nothing else comes after it."""
    said = {"seq": 1, "boot": "late", "at": times.rfc3339(END_US + 60_000_000), "level_pct": 50}
    Recorder(fleet, "test").record(
        [Arrival(topic("harrowmere-stone", "HS-101", "level"), json.dumps(said).encode(), END_US)]
    )
    assert len(renewed(fleet, pool, wanting=NEWS)) == 25
    assert renewed(fleet, pool, END_US + 59_000_000, NEWS) == []
    assert renewed(fleet, pool, END_US + 61_000_000, NEWS) == ["HS-101"]
    assert renewed(fleet, pool, END_US + 62_000_000, NEWS) == []


def test_a_set_up_to_come_holds_from_its_time_on(
    fleet: Engine, pool: Workers, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Until then the vehicle is where it was, in lists as in its analysis."""
    monkeypatch.setattr(times, "machine_us", lambda: END_US)
    move_us = END_US + 3_600_000_000
    folder = tmp_path / "moved"
    folder.mkdir()
    sheets = []
    for name in ("vehicles.csv", "lines.csv"):
        with (tmp_path / name).open(newline="") as file:
            sheets.append([row for row in csv.DictReader(file) if row["vehicle"] == "HS-101"])
    ((vehicle,), lines) = sheets
    write(folder, [vehicle | {"depot": "Estuary Wharf", "valid_from": times.rfc3339(move_us)}], lines)
    with database.writing(fleet) as connection:
        vehicle_summary.register(connection, folder, END_US)

    def stands() -> str | None:
        table = schema.vehicle_summary
        with fleet.connect() as connection:
            return connection.scalar(select(table.c.depot).where(table.c.vehicle == "HS-101"))

    assert stands() == "Skarvholm Quarry"
    renewed(fleet, pool)
    assert stands() == "Skarvholm Quarry"
    monkeypatch.setattr(times, "machine_us", lambda: move_us + 1)
    assert renewed(fleet, pool, move_us + 1, Wanting(10 * HOUR_US)) == ["HS-101"]
    assert stands() == "Estuary Wharf"


def test_results_of_a_moment_ago_stay(fleet: Engine, pool: Workers) -> None:
    """An analyser whose pass began earlier does not make them older."""
    renewed(fleet, pool, END_US + 60_000_000)
    assert renewed(fleet, pool, END_US, NEWS) == []


@pytest.mark.parametrize("database_url", ["sqlite", pytest.param("postgresql", marks=pytest.mark.long)], indirect=True)
def test_a_vehicle_that_ends_its_process_is_left_for_later(fleet: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    """Those behind it have their turn; it keeps its claim."""
    monkeypatch.setattr(results, "_outcome_or_error", _ends_at_hs_102)
    with workers(1) as pool:
        told = renewed(fleet, pool, wanting=NEWS)
    assert len(told) == 24
    assert "HS-102" not in told
    assert claimed(fleet) == 1


def _ends_at_hs_102(task: Task) -> Outcome:
    if task.vehicle.name == "HS-102":
        os._exit(1)
    return outcome_of(task)


def test_a_pass_can_be_ended_early(fleet: Engine, pool: Workers) -> None:
    """What was claimed and not done is free again."""
    analysed, _ = look(fleet, pool, lambda: END_US, lambda: True)
    assert analysed == 1
    assert claimed(fleet) == 0
    assert look(fleet, pool, lambda: END_US)[0] == 24


def _double(n: int) -> int:
    return 2 * n


def _ends_once(path: str) -> str:
    """Ends its process the first time."""
    marker = Path(path)
    if not marker.exists():
        marker.touch()
        os._exit(1)
    return path


def _ends(_: int) -> int:
    os._exit(1)


@pytest.mark.long
def test_a_lost_process_costs_no_result(tmp_path: Path) -> None:
    """One that is killed in the middle is replaced, and its task done again; one that always dies is told of."""
    with workers(2) as pool:
        tasks = [str(tmp_path / f"m{n}") for n in range(3)]
        assert list(pool.map(_ends_once, tasks)) == tasks
        assert list(pool.map(_double, range(5))) == [0, 2, 4, 6, 8]
        with pytest.raises(Exception, match="processes that analyse end again and again"):
            list(pool.map(_ends, [1]))


def _outcomes(engine: Engine, pool: Workers) -> Sequence[Outcome]:
    return list(outcomes(engine, END_US, pool, lambda done, of: None))


@pytest.mark.filterwarnings(
    "ignore::DeprecationWarning", "ignore::ResourceWarning", "ignore::pytest.PytestUnraisableExceptionWarning"
)
@pytest.mark.parametrize(
    "database_url", ["sqlite"], indirect=True
)  # where results are read from makes no difference to it
@pytest.mark.long
def test_a_cluster_says_the_same(fleet: Engine) -> None:
    """The workers of a Dask cluster and processes of this machine: bit for bit, also where a worker is killed."""
    distributed = pytest.importorskip("distributed")
    with workers(2) as pool:
        here = _outcomes(fleet, pool)
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None, worker_dashboard_address=None, host="127.0.0.1"
    ) as cluster, workers(dask=cluster.scheduler_address) as pool:  # fmt: skip
        assert repr(_outcomes(fleet, pool)) == repr(here)
        told = list[Outcome]()
        for outcome in outcomes(fleet, END_US, pool, lambda done, of: None):
            if not told:
                next(iter(cluster.workers.values())).process.process.kill()
            told.append(outcome)
        assert repr(told) == repr(here)


def test_a_cluster_that_is_not_there_is_told_of(monkeypatch: pytest.MonkeyPatch) -> None:
    """In one line, with the address."""
    pytest.importorskip("distributed")
    monkeypatch.setattr("analytics.pipeline.workers._ANSWERS_S", 1)
    with (
        pytest.raises(Exception, match=r"the Dask scheduler at 127\.0\.0\.1:9 cannot be reached"),
        workers(dask="127.0.0.1:9"),
    ):
        pass


def test_where_a_vehicle_is_goes_by_the_present(fleet: Engine, pool: Workers) -> None:
    """Whoever analyses the past, if only as of the newest message, gives no vehicle back to those whom it left since."""
    with database.writing(fleet) as connection:
        moved = structs.replace(registry.find(connection, "HS-101").newest, depot="Elsewhere", valid_from_us=now_us())
        vehicle_summary.keep(connection, [moved], now_us())
    assert "HS-101" in renewed(fleet, pool, now_us() - HOUR_US)
    kept = schema.vehicle_summary.c
    with fleet.connect() as connection:
        assert connection.scalar(select(kept.depot).where(kept.vehicle == "HS-101")) == "Elsewhere"
