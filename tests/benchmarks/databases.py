"""A database of its own for a benchmark: a SQLite file, or one on a PostgreSQL server, gone afterwards."""

import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import Engine, text

from ingest import store


@contextmanager
def database(postgresql: str | None) -> Iterator[Engine]:
    """An empty database with its tables; `postgresql` is the address of a server's administrative database."""
    with tempfile.TemporaryDirectory() as folder:
        if postgresql is None:
            engine = store.open_database(f"sqlite:///{Path(folder) / 'tallow.db'}")
            yield engine
            engine.dispose()
            return
        admin = store.connect(postgresql).execution_options(isolation_level="AUTOCOMMIT")
        name = f"benchmark{time.time_ns()}"
        with admin.connect() as connection:
            connection.execute(text(f"CREATE DATABASE {name}"))
        engine = store.open_database(postgresql.rsplit("/", 1)[0] + f"/{name}")
        try:
            yield engine
        finally:
            engine.dispose()
            with admin.connect() as connection:
                connection.execute(text(f"DROP DATABASE {name} WITH (FORCE)"))
            admin.dispose()


def tidy(engine: Engine) -> None:
    """What a PostgreSQL server does by itself a while after much was written, done at once."""
    if engine.dialect.name == "postgresql":
        with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            connection.exec_driver_sql("VACUUM ANALYZE")
