"""A large fleet's day in minutes: two ingesters and two watches on PostgreSQL keep pace, and nothing is lost.

Every message of the day is published, about a hundred times as fast as in life. Recording may lag by seconds only. The analysis has a
hundredth of the time that it has in life: a small fleet's news must be worked off soon after the day; of a large one it is told how far
that came.
"""

import os
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from sqlalchemy import Connection, Engine, func, select

from analytics.pipeline import vehicle_summary
from ingest import schema
from ingest.database import open_database, writing
from ingest.messages import encode, topic
from ingest.times import HOUR_US, now_us
from simulators.controller import messages
from simulators.fleet import write_registry
from simulators.machine import Simulation
from simulators.scenario import load
from tests.attacks.test_processes import Command
from tests.benchmarks import large_fleet
from tests.conftest import Mosquitto, empty_database, wait_until

FLEET, TEMPLATES, CYCLES_A_DAY, LINES = "large", 20, 13.0, 4  # with all else, some 40 messages a day
MOST_LAG_S = 10.0  # by which recording may lag behind what the broker has acknowledged
LOOK_EVERY_S = 2.0


@dataclass(frozen=True)
class Size:
    """How many vehicles, in how many seconds their day passes, and how long the analysis may go on after it."""

    vehicles: int
    seconds: float
    after_s: float


SIZES = [
    pytest.param(Size(1_000, 30, 300), id="short", marks=pytest.mark.long),
    pytest.param(Size(100_000, 800, 60), id="full", marks=pytest.mark.long),
]


class Day:
    """What so many vehicles say in a day, of which each `TEMPLATES`-th says the same."""

    def __init__(self, size: Size, folder: Path) -> None:
        self.size, story = size, load("demo")
        end_h = now_us() // HOUR_US
        like = [large_fleet.machine(f"V{n:06d}", CYCLES_A_DAY) for n in range(TEMPLATES)]
        like = [replace(one, points=one.points[:LINES], interval_min=60 * 24 / CYCLES_A_DAY * 0.4) for one in like]
        depot = story.depots[like[0].depot]
        self.told: list[tuple[int, int, str, bytes]] = []  # when, whose, kind, payload: each name once
        for n, one in enumerate(like):
            run = Simulation(one, depot, end_h - 24, 1, end_h, [3, n])
            named = {(s.message.boot, s.message.seq): s for s in messages(run) if s.arrives_us <= end_h * HOUR_US}
            self.told += [(s.arrives_us, n, s.kind, encode(s.message)) for s in named.values()]
        self.told.sort()
        self.names = [f"V{n:06d}" for n in range(size.vehicles)]
        machines = tuple(replace(like[n % TEMPLATES], vehicle=name) for n, name in enumerate(self.names))
        write_registry(replace(story, fleet=FLEET, machines=machines), end_h, folder)

    @property
    def number(self) -> int:
        """Messages of all vehicles."""
        return sum(len(self.names[n::TEMPLATES]) for _, n, _, _ in self.told)

    def said(self) -> Iterator[tuple[str, bytes]]:
        """(topic, payload) in order of time."""
        for _, n, kind, payload in self.told:
            for name in self.names[n::TEMPLATES]:
                yield topic(FLEET, name, kind), payload


class Radio(threading.Thread):
    """Publishes the day at an even pace."""

    def __init__(self, port: int, day: Day) -> None:
        super().__init__(daemon=True)
        self.port, self.day, self.acknowledged = port, day, 0

    def run(self) -> None:
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="fleet", clean_session=False)
        client.max_inflight_messages_set(1_000)
        client.on_publish = self._count
        client.connect("127.0.0.1", self.port)
        client.loop_start()
        began, rate = time.monotonic(), self.day.number / self.day.size.seconds
        for n, (where, payload) in enumerate(self.day.said()):
            if n % 100 == 0:
                time.sleep(max(0.0, n / rate - (time.monotonic() - began)))
            client.publish(where, payload, qos=1)
        wait_until(lambda: self.acknowledged >= self.day.number, 120)
        client.disconnect()
        client.loop_stop()

    def _count(self, *_: object) -> None:
        self.acknowledged += 1


