"""The README's recipes for backup and restore, run as they stand there while messages are being recorded."""

import shlex
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from sqlalchemy import Engine, create_engine, func, select, text

from ingest import database, schema, totals
from ingest.recorder import Recorder
from tests.conftest import program
from tests.helpers.messages import level

README = Path(__file__).parents[2] / "README.md"
MESSAGES = [level(n, at=f"2026-0{1 + n % 9}-01T00:00:00Z") for n in range(20_000)]


def recipe(beginning: str) -> list[str]:
    """The words of the one indented line of the README that begins so."""
    (line,) = [line for line in README.read_text("utf-8").splitlines() if line.startswith(f"    {beginning} ")]
    return shlex.split(line)


@contextmanager
def recording(engine: Engine) -> Iterator[None]:
    """While messages are recorded, batch after batch."""

    def work() -> None:
        recorder = Recorder(engine, "test")
        for start in range(0, len(MESSAGES), 100):
            recorder.record(MESSAGES[start : start + 100])
            time.sleep(0.005)

    thread = threading.Thread(target=work)
    thread.start()
    time.sleep(0.3)
    yield
    assert thread.is_alive(), "the backup was made while messages were recorded"
    thread.join()


def check(restored: Engine) -> None:
    """Whole batches, their names taken; the rest is recorded when it comes again."""
    with restored.connect() as connection:
        held = connection.scalar(select(func.count()).select_from(schema.message)) or 0
        taken = connection.execute(select(schema.name_range.c.first_seq, schema.name_range.c.last_seq)).all()
        assert totals.status(connection)["recorded"]["level"] == held
    assert 0 < held < len(MESSAGES)
    assert held % 100 == 0
    assert [tuple(range_) for range_ in taken] == [(0, held - 1)]
    again = Recorder(restored, "test").record(MESSAGES)
    assert (again.duplicates, again.recorded.total()) == (held, len(MESSAGES) - held)


def test_sqlite(tmp_path: Path) -> None:
    """One file that is a database of its own."""
    engine = database.open_database(f"sqlite:///{tmp_path / 'tallow.db'}")
    command = recipe("python3 -c")
    with recording(engine):
        subprocess.run([sys.executable, *command[1:]], check=True, cwd=tmp_path)
    engine.dispose()
    with sqlite3.connect(tmp_path / "backup.db") as copy:
        assert copy.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    copy.close()
    restored = database.open_database(f"sqlite:///{tmp_path / 'backup.db'}")
    check(restored)
    restored.dispose()


@pytest.mark.parametrize("database_url", ["postgresql"], indirect=True)
def test_postgresql(engine: Engine, postgres_server: str, tmp_path: Path) -> None:
    """Into another database, months and all."""
    admin = create_engine(database.connect(postgres_server).url, isolation_level="AUTOCOMMIT")
    with admin.connect() as connection:
        connection.execute(text("CREATE DATABASE restored"))
    url = postgres_server.rsplit("/", 1)[0] + "/restored"
    names = {
        "postgresql://user@host/tallow": database.address(engine).replace("+psycopg", ""),
        "--dbname=postgresql://user@host/restored": f"--dbname={url}",
    }
    dump, restore = ([names.get(word, word) for word in recipe(which)] for which in ("pg_dump", "pg_restore"))
    with recording(engine):
        subprocess.run([program(dump[0]), *dump[1:]], check=True, cwd=tmp_path)
    subprocess.run([program(restore[0]), *restore[1:]], check=True, cwd=tmp_path)
    restored = database.open_database(url)
    check(restored)
    restored.dispose()
    with admin.connect() as connection:
        connection.execute(text("DROP DATABASE restored"))
    admin.dispose()
