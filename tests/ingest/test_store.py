"""The database: every message once, whatever the order and number of its arrivals."""

import gc
import json
import random
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import msgspec
import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Engine, event, func, select, text
from sqlalchemy.exc import OperationalError, StatementError

from ingest import database, reading, schema, totals
from ingest.errors import Problem
from ingest.messages import KINDS, AnyMessage, Arrival, Cycle, Decoded, Fault, Ignition, Level, State, Trace, topic
from ingest.recorder import Recorder, find_vehicles, know_vehicles
from ingest.rows import FILLED, _shape, row_of
from ingest.times import EPOCH, rfc3339
from tests.helpers.messages import AT, level, rows


def test_a_repetition_is_counted_and_changes_nothing(engine: Engine) -> None:
    """In one batch, in the next, and whole batches again."""
    recorder = Recorder(engine, "test")
    first = recorder.record([level(1), level(1), level(2)])
    again = recorder.record([level(1), level(2)])
    assert (first.recorded["level"], first.duplicates) == (2, 1)
    assert (again.recorded.total(), again.duplicates) == (0, 2)
    assert [row["seq"] for row in rows(engine)] == [1, 2]


@pytest.mark.parametrize("number", [3, 150])
def test_vehicles_are_found_by_fleet_and_name(engine: Engine, number: int) -> None:
    """Few or many: each that is asked for and known, and no other of its fleet or its name."""
    names = [(fleet, f"v{n}") for fleet in ("a", "b") for n in range(number)]
    with database.writing(engine) as connection:
        made = know_vehicles(connection, names)
        assert sorted(made) == sorted(names)
        assert know_vehicles(connection, names) == made
        asked = [*names[1:number], ("b", "v0"), ("c", "v1"), ("a", "nobody")]
        assert find_vehicles(connection, asked) == {name: made[name] for name in [*names[1:number], ("b", "v0")]}
    assert len(set(made.values())) == 2 * number


def test_names_are_unique_across_kinds(engine: Engine) -> None:
    """One counter numbers all kinds of a boot; another boot starts afresh."""
    fault = Arrival(
        topic("f", "v", "fault"), json.dumps({"seq": 1, "at": AT, "code": "level_low", "active": True}).encode(), None
    )
    tally = Recorder(engine, "test").record([level(1), fault, level(1, boot="2")])
    assert tally.recorded == {"level": 2}
    assert tally.duplicates == 1


def test_the_earliest_receipt_counts(engine: Engine) -> None:
    """Whichever order the receipts come in."""
    recorder = Recorder(engine, "test")
    recorder.record([level(1, received_us=2_000, sent_at="2026-03-01T06:00:02Z"), level(2)])
    recorder.record([level(1, received_us=1_000, sent_at="2026-03-01T06:00:01Z"), level(2, received_us=5_000)])
    recorder.record([level(1, received_us=3_000), level(2)])
    assert [row["received_us"] for row in rows(engine)] == [1_000, 5_000]


def test_a_contradiction_keeps_the_first_and_quarantines_the_other(engine: Engine) -> None:
    """Two messages of one name that say different things are a broken controller."""
    recorder = Recorder(engine, "test")
    recorder.record([level(1, 50.0)])
    tally = recorder.record([level(1, 60.0)])
    assert tally.duplicates == 1
    assert rows(engine)[0]["level_pct"] == 50.0
    with engine.connect() as connection:
        kept = connection.execute(select(schema.quarantine)).one()
    assert b"60.0" in kept.payload
    assert kept.code == "contradiction"


def test_a_name_is_taken_whatever_month_it_comes_again_with(engine: Engine) -> None:
    """Another time is another saying: the first stays. Clocks gone wrong, years 1 and 9999, have names as well."""
    recorder = Recorder(engine, "test")
    times = [AT, "2026-05-01T00:00:00Z", "1970-01-01T00:00:00Z", "9999-01-01T00:00:00Z", "0001-01-01T00:00:00Z"]
    for first in range(len(times)):
        tally = recorder.record([level(first, at=times[first])])
        assert tally.recorded["level"] == 1
        for other in times[:first] + times[first + 1 :]:
            tally = recorder.record([level(first, at=other)])
            assert (tally.recorded.total(), tally.duplicates) == (0, 1)
    tally = recorder.record([level(9, at=at) for at in times])
    assert (tally.recorded.total(), tally.duplicates) == (1, 4)
    assert [row["seq"] for row in rows(engine)] == [0, 1, 2, 3, 4, 9]
    with engine.connect() as connection:
        held = connection.execute(select(schema.quarantine.c.code)).scalars().all()
        taken = connection.execute(select(schema.name_range.c.first_seq, schema.name_range.c.last_seq)).all()
    assert held == ["contradiction"] * 24
    assert sorted(map(tuple, taken)) == [(0, 4), (9, 9)]


