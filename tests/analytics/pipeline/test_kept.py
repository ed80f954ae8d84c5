"""Results that are kept are the answer as long as nothing new is recorded, and only then."""

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, nullcontext
from dataclasses import replace
from typing import Any
from uuid import uuid4

import pytest
from sqlalchemy import Engine, delete, event, func, null, select, update

from analytics.alarms import depots
from analytics.pipeline import asked, kept, results, tasks, vehicle_summary
from analytics.pipeline.kept import count_current, read_fills, read_findings, read_refills
from analytics.pipeline.workers import Workers
from dashboard.cli import analysis
from ingest import database, registry, schema, work_records
from ingest.recorder import Recorder
from ingest.times import DAY_US, rfc3339
from ingest.work import work_of
from simulators.fleet import write_registry
from simulators.scenario import Trouble
from tests.conftest import empty_database
from tests.helpers.vehicles import END_H, END_US, arrivals, demo

BLOCKED = Trouble("blocked_line", 5.0, line=5, ratio=4.0)


@pytest.fixture(scope="module")
def pool() -> Iterator[Workers]:
    made = Workers(lambda: ThreadPoolExecutor(2))
    yield made
    made.close()


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def fleet(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Engine]:
    """Four of the demo's vehicles, one of them heard for two weeks with a blocked line."""
    folder, story = tmp_path_factory.mktemp("kept"), demo()
    engine = database.open_database(empty_database(request, folder))
    write_registry(replace(story, machines=story.machines[:4]), END_H, folder)
    with database.writing(engine) as connection:
        vehicle_summary.register(connection, folder, 0)
    Recorder(engine, "test").record(arrivals("HS-102", (BLOCKED,), days=14))
    tasks.engine_of(database.address(engine))  # before two threads make one each
    yield engine
    tasks.engine_of(database.address(engine)).dispose()
    tasks.engine_of.cache_clear()
    engine.dispose()


@pytest.fixture
def analysed(fleet: Engine, pool: Workers) -> Engine:
    """The fleet as each test left it, analysed as of the end."""
    list(results.renew(fleet, lambda: END_US, pool, lambda done, of: None))
    assert current(fleet) == 4
    return fleet


def current(engine: Engine, as_of_us: int = END_US) -> int | None:
    with engine.connect() as connection:
        return count_current(connection, as_of_us)


def test_they_are_the_answer_of_an_analysis(analysed: Engine, pool: Workers) -> None:
    """To the letter that the command line prints."""
    made = list(tasks.outcomes(analysed, END_US, pool, lambda done, of: None))
    with analysed.connect() as connection:
        assert count_current(connection, END_US) == 4
        found, refills, fills = read_findings(connection), read_refills(connection), read_fills(connection)
    assert [f.as_json(fleet, name) for fleet, name, f in found] == [
        f.as_json(o.setup.fleet, o.setup.vehicle) for o in made for f in o.findings
    ]
    assert any(f.kind == "blocked_line" for _, _, f in found)
    assert [(r.as_json(fleet, name), zone) for fleet, name, zone, r in refills] == [
        (o.refill.as_json(o.setup.fleet, o.setup.vehicle), o.setup.timezone) for o in made
    ]
    assert fills
    assert fills == [(o.setup.fleet, o.setup.vehicle, o.setup.timezone, fill) for o in made for fill in o.fills]


def test_fills_that_were_not_kept_are_none(analysed: Engine) -> None:
    """Of results that were made before they were: nobody says that there were none."""
    table = schema.analysis
    with database.writing(analysed) as connection:
        connection.execute(update(table).values(fills=null()))
    with analysed.connect() as connection:
        assert read_fills(connection) is None


def _message(engine: Engine) -> None:
    """One that was not recorded before."""
    with engine.connect() as connection:
        mine = schema.message.c.vehicle_id == registry.find(connection, "HS-103").id
        number = connection.scalar(select(func.count()).select_from(schema.message).where(mine)) or 0
    Recorder(engine, "test").record(arrivals("HS-103", (), days=1)[number : number + 1])


def _work(engine: Engine) -> None:
    with database.writing(engine) as connection:
        vehicle = registry.find(connection, "HS-104")
        said = {"key": uuid4().hex, "kind": "bled", "at_us": END_US, "by": "P. Varnholt"}
        work_records.record(connection, vehicle.id, vehicle.setups, work_of(said), END_US)


def _lead_time(engine: Engine) -> None:
    with database.writing(engine) as connection:
        now = depots.depot(connection, "Skarvholm Quarry")
        depots.keep_depot(connection, depots.wished(now, now.lead_days + 1, None, None))


