"""Servers that tests need are started by the tests, on ports and in folders of their own.

Where a server is not installed, its tests are skipped with that reason; with TALLOW_REQUIRE_SERVICES set (as in CI)
they fail instead.
"""

import os
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

import pytest
from sqlalchemy import Connection, Engine, create_engine, make_url, text
from sqlalchemy.exc import OperationalError

from ingest import database
from tests.helpers.databases import sqlite_at

os.environ.setdefault("TALLOW_ALERT_LOCAL", "yes")  # the servers that tests start are on this machine

SEARCH = [*os.environ.get("PATH", "").split(os.pathsep), "/usr/sbin", "/usr/local/sbin", "/usr/bin"]


# Files that take longest begin first where tests run side by side, so that none goes on alone at the end.
LONGEST: Final = (
    "simulators/test_score.py",
    "browser/",
    "pipeline/",
    "external/",
    "dashboard/test_command.py",
    "attacks/",
)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the tests in that order; within it they stay as they are."""
    items.sort(key=lambda item: next((n for n, name in enumerate(LONGEST) if name in str(item.path)), len(LONGEST)))


def program(name: str) -> str:
    """Path of a program, or the test is skipped."""
    found = shutil.which(name, path=os.pathsep.join(SEARCH))
    if found is None:
        found = next((str(path) for path in sorted(Path("/usr/lib/postgresql").glob(f"*/bin/{name}"))), None)
    if found is None:
        reason = f"{name} is not installed"
        if os.environ.get("TALLOW_REQUIRE_SERVICES"):
            pytest.fail(reason)
        pytest.skip(reason)
    return found


def free_port() -> int:
    """A TCP port that nobody listens on."""
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return int(s.getsockname()[1])


def wait_for_port(port: int, seconds: float = 15) -> None:
    """Until something listens there."""
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        with socket.socket() as s:
            if s.connect_ex(("127.0.0.1", port)) == 0:
                return
        time.sleep(0.05)
    raise AssertionError(f"nothing listens on port {port} after {seconds} s")


def wait_until(true: Callable[[], bool], seconds: float = 15) -> None:
    """Until something holds."""
    until = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < until, f"not so after {seconds} s"
        time.sleep(0.05)


@pytest.fixture(scope="session")
def postgres_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A PostgreSQL server of the tests' own: the address of its administrative database."""
    initdb, postgres = program("initdb"), program("postgres")
    folder = Path("/tmp") / f"tallow-pg-{os.getpid()}"
    port = free_port()
    as_user: list[str] = []
    folder.mkdir(mode=0o700)
    if os.geteuid() == 0:  # it refuses to run as root
        as_user = ["setpriv", "--reuid=nobody", "--regid=nogroup", "--clear-groups"]
        shutil.chown(folder, "nobody", "nogroup")
    data = folder / "data"
    subprocess.run([*as_user, initdb, "-D", str(data), "-U", "tallow", "-A", "trust", "-E", "UTF8", "--no-sync"],
                   check=True, capture_output=True, cwd="/tmp")  # fmt: skip
    log = (tmp_path_factory.mktemp("postgres") / "log").open("wb")
    server = subprocess.Popen(
        # What is written need not outlast the machine; a server that is killed finds it all the same.
        [*as_user, postgres, "-D", str(data), "-p", str(port), "-k", str(folder), "-c", "listen_addresses=127.0.0.1",
         "-c", "fsync=off", "-c", "full_page_writes=off"],
        stdout=log, stderr=log, cwd="/tmp",
    )  # fmt: skip
    try:
        wait_for_port(port)
        address = f"postgresql://tallow@127.0.0.1:{port}/postgres"
        _wait_for_server(address)
        yield address
    finally:
        server.send_signal(signal.SIGINT)  # ends connections that are still open
        server.wait(20)
        log.close()
        shutil.rmtree(folder, ignore_errors=True)


def _wait_for_server(address: str) -> None:
    """Wait until it lets somebody in: its port is open before that."""
    until = time.monotonic() + 60
    while True:
        try:
            with as_admin(address):
                return
        except OperationalError:
            if time.monotonic() > until:
                raise
            time.sleep(0.1)


@contextmanager
def as_admin(address: str) -> Iterator[Connection]:
    """A connection that makes and drops databases."""
    engine = create_engine(address.replace("postgresql://", "postgresql+psycopg://"), isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        yield connection
    engine.dispose()


@pytest.fixture(params=["sqlite", "postgresql"])
def database_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The address of an empty database, of each kind."""
    # Where its engine is asked for, too, its tables are copied.
    return empty_database(request, tmp_path, with_tables="engine" in request.fixturenames)


def empty_database(request: pytest.FixtureRequest, tmp_path: Path, with_tables: bool = False) -> str:
    """The address of an empty database of the kind that a fixture of any scope is asked for."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'tallow.db'}"
    admin: str = request.getfixturevalue("postgres_server")
    template = f" TEMPLATE {request.getfixturevalue('postgres_with_tables')}" if with_tables else ""
    name = f"t{time.time_ns()}"
    with as_admin(admin) as connection:
        connection.execute(text(f"CREATE DATABASE {name}{template}"))
    return admin.rsplit("/", 1)[0] + f"/{name}"


@pytest.fixture(scope="session")
def postgres_with_tables(postgres_server: str) -> str:
    """The name of a database of that server that has all tables, to be copied."""
    name = "with_tables"
    with as_admin(postgres_server) as connection:
        connection.execute(text(f"CREATE DATABASE {name}"))
    database.open_database(f"{postgres_server.rsplit('/', 1)[0]}/{name}").dispose()
    return name


@pytest.fixture
def engine(database_url: str) -> Iterator[Engine]:
    """An empty database with its tables."""
    url = make_url(database_url)
    engine = (
        sqlite_at(Path(url.database or ""))
        if url.get_backend_name() == "sqlite"
        else database.open_database(database_url)
    )
    yield engine
    engine.dispose()


class Mosquitto:
    """A broker that can be stopped and started again."""

    def __init__(self, folder: Path, extra: str = "allow_anonymous true\n") -> None:
        self.port = free_port()
        self.config = folder / "mosquitto.conf"
        user = "user root\n" if os.geteuid() == 0 else ""
        self.config.write_text(
            f"listener {self.port} 127.0.0.1\npersistence true\npersistence_location {folder}/\n{user}"
            f"max_queued_messages 0\nmax_queued_bytes 0\n{extra}"
        )
        self.start()

    def start(self) -> None:
        """Start it, and wait until it answers."""
        command = [program("mosquitto"), "-c", str(self.config)]
        self.process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        wait_for_port(self.port)

    def stop(self) -> None:
        """Stop it in order, so that it writes down what it holds."""
        self.process.terminate()
        self.process.wait(10)

    def kill(self) -> None:
        """End it at once."""
        self.process.kill()
        self.process.wait(10)


@pytest.fixture
def mosquitto(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Mosquitto]:
    """A broker open to everybody, or with the settings it is parametrized with."""
    broker = Mosquitto(tmp_path, getattr(request, "param", "allow_anonymous true\n"))
    yield broker
    broker.stop()


def page_request(path: str, search: str = "") -> dict[str, Any]:
    """What a browser asks for the contents of a page with."""
    return {
        "output": ".._pages_content.children..._pages_store.data..",
        "outputs": [{"id": "_pages_content", "property": "children"}, {"id": "_pages_store", "property": "data"}],
        "inputs": [{"id": "_pages_location", "property": "pathname", "value": path},
                   {"id": "_pages_location", "property": "search", "value": search}],
        "changedPropIds": ["_pages_location.pathname"],
    }  # fmt: skip
