"""What a fleet does to an ingester: it is killed, its broker and its database go away, and nothing is lost or doubled.

Each test ends in a table that equals exactly what was published. CI runs short versions; the full ones carry the
marker `long`.
"""

import contextlib
import json
import os
import random
import signal
import sqlite3
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from alembic import command as alembic
from paho.mqtt.enums import CallbackAPIVersion
from sqlalchemy import Engine, select, text

from ingest import schema
from ingest.database import alembic_config, connect, open_database, writing
from ingest.errors import Problem
from ingest.messages import topic
from tests.conftest import Mosquitto, free_port, wait_until

SHORT_AND_LONG = [pytest.param((4_000, 4), id="short"), pytest.param((50_000, 20), id="long", marks=pytest.mark.long)]
Named = tuple[str, int, float]


def payload(n: int) -> bytes:
    return json.dumps({"seq": n, "at": "2026-03-01T06:00:00Z", "level_pct": n % 100}).encode()


class Publisher(threading.Thread):
    """Publishes `number` messages of ten vehicles with five percent duplicates, at a steady rate, over outages."""

    def __init__(self, port: int, number: int, rate: float) -> None:
        super().__init__(daemon=True)
        self.port, self.number, self.rate = port, number, rate
        self.connections: list[list[int]] = []  # the messages acknowledged on each, in that order
        self.expected: set[Named] = {(f"v{n % 10}", n, float(n % 100)) for n in range(number)}

    @property
    def acknowledged(self) -> int:
        """How many publications the broker has acknowledged."""
        return sum(map(len, self.connections))

    def run(self) -> None:
        dice = random.Random(1)
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="fleet", clean_session=False)
        client.max_inflight_messages_set(200)
        client.reconnect_delay_set(1, 1)
        sent: list[int] = []  # by packet identifier, which counts from one
        client.on_connect = lambda *_: self.connections.append([])
        client.on_publish = lambda _c, _d, mid, *_: self.connections[-1].append(sent[mid - 1])
        client.connect("127.0.0.1", self.port)
        client.loop_start()
        began = time.monotonic()
        for n in range(self.number):
            for _ in range(2 if dice.random() < 0.05 else 1):
                # While the broker is away the client keeps it, and sends it later.
                sent.append(n)
                client.publish(topic("f", f"v{n % 10}", "level"), payload(n), qos=1)
            if n % 50 == 0:
                time.sleep(max(0.0, n / self.rate - (time.monotonic() - began)))
        until = time.monotonic() + 60
        while self.acknowledged < len(sent):
            assert time.monotonic() < until
            time.sleep(0.01)
        client.disconnect()
        client.loop_stop()


# What makes today's recorders speak as those of the version before did, to tables of that version.
OLDER = """
import re
from sqlalchemy import Engine, event
from ingest import database
database.head = lambda: {before!r}
NAMES = {names!r}

@event.listens_for(Engine, "before_cursor_execute", retval=True)
def as_before(connection, cursor, statement, parameters, context, executemany):
    for now, before in NAMES.items():
        statement = re.sub(r"(?<!%\\()" + now, before, statement)
    return statement, parameters
"""
REVISION_BEFORE = "0005"
# What that version had no column for goes into one that says nothing here.
NAMES_BEFORE = {"recorder_stats": "intake", "archive": "past", "revision": "news", "made_us": "online_received_us"}


