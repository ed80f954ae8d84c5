"""More than anybody can have: channels invented with each message, vehicles that nobody registered."""

import json
import resource
import time
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, event, func, select, update

from analytics.vehicle.analysis import analyse
from analytics.vehicle.data_notes import notes
from ingest import database, quarantine, reading, registry, schema, strangers
from ingest.messages import Arrival, topic
from ingest.reading import MOST_UNLISTED
from ingest.recorder import Recorder
from ingest.times import DAY_US, now_us, read_time, rfc3339
from tests.helpers.databases import sqlite_at
from tests.helpers.messages import level
from tests.helpers.registry_rows import LINE, VEHICLE, write

AT = "2026-03-01T06:00:00Z"
FLOODS = [pytest.param((60, 200), id="short"), pytest.param((800, 250), id="long", marks=pytest.mark.long)]


def cycle(
    seq: int, peaks: dict[str, float], vehicle: str = VEHICLE["vehicle"], fleet: str = VEHICLE["fleet"]
) -> Arrival:
    said: dict[str, Any] = {"seq": seq, "at": AT, "cycle_no": seq, "run_s": 90, "peak_kpa": peaks}
    return Arrival(topic(fleet, vehicle, "cycle"), json.dumps(said).encode(), None)


@pytest.mark.parametrize("size", FLOODS)
def test_invented_channels_cost_no_memory(tmp_path: Path, size: tuple[int, int]) -> None:
    """Other names in each message: the listed channel is analysed as ever, 64 others are, the rest is counted and told of."""
    messages, each = size
    engine = sqlite_at(tmp_path / "tallow.db")
    write(tmp_path, [VEHICLE], [LINE | {"channel": "own"}])
    with database.writing(engine) as connection:
        registry.register(connection, tmp_path, 0)
    recorder = Recorder(engine, "test")
    for n in range(messages):
        recorder.record([cycle(n, {"own": 2_000.0} | {f"x{n}-{m}": 1.0 for m in range(each)})])
    before_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with engine.connect() as connection:
        (vehicle,) = registry.read_vehicles(connection)
        held = reading.read_messages(connection, vehicle.id)
    assert len(held.cycles.channels) == MOST_UNLISTED + 1
    assert held.cycles.peak_kpa[:, held.cycles.channels.index("own")].tolist() == [2_000.0] * messages
    assert held.cycles.left_out == min(messages * each, reading.MOST_COUNTED) - MOST_UNLISTED
    result = analyse(held, vehicle.setups, read_time(AT) + DAY_US)
    assert any(f"and {held.cycles.left_out} more" in note for note in notes(result))
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kb < 300_000
    engine.dispose()


def test_which_channels_are_looked_at_does_not_depend_on_the_order(engine: Engine) -> None:
    """Nor on how many messages named them."""
    names = [f"c{n:03}" for n in range(200)]
    for vehicle, order in (("a", names), ("b", names[::-1])):
        recorder = Recorder(engine, "test")
        for n, name in enumerate(order):
            recorder.record([cycle(n, {name: 1.0}, vehicle)])
    with engine.connect() as connection:
        ids = connection.execute(select(schema.vehicle.c.id).order_by(schema.vehicle.c.vehicle)).scalars().all()
        first, second = (reading.read_messages(connection, id_).cycles.channels for id_ in ids)
    assert first == second == tuple(names[:MOST_UNLISTED])


def readings(number: int, boot: str) -> list[dict[str, Any]]:
    """Levels that jump up and down."""
    return [{"level_pct": 50 + n * 37 % 50, "boot": boot.format(n)} for n in range(number)]


def meters(number: int, boot: str) -> list[dict[str, Any]]:
    """Hours that seem to be read elsewhere."""
    return [{"online": True, "engine_h": 3 * n, "boot": boot.format(n)} for n in range(number)]