def test_whatever_is_recorded_makes_them_old(analysed: Engine, pool: Workers, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of any vehicle, since others lend one their calendar; another time and another version of the program are other questions."""
    for change in (_message, _work, _lead_time):
        change(analysed)
        assert current(analysed) is None, change
        list(results.renew(analysed, lambda: END_US, pool, lambda done, of: None))
        assert current(analysed) == 4
    assert current(analysed, END_US - 1) is None
    monkeypatch.setattr(kept, "program", lambda: "9.9")
    assert current(analysed) is None


def test_nothing_new_costs_a_few_queries(analysed: Engine, monkeypatch: pytest.MonkeyPatch, capsys: Any) -> None:
    """`tallow analyse` once more analyses nothing; with news it analyses."""

    def none_made(*_: object, **_named: object) -> Any:
        raise AssertionError("processes were begun")

    asked = list[str]()

    def count(_connection: Any, _cursor: Any, statement: str, *_: Any) -> None:
        asked.append(statement)

    monkeypatch.setattr("analytics.pipeline.workers.workers", none_made)
    monkeypatch.setattr(analysis, "open_existing", lambda _url: analysed)
    event.listen(analysed, "before_cursor_execute", count)
    analysis.analyse(as_of=rfc3339(END_US), database="")
    event.remove(analysed, "before_cursor_execute", count)
    assert capsys.readouterr().out == "Nothing new: 4 vehicles are up to date.\n"
    assert len([one for one in asked if one.lstrip().upper().startswith("SELECT")]) <= 4
    _message(analysed)
    with pytest.raises(AssertionError, match="processes were begun"):
        analysis.analyse(as_of=rfc3339(END_US), database="")


def _printed(command: Any, capsys: Any, as_of_us: int = END_US - DAY_US) -> str:
    command(as_json=True, as_of=rfc3339(as_of_us), database="")
    return str(capsys.readouterr().out)


COMMANDS = (analysis.findings, analysis.refills, analysis.fills)


def test_a_time_is_analysed_once_for_all_commands(
    analysed: Engine, pool: Workers, monkeypatch: pytest.MonkeyPatch, capsys: Any
) -> None:
    """What is asked of some past time is kept, and printed to the letter by each command, until anything is recorded."""
    begun = list[str]()

    @contextmanager
    def counted(**_named: object) -> Iterator[Workers]:
        begun.append("once")
        yield pool

    monkeypatch.setattr("analytics.pipeline.workers.workers", counted)
    monkeypatch.setattr(analysis, "open_existing", lambda _url: analysed)
    alone = list[str]()
    for command in COMMANDS:
        with database.writing(analysed) as connection:
            connection.execute(delete(schema.asked))
        alone.append(_printed(command, capsys))
    assert len(begun) == 3
    assert '"blocked_line"' in alone[0]
    assert [_printed(command, capsys) for command in COMMANDS] == alone
    assert len(begun) == 3
    for change in (_message, _work, _lead_time):
        _printed(analysis.fills, capsys)
        before = len(begun)
        change(analysed)
        for command in COMMANDS:
            _printed(command, capsys)
        assert len(begun) == before + 1, change


def test_where_nothing_may_be_written_it_is_analysed_each_time(
    analysed: Engine, pool: Workers, monkeypatch: pytest.MonkeyPatch, capsys: Any
) -> None:
    monkeypatch.setattr("analytics.pipeline.workers.workers", lambda **_named: nullcontext(pool))
    monkeypatch.setattr(analysis, "open_existing", lambda _url: analysed)
    on_sqlite = analysed.dialect.name == "sqlite"

    def read_only(connection: Any) -> None:
        connection.exec_driver_sql("PRAGMA query_only=ON" if on_sqlite else "SET TRANSACTION READ ONLY")

    with database.writing(analysed) as connection:
        connection.execute(delete(schema.asked))
    event.listen(analysed, "begin", read_only)
    try:
        first = _printed(analysis.findings, capsys)
        assert '"blocked_line"' in first
        assert _printed(analysis.findings, capsys) == first
    finally:
        event.remove(analysed, "begin", read_only)
        analysed.dispose()
    with analysed.connect() as connection:
        assert connection.scalar(select(func.count()).select_from(schema.asked)) == 0


def test_the_oldest_answers_go_first(analysed: Engine, pool: Workers, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(asked, "_MOST_TIMES", 2)
    made = list(tasks.outcomes(analysed, END_US, pool, lambda done, of: None))
    for n in range(4):
        asked.keep(analysed, END_US - n, made)
    with analysed.connect() as connection:
        times = connection.execute(
            select(schema.asked.c.as_of_us).distinct().order_by(schema.asked.c.as_of_us)
        ).scalars()
        assert list(times) == [END_US - 3, END_US]
        assert asked.read(connection, END_US) == [asked.answer_of(one) for one in made]