class Ingester:
    """`tallow ingest` as a process."""

    def __init__(
        self, port: int, database: str, name: str = "ingester", share: str = "", metrics: int = 0,
        older: Path | None = None,
    ) -> None:  # fmt: skip
        """With `older`, a folder that holds `sitecustomize.py`, one of an older version."""
        environment = os.environ | {"TALLOW_DATABASE": database, "TALLOW_BROKER": f"mqtt://127.0.0.1:{port}"}
        if older is not None:
            environment["PYTHONPATH"] = os.pathsep.join([str(older), environment.get("PYTHONPATH", "")])
        command = [sys.executable, "-m", "dashboard", "ingest", "--client-id", name]
        command += ["--share", share] if share else []
        command += ["--metrics-port", str(metrics)] if metrics else []
        self.process = subprocess.Popen(command, env=environment, stdout=subprocess.PIPE, text=True)
        self.said: list[dict[str, object]] = []
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.said.append(json.loads(line))

    def heard(self, event: str) -> int:
        """How often it said something that begins so."""
        return sum(str(entry["event"]).startswith(event) for entry in self.said)

    def end(self, number: signal.Signals = signal.SIGTERM) -> int:
        """End it; its exit status."""
        self.process.send_signal(number)
        status = self.process.wait(10)
        self._reader.join()
        assert self.process.stdout is not None
        self.process.stdout.close()
        return status


@contextlib.contextmanager
def ingesting(port: int, database: str, **options: object) -> Iterator[Ingester]:
    ingester = Ingester(port, database, **options)  # type: ignore[arg-type]
    try:
        wait_until(lambda: ingester.heard("listening") > 0, 20)
        yield ingester
    finally:
        if ingester.process.poll() is None:
            assert ingester.end() == 0


def held(engine: Engine) -> set[Named]:
    message, vehicle = schema.message, schema.vehicle
    with engine.connect() as connection:
        rows = connection.execute(
            select(vehicle.c.vehicle, message.c.seq, message.c.level_pct).join(
                vehicle, vehicle.c.id == message.c.vehicle_id
            )
        ).all()
    assert len(rows) == len({(r.vehicle, r.seq) for r in rows})
    return {(r.vehicle, r.seq, r.level_pct) for r in rows}


@pytest.mark.parametrize("size", SHORT_AND_LONG)
def test_an_ingester_killed_at_random_moments(
    mosquitto: Mosquitto, engine: Engine, database_url: str, size: tuple[int, int]
) -> None:
    """SIGKILL, again and again, in the middle of a stream with duplicates."""
    number, kills = size
    dice = random.Random(7)
    with ingesting(mosquitto.port, database_url):
        pass  # its session exists from now on
    publisher = Publisher(mosquitto.port, number, rate=number / (kills * 2.5))
    publisher.start()
    for _ in range(kills):
        ingester = Ingester(mosquitto.port, database_url)
        wait_until(lambda: ingester.heard("listening") > 0, 20)  # noqa: B023
        time.sleep(dice.uniform(0.05, 1.0))
        ingester.end(signal.SIGKILL)
    publisher.join()
    with ingesting(mosquitto.port, database_url):
        wait_until(lambda: held(engine) == publisher.expected, 60)


def test_a_broker_that_is_stopped_in_mid_stream(mosquitto: Mosquitto, engine: Engine, database_url: str) -> None:
    """It writes down what it holds, and goes on from there."""
    publisher = Publisher(mosquitto.port, 6_000, rate=1_500)
    with ingesting(mosquitto.port, database_url) as ingester:
        publisher.start()
        for listened in range(1, 3):
            # A broker that is stopped before the ingester came back is stopped for it once, not twice.
            wait_until(lambda: ingester.heard("listening") == listened, 30)  # noqa: B023
            time.sleep(1)
            mosquitto.stop()
            time.sleep(0.5)
            mosquitto.start()
        publisher.join()
        wait_until(lambda: held(engine) == publisher.expected, 60)
        wait_until(lambda: ingester.heard("listening") == 3, 30)