@pytest.mark.parametrize(
    ("kind", "said"), [("level", readings(6_000, "b{}")), ("level", readings(6_000, "b")), ("state", meters(2_000, "meter:1:{}"))]
)  # fmt: skip
def test_a_vehicle_alone_keeps_no_analyser_busy(tmp_path: Path, kind: str, said: list[dict[str, Any]]) -> None:
    """Another boot with each message, a reservoir that seems to be filled all the time: what a vehicle sends in seconds took minutes to
    hours to be analysed, with each piece of news, and the others waited behind it."""
    engine = sqlite_at(tmp_path / "tallow.db")
    write(tmp_path, [VEHICLE], [LINE])
    with database.writing(engine) as connection:
        registry.register(connection, tmp_path, 0)
    at_us, fleet, vehicle = read_time(AT), VEHICLE["fleet"], VEHICLE["vehicle"]
    arrivals = []
    for n, values in enumerate(said):
        sent_us = at_us + n * 600_000_000
        payload = json.dumps({"seq": n, "at": rfc3339(sent_us)} | values).encode()
        arrivals.append(Arrival(topic(fleet, vehicle, kind), payload, sent_us))
    Recorder(engine, "test").record(arrivals)
    with engine.connect() as connection:
        (known,) = registry.read_vehicles(connection)
        held = reading.read_messages(connection, known.id)
    began_s = time.process_time()
    analyse(held, known.setups, at_us + 40 * DAY_US)
    assert time.process_time() - began_s < 30
    engine.dispose()


def test_what_a_vehicle_says_of_being_online_is_written_once_a_batch(engine: Engine) -> None:
    """The latest that was received counts, whichever comes first; each cost a query of its own."""
    recorder, table = Recorder(engine, "test"), schema.vehicle
    said = [
        Arrival(topic("f", "v", "state"), json.dumps({"online": n == 700}).encode(), n if n < 701 else n - 701)
        for n in range(1_400)
    ]
    queries: list[str] = []
    event.listen(engine, "before_cursor_execute", lambda *told: queries.append(told[2]))
    recorder.record(said)
    with engine.connect() as connection:
        assert connection.execute(select(table.c.online, table.c.online_received_us)).one() == (True, 700)
    assert sum("online_received_us" in query and query.startswith("UPDATE") for query in queries) == 1


def count(engine: Engine, table: Any) -> int:
    with engine.connect() as connection:
        return connection.scalar(select(func.count()).select_from(table)) or 0


def test_only_so_many_strangers_are_known(engine: Engine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What others say waits in quarantine; a vehicle that is registered is always let in, and then what it said before."""
    monkeypatch.setattr(strangers, "MOST", 5)
    tally = Recorder(engine, "test").record([level(1, vehicle=f"s{n}") for n in range(8)])
    assert (tally.recorded.total(), tally.rejected) == (5, 3)
    again = Recorder(engine, "test").record([level(2, vehicle=f"s{n}") for n in range(8)])
    assert (again.recorded.total(), again.rejected) == (5, 3)
    assert count(engine, schema.vehicle) == 5
    write(tmp_path, [VEHICLE | {"fleet": "f", "vehicle": "s7"}], [LINE | {"fleet": "f", "vehicle": "s7"}])
    with database.writing(engine) as connection:
        registry.register(connection, tmp_path, 0)
    assert quarantine.release(engine).recorded.total() == 2
    assert count(engine, schema.quarantine) == 4


def test_strangers_are_forgotten_after_a_while(engine: Engine, tmp_path: Path) -> None:
    """With all that they said; those that are registered, young or still heard stay. Who recorded them finds that out."""
    now, recorder = now_us(), Recorder(engine, "test")
    recorder.record([level(1, vehicle=name) for name in ("old", "young", "heard", "known")])
    write(tmp_path, [VEHICLE | {"fleet": "f", "vehicle": "known"}], [LINE | {"fleet": "f", "vehicle": "known"}])
    table, long_ago = schema.vehicle, now - 31 * DAY_US
    with database.writing(engine) as connection:
        registry.register(connection, tmp_path, 0)
        connection.execute(update(table).values(made_us=long_ago, heard_us=long_ago))
        connection.execute(update(table).where(table.c.vehicle == "young").values(made_us=now))
        connection.execute(update(table).where(table.c.vehicle == "heard").values(heard_us=now))
    assert strangers.forget(engine, now) == 1
    assert count(engine, schema.message) == count(engine, schema.name_range) == count(engine, schema.vehicle) == 3
    # The recorder still believes that it knows the vehicle: nothing of it may be left without one.
    assert recorder.record([level(2, vehicle="old"), level(2, vehicle="known")]).recorded.total() == 2
    with engine.connect() as connection:
        owners = set(connection.execute(select(schema.message.c.vehicle_id)).scalars())
        assert owners == set(connection.execute(select(table.c.id)).scalars())