def test_two_recorders_take_the_same_names_at_once(engine: Engine) -> None:
    """In whatever order they come: each message once, none lost, nobody stuck."""
    arrivals = [
        level(n, vehicle=f"v{n % 7}", at=f"2026-{1 + n % 12:02d}-01T00:00:00Z", received_us=n) for n in range(1200)
    ]

    def work(seed: int) -> int:
        dice, recorder, recorded = random.Random(seed), Recorder(engine, f"r{seed}"), 0
        mine = dice.sample(arrivals, len(arrivals))
        for start in range(0, len(mine), 100):
            while True:
                try:
                    recorded += recorder.record(mine[start : start + 100]).recorded.total()
                    break
                except OperationalError:  # the other writer holds SQLite's lock
                    continue
        return recorded

    with ThreadPoolExecutor(4) as pool:
        assert sum(pool.map(work, range(4))) == 1200
    assert [row["seq"] for row in rows(engine)] == list(range(1200))


def test_what_is_no_message_goes_to_quarantine(engine: Engine) -> None:
    """Topic, payload, reason and time are kept; the rest of the batch is recorded."""
    bad = Arrival("lube/1/f/v/level", b"\xff{", 77)
    huge = Arrival("lube/1/f/v/level", b"x" * 200_000, None)
    tally = Recorder(engine, "test").record([bad, level(1), huge])
    assert (tally.rejected, tally.recorded["level"]) == (2, 1)
    with engine.connect() as connection:
        kept = connection.execute(select(schema.quarantine).order_by(schema.quarantine.c.id)).all()
        assert totals.status(connection)["rejected"] == 2
    assert (kept[0].topic, kept[0].payload, kept[0].received_us) == (bad.topic, bad.payload, 77)
    assert len(kept[1].payload) == 64 * 1024


def test_a_will_adds_no_row_and_sets_the_state(engine: Engine) -> None:
    """Only where its receipt is known, and never over a newer one."""
    recorder = Recorder(engine, "test")

    def will(online: bool, received_us: int | None) -> Arrival:
        return Arrival(topic("f", "v", "state"), json.dumps({"online": online}).encode(), received_us)

    tally = recorder.record([will(True, 10), will(False, 5), will(False, None)])
    assert tally.wills == 3
    assert rows(engine) == []
    with engine.connect() as connection:
        assert connection.execute(select(schema.vehicle.c.online)).scalar_one() is True


def test_unregistered_vehicles_are_kept_and_counted(engine: Engine) -> None:
    """Nothing is lost for want of a registry."""
    Recorder(engine, "test").record([level(1, vehicle="a"), level(1, vehicle="b")])
    with engine.connect() as connection:
        status = totals.status(connection)
    assert (status["vehicles"], status["unregistered_vehicles"], status["recorded"]["level"]) == (0, 2, 2)


def test_readings_come_back_as_they_were(engine: Engine) -> None:
    """Vectors of different channel lists meet in one table; what is missing is NaN; traces come back."""

    def cycle(seq: int, peaks: dict[str, float | None], **more: Any) -> Arrival:
        payload = {"seq": seq, "at": AT, "cycle_no": seq, "run_s": 90, "peak_kpa": peaks} | more
        return Arrival(topic("f", "v", "cycle"), json.dumps(payload).encode(), None)

    trace = {"a": {"dt_s": 0.5, "kpa": [0, 10, 20]}}
    Recorder(engine, "test").record(
        [
            cycle(1, {"b": 2000, "a": 1000}),
            cycle(2, {"a": 1500, "b": None}),
            cycle(3, {}, rest_kpa={"c": 7}, trace=trace),
        ]
    )
    with engine.connect() as connection:
        found = reading.read_messages(connection, 1)
        traces = connection.execute(select(schema.message.c.trace).where(schema.message.c.seq == 3)).scalar_one()
    assert found.cycles.channels == ("a", "b", "c")
    assert found.cycles.peak_kpa[0].tolist()[:2] == [1000, 2000]
    assert found.cycles.peak_kpa[1][0] == 1500
    assert str(found.cycles.peak_kpa[1][1]) == "nan"
    assert found.cycles.rest_kpa[2][2] == 7
    assert msgspec.msgpack.decode(traces) == trace