@pytest.mark.parametrize(
    "mosquitto",
    [pytest.param("allow_anonymous true\nautosave_on_changes true\nautosave_interval 1\n", id="saves_all")],
    indirect=True,
)
def test_a_broker_that_is_killed_in_mid_stream(mosquitto: Mosquitto, engine: Engine, database_url: str) -> None:
    """SIGKILL: the ingester comes back by itself, and misses only what the broker had acknowledged and not written down.

    Of that nobody but the fleet knows any more. Here the broker writes down every change, so it is the last messages
    before it was killed (with Mosquitto's ordinary setting, up to half an hour's that were not handed on); when they
    are sent again, the table is whole.
    """
    publisher = Publisher(mosquitto.port, 6_000, rate=500)
    dice = random.Random(3)
    with ingesting(mosquitto.port, database_url) as ingester:
        publisher.start()
        for listened in range(1, 4):
            # On a slow machine the process that records takes its time to start, and the ingester to come back.
            wait_until(lambda: ingester.heard("listening") == listened, 30)  # noqa: B023
            before = len(held(engine))
            wait_until(lambda: len(held(engine)) > before, 30)  # noqa: B023
            time.sleep(dice.uniform(0.7, 1.5))
            mosquitto.kill()
            time.sleep(0.3)
            mosquitto.start()
        publisher.join()
        wait_until(lambda: ingester.heard("listening") == 4, 30)
        last = max(publisher.expected, key=lambda named: named[1])
        wait_until(lambda: last in held(engine), 30)
        time.sleep(2)
        lost = {n for _, n, _ in publisher.expected - held(engine)}
        assert lost <= {n for acknowledged in publisher.connections[:-1] for n in acknowledged[-250:]}
        client = mqtt.Client(CallbackAPIVersion.VERSION2)
        client.connect("127.0.0.1", mosquitto.port)
        client.loop_start()
        for n in lost:
            client.publish(topic("f", f"v{n % 10}", "level"), payload(n), qos=1).wait_for_publish(10)
        client.disconnect()
        client.loop_stop()
        wait_until(lambda: held(engine) == publisher.expected, 10)


def recorded_before(engine: Engine) -> int:
    """What recorders of the version before have counted."""
    with engine.connect() as connection:
        return int(connection.scalar(text("SELECT sum(recorded) FROM intake")) or 0)


def test_an_upgrade_while_messages_come(mosquitto: Mosquitto, database_url: str, tmp_path: Path) -> None:
    """Two ingesters of the version before acknowledge nothing from then on: they wait or end. Those of the new one go on."""
    engine = connect(database_url)
    with writing(engine) as connection:
        config = alembic_config()
        config.attributes["connection"] = connection
        alembic.upgrade(config, REVISION_BEFORE)
    with pytest.raises(Problem, match="another version of tallow; run: tallow upgrade"):
        open_database(database_url)
    older = tmp_path / "older"
    older.mkdir()
    (older / "sitecustomize.py").write_text(OLDER.format(before=REVISION_BEFORE, names=NAMES_BEFORE), "utf-8")
    names = "one", "two"
    publisher = Publisher(mosquitto.port, 6_000, rate=400)
    with contextlib.ExitStack() as new:
        olds = {name: Ingester(mosquitto.port, database_url, name=name, share="all", older=older) for name in names}
        wait_until(lambda: all(old.heard("listening") for old in olds.values()), 30)
        publisher.start()
        wait_until(lambda: recorded_before(engine) > 500, 30)
        command = [sys.executable, "-m", "dashboard", "upgrade", "--database", database_url]
        subprocess.run(command, check=True, capture_output=True, timeout=60)
        upgraded_at = publisher.acknowledged
        wait_until(lambda: publisher.acknowledged > upgraded_at + 500, 30)
        for name, old in olds.items():
            waits, status = old.heard("database is away") > 0, old.end()
            assert waits == (engine.dialect.name == "sqlite")
            assert (status == 0) == waits
            new.enter_context(ingesting(mosquitto.port, database_url, name=name, share="all"))
        publisher.join()
        wait_until(lambda: held(engine) == publisher.expected, 60)
    open_database(database_url).dispose()
    engine.dispose()


