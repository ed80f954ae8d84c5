"""A shift under fire: everything runs as at an operator's, and something is killed every so often; nothing is lost, alarms come
once, memory stays flat, and whoever looks is answered. In full it takes two hours.
"""

import contextlib
import heapq
import json
import random
import signal
import threading
import time
import urllib.error
import urllib.request
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from sqlalchemy import Engine, func, select, text

from analytics.alarms import hooks, routes
from analytics.pipeline import vehicle_summary
from ingest import schema
from ingest.database import connect, writing
from ingest.messages import Arrival, encode, topic
from ingest.recorder import Recorder
from ingest.times import HOUR_US, machine_us
from simulators.controller import Sent, messages
from simulators.fleet import write_registry
from simulators.machine import Simulation
from simulators.scenario import Scenario, load
from tests.attacks.test_processes import Command, nothing_stays, signals_as_usual
from tests.benchmarks import large_fleet
from tests.conftest import Mosquitto, free_port, wait_until
from tests.helpers.vehicles import END_H

__all__ = ["nothing_stays", "signals_as_usual"]

FLEET, TEMPLATES, DAYS, CYCLES_A_DAY = "large", 20, 5, 40.0
SHIFT_H = END_H - 11  # five o'clock on a Monday, when most begin
SHIFT_US = int(SHIFT_H * HOUR_US)
SPREAD_US = 90_000_000  # over which vehicles that do the same report it
MORE_MB, MORE_SHARE = 25.0, 0.15  # that a process may have grown by


@dataclass(frozen=True)
class Size:
    """How many vehicles for how long, how many times faster than life, and a kill every so often."""

    vehicles: int
    seconds: float
    speed: float
    kill_every_s: float

    @property
    def until_us(self) -> int:
        """The end of it by the fleet's clock."""
        return SHIFT_US + int(self.seconds * self.speed * 1e6)


SIZES = [
    pytest.param(Size(40, 30, 180, 5), id="short"),
    pytest.param(Size(2_000, 7_200, 1, 60), id="long", marks=pytest.mark.long),
]


class Fleet:
    """So many vehicles, of which each `TEMPLATES`-th does the same."""

    def __init__(self, size: Size) -> None:
        self.size, story = size, load("demo")
        machines = [
            large_fleet.machine(f"V{n:06d}", CYCLES_A_DAY, large_fleet.some_troubles(n, DAYS)) for n in range(TEMPLATES)
        ]
        depot = story.depots[machines[0].depot]
        start_h = SHIFT_H // 24 * 24 - 24 * DAYS
        self.runs = [Simulation(one, depot, start_h, DAYS + 2, SHIFT_H, [3, n]) for n, one in enumerate(machines)]
        self.names = [f"V{n:06d}" for n in range(size.vehicles)]
        named = tuple(
            replace(machines[n % TEMPLATES], vehicle=name, unit=f"unit {name}") for n, name in enumerate(self.names)
        )
        self.scenario: Scenario = replace(story, fleet=FLEET, machines=named)

    def history(self) -> Iterator[list[Arrival]]:
        """All that came before the shift, a vehicle at a time."""
        told = [[(s.kind, encode(s.message), s.arrives_us) for s in self._sent(n) if s.arrives_us < SHIFT_US]
                for n in range(TEMPLATES)]  # fmt: skip
        for n, name in enumerate(self.names):
            yield [Arrival(topic(FLEET, name, kind), payload, us) for kind, payload, us in told[n % TEMPLATES]]

    def shift(self) -> list[tuple[int, str, bytes]]:
        """(when, topic, payload) of what comes until the end, in that order."""
        dice, own = random.Random(4), []
        told = [[(s.arrives_us, s.kind, encode(s.message)) for s in self._sent(n)
                 if SHIFT_US <= s.arrives_us < self.size.until_us] for n in range(TEMPLATES)]  # fmt: skip
        for n, name in enumerate(self.names):
            late_us = dice.randrange(SPREAD_US)
            own.append([(us + late_us, topic(FLEET, name, kind), payload) for us, kind, payload in told[n % TEMPLATES]])
        return list(heapq.merge(*own))

    def numbers(self) -> dict[str, int]:
        """How many messages of each vehicle there are to the end, each counted once."""
        held = [
            len({(s.message.boot, s.message.seq) for s in self._sent(n) if s.arrives_us < self.size.until_us})
            for n in range(TEMPLATES)
        ]
        return {name: held[n % TEMPLATES] for n, name in enumerate(self.names)}

    def _sent(self, n: int) -> Iterator[Sent]:
        return messages(self.runs[n])


