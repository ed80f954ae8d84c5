"""A database of its own for a benchmark: a SQLite file, or one on a PostgreSQL server, gone afterwards."""

import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import Engine, text

from ingest.database import connect, open_database


@contextmanager
def empty(postgresql: str | None) -> Iterator[str]:
    """The address of an empty database; `postgresql` is that of a server's administrative database."""
    if postgresql is None:
        with tempfile.TemporaryDirectory() as folder:
            yield f"sqlite:///{Path(folder) / 'tallow.db'}"
        return
    admin = connect(postgresql).execution_options(isolation_level="AUTOCOMMIT")
    name = f"benchmark{time.time_ns()}"
    with admin.connect() as connection:
        connection.execute(text(f"CREATE DATABASE {name}"))
    try:
        yield postgresql.rsplit("/", 1)[0] + f"/{name}"
    finally:
        with admin.connect() as connection:
            connection.execute(text(f"DROP DATABASE {name} WITH (FORCE)"))
        admin.dispose()


@contextmanager
def database(postgresql: str | None) -> Iterator[Engine]:
    """The same with its tables."""
    with empty(postgresql) as url:
        engine = open_database(url)
        try:
            yield engine
        finally:
            engine.dispose()


def tidy(engine: Engine) -> None:
    """What a PostgreSQL server does by itself a while after much was written, done at once."""
    if engine.dialect.name == "postgresql":
        with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            connection.exec_driver_sql("VACUUM ANALYZE")
