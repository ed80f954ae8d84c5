"""Databases that hold something already: copied, which takes a fraction of making them."""

from collections.abc import Callable
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

from sqlalchemy import Engine

from ingest import database


@cache
def _holding(fill: Callable[[Engine], None] | None) -> bytes:
    """A database file with all tables and what `fill` puts into it, made once in a process."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "tallow.db"
        engine = database.open_database(f"sqlite:///{path}")
        if fill is not None:
            fill(engine)
        engine.dispose()
        return path.read_bytes()


def sqlite_at(path: Path, fill: Callable[[Engine], None] | None = None) -> Engine:
    """The database in this file; where there is none, a new one that holds what `fill` puts into it."""
    if not path.exists():
        path.write_bytes(_holding(fill))
        path.chmod(0o600)
    return database.open_database(f"sqlite:///{path}")