class Radio(threading.Thread):
    """Publishes the shift at its pace, and again what the broker has not acknowledged."""

    def __init__(self, port: int, told: list[tuple[int, str, bytes]], speed: float) -> None:
        super().__init__(daemon=True)
        self.port, self.told, self.speed = port, told, speed
        self.acknowledged = 0

    def run(self) -> None:
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="fleet", clean_session=False)
        client.reconnect_delay_set(1, 1)
        client.on_publish = self._count
        client.connect("127.0.0.1", self.port)
        client.loop_start()
        began = time.monotonic()
        for us, where, payload in self.told:
            time.sleep(max(0.0, (us - SHIFT_US) / 1e6 / self.speed - (time.monotonic() - began)))
            client.publish(where, payload, qos=1)
        wait_until(lambda: self.acknowledged >= len(self.told), 90)
        client.disconnect()
        client.loop_stop()

    def _count(self, *_: Any) -> None:
        self.acknowledged += 1


@contextlib.contextmanager
def program_that_is_told() -> Iterator[tuple[int, Counter[str]]]:
    """(port, how often each message came) of a web hook's other end."""
    got: Counter[str] = Counter()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            self.rfile.read(int(self.headers["Content-Length"]))
            got[str(self.headers["webhook-id"])] += 1
            self.send_response(204)
            self.end_headers()

        def log_message(self, *_: Any) -> None:
            """Say nothing."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    try:
        yield server.server_port, got
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


class House:
    """All that runs: two ingesters, two watches, two dashboards. The second of each is what may be killed."""

    def __init__(self, folder: Path, url: str) -> None:
        self.ports = free_port(), free_port()
        share = ("--share", "all")
        self.commands: dict[str, list[tuple[str, ...]]] = {
            "ingest": [("ingest", "--client-id", name, *share) for name in ("one", "two")],
            "watch": [("watch", "--every", "1")] * 2,
            "dashboard": [("dashboard", "--port", f"{port}") for port in self.ports],
        }
        self.folder, self.url = folder, url
        self.running: dict[str, list[Command]] = {}

    def __enter__(self) -> "House":
        self.running = {what: [self._started(what, n) for n in range(2)] for what in self.commands}
        return self

    def __exit__(self, *_: object) -> None:
        for one in [one for pair in self.running.values() for one in pair]:
            one.process.send_signal(signal.SIGTERM)
        for one in [one for pair in self.running.values() for one in pair]:
            one.process.wait(20)

    def _started(self, what: str, n: int) -> Command:
        folder = self.folder / f"{what}-{n}"
        folder.mkdir(exist_ok=True)
        return Command(folder, *self.commands[what][n], database=self.url)

    def kill_second(self, what: str) -> None:
        """As if its machine's memory had run out; whatever keeps it running starts it again."""
        self.running[what][1].ended_by(signal.SIGKILL, left_s=30)
        self.running[what][1] = self._started(what, 1)

    def memory_mb(self) -> dict[str, float]:
        """What the first of each holds, with all that it started."""
        return {what: pair[0].memory_mb() for what, pair in self.running.items()}

    def answers(self) -> bool:
        """Whether the first dashboard says that it is alive."""
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{self.ports[0]}/alive", timeout=10) as answer:
                return bool(answer.status == 200)
        except urllib.error.HTTPError as error:
            if error.code != 503:  # with which it says what is the matter
                raise
            return False
        except OSError:
            return False


@contextlib.contextmanager
def database_away(admin: Engine, url: str) -> Iterator[None]:
    """Its connections are cut, and it takes none."""
    name = url.rsplit("/", 1)[1]
    with admin.connect() as connection:
        connection.execute(text(f"ALTER DATABASE {name} WITH ALLOW_CONNECTIONS false"))
        connection.execute(text(f"SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = '{name}'"))
        yield
        connection.execute(text(f"ALTER DATABASE {name} WITH ALLOW_CONNECTIONS true"))


def counted(engine: Engine) -> dict[str, int]:
    """How many messages of each vehicle are recorded."""
    table, vehicle = schema.message, schema.vehicle
    with engine.connect() as connection:
        query = select(vehicle.c.vehicle, func.count()).join(table, table.c.vehicle_id == vehicle.c.id)
        return dict(connection.execute(query.group_by(vehicle.c.vehicle)).all())


def unseen(engine: Engine) -> int:
    """Vehicles of which something is recorded that no analysis has seen."""
    vehicle, analysis = schema.vehicle, schema.analysis
    query = select(func.count()).select_from(vehicle).outerjoin(analysis, analysis.c.vehicle_id == vehicle.c.id)
    with engine.connect() as connection:
        return connection.scalar(query.where(analysis.c.revision.is_distinct_from(vehicle.c.revision))) or 0