@pytest.mark.parametrize("together", [True, False])
def test_a_list_of_channels_made_to_have_anothers_number_names_nothing_of_that(
    engine: Engine, monkeypatch: pytest.MonkeyPatch, together: bool
) -> None:
    """Whoever publishes for one vehicle cannot rename another's pressures: in one batch, or first, or later; what comes again is known."""
    for module in ("rows", "recorder"):
        monkeypatch.setattr(f"ingest.{module}.list_number", lambda names: 2**63 - 1)
    monkeypatch.setattr("ingest.rows._shape", _shape.__wrapped__)

    def cycle(vehicle: str, seq: int, *peaks: str) -> Arrival:
        read = {
            "seq": seq,
            "at": AT,
            "cycle_no": seq,
            "run_s": 90,
            "peak_kpa": dict.fromkeys(peaks, 1000.0 + seq),
            "rest_kpa": {"r": 5},
        }
        return Arrival(topic("f", vehicle, "cycle"), json.dumps(read).encode(), None)

    sent = [cycle("evil", 1, "y", "z"), cycle("v", 2, "a", "b"), cycle("evil", 3, "x"), cycle("v", 4, "a", "b")]
    for batch in [sent] if together else [[one] for one in sent]:
        Recorder(engine, "test").record(batch)
    again = Recorder(engine, "test").record(sent[::-1])
    assert (again.duplicates, again.rejected, again.recorded.total()) == (4, 0, 0)
    with engine.connect() as connection:
        assert not connection.scalar(select(func.count()).select_from(schema.quarantine))
        ids = dict(connection.execute(select(schema.vehicle.c.vehicle, schema.vehicle.c.id)).all())
        found = {name: reading.read_messages(connection, id_).cycles for name, id_ in ids.items()}
    assert found["v"].channels == ("a", "b", "r")
    assert found["v"].peak_kpa[:, :2].tolist() == [[1002, 1002], [1004, 1004]]
    assert found["v"].rest_kpa[:, 2].tolist() == [5, 5]
    assert found["evil"].channels == ("r", "x", "y", "z")


def test_a_clock_ahead_of_everybody_is_not_believed(engine: Engine) -> None:
    """The newest time leaves out what is a day ahead of every other vehicle's, where no receipt is known."""
    recorder = Recorder(engine, "test")
    recorder.record([level(1), level(1, vehicle="w"), level(2, vehicle="w", at="2100-01-01T00:00:00Z")])
    with engine.connect() as connection:
        assert rfc3339(totals.newest_at_us(connection) or 0) == AT


def test_migrations_make_todays_tables(engine: Engine) -> None:
    """An empty database that is upgraded has exactly the tables of the schema."""
    with engine.connect() as connection:
        opts: dict[str, Any] = {"compare_type": True, "compare_server_default": True}
        opts["include_name"] = lambda name, type_, _parents: type_ != "table" or not str(name).startswith("message_")
        context = MigrationContext.configure(connection, opts=opts)
        assert compare_metadata(context, schema.metadata) == []


def test_the_newest_migration_is_told_by_its_file() -> None:
    """Opening a database does not read them all."""
    assert database.head() == ScriptDirectory.from_config(database.alembic_config()).get_current_head()


def test_an_older_database_is_only_upgraded_when_asked(engine: Engine) -> None:
    """Other commands say so in one line and leave it alone."""
    with database.writing(engine) as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '0000'"))
    with pytest.raises(Problem, match="run: tallow upgrade"):
        database.open_database(engine.url.render_as_string(hide_password=False))


def test_somebody_elses_database_is_left_alone(tmp_path: Path) -> None:
    """A database with other tables is not one of ours."""
    url = f"sqlite:///{tmp_path / 'other.db'}"
    with database.writing(database.connect(url)) as connection:
        connection.execute(text("CREATE TABLE accounts (id INTEGER)"))
    with pytest.raises(Problem, match="other tables"):
        database.open_database(url)


def test_durability_is_asked_for(engine: Engine) -> None:
    """What is acknowledged must survive a power cut: the broker forgets it."""
    with engine.connect() as connection:
        if engine.dialect.name == "sqlite":
            assert connection.execute(text("PRAGMA synchronous")).scalar_one() == 2  # FULL
            assert connection.execute(text("PRAGMA journal_mode")).scalar_one() == "wal"
        else:
            assert connection.execute(text("SHOW synchronous_commit")).scalar_one() == "on"