@pytest.mark.parametrize("seconds", [pytest.param(8, id="short"), pytest.param(30, id="long", marks=pytest.mark.long)])
def test_a_sqlite_file_that_another_writer_holds(mosquitto: Mosquitto, tmp_path: Path, seconds: float) -> None:
    """The ingester waits, says so once, and acknowledges nothing meanwhile."""
    path = tmp_path / "tallow.db"
    engine = open_database(f"sqlite:///{path}")
    publisher = Publisher(mosquitto.port, 2_000, rate=4_000)
    with ingesting(mosquitto.port, f"sqlite:///{path}") as ingester:
        other = sqlite3.connect(path, isolation_level=None)
        other.execute("BEGIN EXCLUSIVE")
        publisher.start()
        time.sleep(seconds)
        assert ingester.heard("database is away") == 1
        other.execute("ROLLBACK")
        other.close()
        publisher.join()
        wait_until(lambda: held(engine) == publisher.expected, 60)
        assert ingester.heard("database is back") == 1
    engine.dispose()


def test_a_full_disk(mosquitto: Mosquitto, tmp_path: Path) -> None:
    """Nothing is lost when there is room again. A file system of its own plays the disk."""
    publisher = Publisher(mosquitto.port, 3_000, rate=6_000)
    small = tmp_path / "small"
    small.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=600k", "tmpfs", str(small)], capture_output=True, check=False
    )
    if mounted.returncode:
        pytest.skip("this machine allows no mounts")
    try:
        url = f"sqlite:///{small / 'tallow.db'}"
        engine = open_database(url)
        with ingesting(mosquitto.port, url, name="small") as ingester:
            publisher.start()
            wait_until(lambda: ingester.heard("database is away") == 1, 30)
            publisher.join()
            assert held(engine) < publisher.expected
            subprocess.run(["mount", "-o", "remount,size=64m", str(small)], check=True)
            wait_until(lambda: held(engine) == publisher.expected, 60)
        engine.dispose()
    finally:
        subprocess.run(["umount", str(small)], check=True)


def test_a_postgresql_server_that_restarts(mosquitto: Mosquitto, postgres_server: str, database_url: str) -> None:
    """Its connections are cut, then it refuses new ones for a while."""
    if not database_url.startswith("postgresql"):
        pytest.skip("PostgreSQL only")
    engine = open_database(database_url)
    admin = connect(postgres_server).execution_options(isolation_level="AUTOCOMMIT")
    name = database_url.rsplit("/", 1)[1]
    publisher = Publisher(mosquitto.port, 3_000, rate=1_000)
    with ingesting(mosquitto.port, database_url) as ingester:
        publisher.start()
        time.sleep(0.7)
        with admin.connect() as connection:
            connection.execute(text(f"ALTER DATABASE {name} WITH ALLOW_CONNECTIONS false"))
            connection.execute(text(f"SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = '{name}'"))
        wait_until(lambda: ingester.heard("database is away") == 1, 20)
        time.sleep(2)
        with admin.connect() as connection:
            connection.execute(text(f"ALTER DATABASE {name} WITH ALLOW_CONNECTIONS true"))
        publisher.join()
        engine.dispose()
        wait_until(lambda: held(engine) == publisher.expected, 60)
        assert ingester.heard("database is back") == 1
    engine.dispose()
    admin.dispose()


def test_two_ingesters_share_and_one_is_killed(mosquitto: Mosquitto, engine: Engine, database_url: str) -> None:
    """What the broker keeps for the dead one waits until it comes back under its own name; the figures say so."""
    port = free_port()
    publisher = Publisher(mosquitto.port, 4_000, rate=1_500)
    with ingesting(mosquitto.port, database_url, name="one", share="g", metrics=port):
        two = Ingester(mosquitto.port, database_url, name="two", share="g")
        wait_until(lambda: two.heard("listening") > 0, 20)
        publisher.start()
        time.sleep(1.2)
        two.end(signal.SIGKILL)
        publisher.join()
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/metrics") as answer:
            figures = answer.read().decode()
        assert 'tallow_recorder_age_seconds{recorder="two"}' in figures
        assert 'tallow_messages_total{kind="level",result="recorded"}' in figures
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/health") as answer:
            assert json.load(answer)["state"] == "ok"
        with ingesting(mosquitto.port, database_url, name="two", share="g"):
            wait_until(lambda: held(engine) == publisher.expected, 60)