@pytest.mark.parametrize("database_url", ["postgresql"], indirect=True)
@pytest.mark.parametrize("size", SIZES)
def test_a_shift_under_fire(
    mosquitto: Mosquitto, engine: Engine, database_url: str, postgres_server: str, size: Size, tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    """A kill every so often, of a process, the broker or the database's connections."""
    fleet = Fleet(size)
    write_registry(fleet.scenario, SHIFT_H, tmp_path / "registry")
    with writing(engine) as connection:
        vehicle_summary.register(connection, tmp_path / "registry", 0)
    recorder = Recorder(engine, "before")
    for batch in fleet.history():
        recorder.record(batch)
    admin = connect(postgres_server).execution_options(isolation_level="AUTOCOMMIT")

    def broker_restarts() -> None:
        mosquitto.stop()
        mosquitto.start()

    def database_restarts() -> None:
        with database_away(admin, database_url):
            time.sleep(2)

    with program_that_is_told() as (port, got):
        address, _ = hooks.with_secret(f"signed+http://127.0.0.1:{port}/alarms")
        with writing(engine) as connection:
            routes.add_route(connection, address, depot=None, severity="note", groups=(), after_min=0, at_any_hour=True)
        engine.dispose()
        shift = fleet.shift()
        monkeypatch.setenv("TALLOW_CLOCK", f"{machine_us()},{SHIFT_US},{size.speed}")
        monkeypatch.setenv("TALLOW_BROKER", f"mqtt://127.0.0.1:{mosquitto.port}")
        with House(tmp_path, database_url) as house:
            wait_until(house.answers, 60)
            wait_until(lambda: (tmp_path / "ingest-0" / "log").read_text().count("listening") > 0, 60)
            fires: list[Callable[[], None]] = [
                broker_restarts, database_restarts, *(lambda w=what: house.kill_second(w) for what in house.commands)
            ]  # fmt: skip
            radio = Radio(mosquitto.port, shift, size.speed)
            radio.start()
            samples = under_fire(house, fires, size)
            radio.join(120)
            assert not radio.is_alive()
            wait_until(lambda: counted(engine) == fleet.numbers(), 120)
            wait_until(lambda: unseen(engine) == 0, 300)
            wait_until(house.answers, 30)
            wait_until(lambda: waiting(engine) == 0, 120)
    assert len(shift) > size.vehicles / 2
    check_logs(tmp_path)
    check_memory(samples)
    check_alarms(engine, got, len(samples))
    admin.dispose()


def under_fire(house: House, fires: list[Callable[[], None]], size: Size) -> list[dict[str, float]]:
    """Kill something every so often until the time is over; memory after each."""
    dice, samples, begun = random.Random(6), list[dict[str, float]](), time.monotonic()
    left: list[Callable[[], None]] = []
    while time.monotonic() - begun < size.seconds:
        left = left or dice.sample(fires, len(fires))
        left.pop()()
        samples.append(house.memory_mb())
        time.sleep(max(0.0, min((len(samples) * size.kill_every_s), size.seconds) - (time.monotonic() - begun)))
    assert len(samples) >= len(fires)
    return samples


def waiting(engine: Engine) -> int:
    """Messages to programs that are not delivered."""
    table = schema.outbox
    with engine.connect() as connection:
        return connection.scalar(select(func.count()).select_from(table).where(table.c.done_us.is_(None))) or 0


def check_memory(samples: list[dict[str, float]]) -> None:
    """Flat from the second third on."""
    for what in samples[0]:
        held = [one[what] for one in samples[len(samples) // 3 :]]
        half = len(held) // 2
        before, after = sorted(held[:half])[half // 2], sorted(held[half:])[len(held[half:]) // 2]
        assert after < before * (1 + MORE_SHARE) + MORE_MB, f"{what}: {json.dumps(samples)}"


def check_alarms(engine: Engine, got: Counter[str], kills: int) -> None:
    """Each of them once; a program hears of a change again only where somebody died between telling and writing it down."""
    table, outbox = schema.alarm, schema.outbox
    with engine.connect() as connection:
        alarms = connection.execute(select(table.c.vehicle_id, table.c.kind, table.c.channel, table.c.began_us)).all()
        told = connection.scalar(
            select(func.count())
            .select_from(outbox)
            .where(outbox.c.alarm_id.is_not(None), outbox.c.dropped_why.is_(None))
        )
    assert alarms
    assert max(Counter(alarms).values()) == 1
    assert max(Counter(one[:3] for one in alarms).values()) == 1
    assert len(got) == told
    assert sum(got.values()) <= len(got) + 10 * kills


def check_logs(folder: Path) -> None:
    """That something is away for a while is no error."""
    for log in folder.glob("*/log"):
        said = [json.loads(line) for line in log.read_text().splitlines() if line.startswith("{")]
        assert [one for one in said if one["level"] == "error"] == []