@dataclass
class Looks:
    """What was seen while the day passed."""

    lag: float = 0.0  # messages that recording lagged behind, at most
    analysed: int = 0

    def look(self, connection: Connection, acknowledged: int) -> None:
        """See how far both are; `acknowledged` is what the broker had when that was asked for."""
        self.lag = max(self.lag, acknowledged - recorded(connection))
        self.analysed = connection.scalar(select(func.count()).select_from(schema.analysis)) or 0


def recorded(connection: Connection) -> int:
    """Messages that both recorders have counted."""
    return int(connection.scalar(select(func.sum(schema.recorder_stats.c.recorded))) or 0)


def with_news(connection: Connection) -> int:
    """Vehicles whose results do not know all that is recorded."""
    vehicle, analysis = schema.vehicle, schema.analysis
    done = select(analysis.c.vehicle_id).where(
        analysis.c.vehicle_id == vehicle.c.id, analysis.c.revision == vehicle.c.revision
    )
    return connection.scalar(select(func.count()).select_from(vehicle).where(~done.exists())) or 0


@pytest.fixture
def engine(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Engine]:
    """An empty database on PostgreSQL."""
    request.param = "postgresql"
    engine = open_database(empty_database(request, tmp_path))
    yield engine
    engine.dispose()


@pytest.mark.parametrize("size", SIZES)
def test_a_day_of_a_large_fleet(engine: Engine, tmp_path: Path, size: Size, capsys: pytest.CaptureFixture[str]) -> None:
    """Two ingesters share it, two watches analyse it."""
    day, url, looks = Day(size, tmp_path / "registry"), engine.url.render_as_string(hide_password=False), Looks()
    with writing(engine) as connection:
        vehicle_summary.register(connection, tmp_path / "registry", 0)
    broker = Mosquitto(tmp_path)
    os.environ["TALLOW_BROKER"] = f"mqtt://127.0.0.1:{broker.port}"
    running = [
        Command(tmp_path, "ingest", "--client-id", name, "--share", "day", database=url) for name in ("one", "two")
    ]
    running += [Command(tmp_path, "watch", database=url) for _ in range(2)]
    try:
        wait_until(lambda: (tmp_path / "log").read_text().count('"listening"') == 2, 60)
        radio, began = Radio(broker.port, day), time.monotonic()
        radio.start()
        while radio.is_alive():
            acknowledged = radio.acknowledged
            with engine.connect() as connection:
                looks.look(connection, acknowledged)
            radio.join(LOOK_EVERY_S)
        took_s = time.monotonic() - began

        def all_recorded() -> bool:
            with engine.connect() as connection:
                return recorded(connection) >= day.number

        wait_until(all_recorded, MOST_LAG_S + 20)
        until = time.monotonic() + size.after_s
        left, passed_s = size.vehicles, took_s
        while left and time.monotonic() < until:
            time.sleep(LOOK_EVERY_S)
            with engine.connect() as connection:
                left = with_news(connection)
            passed_s = time.monotonic() - began
    finally:
        for one in running:
            one.process.terminate()
        for one in running:
            one.process.wait(60)
        broker.stop()
        del os.environ["TALLOW_BROKER"]
    rate = day.number / took_s
    with capsys.disabled():
        print(f"\n{size.vehicles:,} vehicles, {day.number:,} messages in {took_s:.0f} s ({rate:,.0f}/s), recording at most"
              f" {looks.lag / rate:.1f} s behind; {looks.analysed:,} vehicles analysed by then; {passed_s - took_s:.0f} s"
              f" later {left:,} have news")  # fmt: skip
    with engine.connect() as connection:
        table = schema.message
        assert connection.scalar(select(func.count()).select_from(table)) == day.number
        assert connection.scalar(select(func.count()).select_from(schema.quarantine)) == 0
    assert looks.lag <= MOST_LAG_S * rate
    assert looks.analysed > 0
    assert left == 0 or size.vehicles > 10_000