def test_a_failed_batch_leaves_nothing_behind(engine: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    """All of a batch or nothing of it, and the recorder goes on afterwards."""
    recorder = Recorder(engine, "test")
    with monkeypatch.context() as broken:
        broken.setattr(recorder, "_count", lambda *_: (_ for _ in ()).throw(RuntimeError("power cut")))
        with pytest.raises(RuntimeError, match="power cut"):
            recorder.record([level(1)])
    assert rows(engine) == []
    assert recorder.record([level(1)]).recorded["level"] == 1


def test_the_newest_time_does_not_depend_on_the_order_of_receipts(engine: Engine) -> None:
    """A clock far ahead is found out by a receipt, whether that comes first or last."""
    ahead: dict[str, Any] = {"at": "2040-01-01T00:00:00Z", "sent_at": "2040-01-01T00:00:10Z"}
    received = 1_772_000_000_000_000
    for n, order in enumerate(([None, received], [received, None])):
        recorder = Recorder(engine, "test")
        for receipt in order:
            recorder.record([level(9, received_us=receipt, vehicle=f"w{n}", **ahead)])
    with engine.connect() as connection:
        heard = connection.execute(select(schema.vehicle.c.heard_us)).scalars().all()
    assert set(heard) == {received - 10_000_000}


def test_any_year_can_be_printed(engine: Engine) -> None:
    """Also where the offset carries it out of the calendar."""
    Recorder(engine, "test").record([level(1, at="9999-12-31T23:59:59-12:00")])
    with engine.connect() as connection:
        assert totals.status(connection)["newest_at"].startswith("9999-12-31T")


def test_a_foreign_database_is_not_upgraded(tmp_path: Path) -> None:
    """And one of a newer version says so."""
    foreign = database.connect(f"sqlite:///{tmp_path / 'other.db'}")
    with database.writing(foreign) as connection:
        connection.execute(text("CREATE TABLE accounts (id INTEGER)"))
    with pytest.raises(Problem, match="other tables"):
        database.upgrade(foreign)
    newer = database.open_database(f"sqlite:///{tmp_path / 'newer.db'}")
    with database.writing(newer) as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(Problem, match="newer version"):
        database.upgrade(newer)
    foreign.dispose()
    newer.dispose()


def test_a_small_batch_costs_few_statements(engine: Engine) -> None:
    """A broker that leaves twenty messages unacknowledged waits for such a batch: more vehicles and messages are no more statements."""
    recorder, said = Recorder(engine, "test"), list[str]()
    recorder.record([level(1, vehicle=f"v{n}") for n in range(10)])
    event.listen(engine, "before_cursor_execute", lambda _c, _u, statement, *_: said.append(statement))
    recorder.record([level(2 + n % 2, vehicle=f"v{n // 2}") for n in range(20)])
    assert 0 < len(said) <= 8, said


FULL: dict[str, AnyMessage] = {
    "cycle": Cycle(
        seq=1, at=EPOCH, cycle_no=1, run_s=1.0, peak_kpa={"p": 1.0}, manual=True, complete=True, temp_c=1.0, supply_v=24.0,
        rest_kpa={"p": 1.0}, trace={"p": Trace(1.0, [1.0])}, boot="b", sent_at=EPOCH, engine_h=1.0,
    ),
    "level": Level(seq=1, at=EPOCH, level_pct=50.0, temp_c=1.0, tilt_deg=1.0, boot="b", sent_at=EPOCH, engine_h=1.0),
    "fault": Fault(seq=1, at=EPOCH, code="level_low", active=True, channel="p", value=1.0, boot="b", sent_at=EPOCH, engine_h=1.0),
    "ignition": Ignition(seq=1, at=EPOCH, on=True, boot="b", sent_at=EPOCH, engine_h=1.0),
    "state": State(online=True, seq=1, at=EPOCH, firmware="1", boot="b", sent_at=EPOCH, engine_h=1.0),
}  # fmt: skip


@pytest.mark.parametrize("kind", KINDS)
def test_a_kind_fills_its_own_columns_and_no_others(kind: str) -> None:
    """What is inserted of a row is all that it says."""
    message = FULL[kind]
    assert None not in msgspec.structs.astuple(message)
    row = row_of(Decoded("f", "v", kind, message), 1, 2, {})
    assert tuple(place for place, said in enumerate(row) if said is not None) == FILLED[kind]


def test_reading_leaves_the_collecting_of_garbage_as_it_was(engine: Engine) -> None:
    """Also where it breaks off."""
    Recorder(engine, "test").record([level(1)])
    try:
        for collected in (True, False):
            (gc.enable if collected else gc.disable)()
            with engine.connect() as connection:
                assert len(reading.read_messages(connection, 1).levels) == 1
            assert gc.isenabled() == collected
            with engine.connect() as connection, pytest.raises(StatementError):
                reading.read_messages(connection, object())  # type: ignore[arg-type]  # no number of a vehicle
            assert gc.isenabled() == collected
    finally:
        gc.enable()
