"""A whole fleet as files, Parquet and CSV: some vehicles at a time, so that memory does not grow with the fleet."""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Final

import pandas as pd
from sqlalchemy import Engine

from analytics import frames
from analytics.pipeline.tasks import registered
from ingest.errors import Problem
from ingest.reading import read_messages
from ingest.registry import read_vehicles

# Readings, which are many, and what is small; each a file. Pressures are so many that CSV would be of no use to anybody.
READINGS: Final = ("cycles", "pressures", "levels", "faults", "ignition")
KEPT: Final = ("vehicles", "lines", "findings", "refills", "account", "hand_points", "wear")
_NOT_AS_CSV: Final = ("pressures",)
_AT_A_TIME: Final = 50
_ROWS_A_GROUP: Final = 500_000


class _Files:
    """Tables that grow: a Parquet and a CSV file of each."""

    def __init__(self, folder: Path) -> None:
        self._folder, self._writers, self._begun = folder, dict[str, Any](), set[str]()
        self._waiting: dict[str, list[pd.DataFrame]] = {}

    def add(self, name: str, table: pd.DataFrame) -> None:
        waiting = self._waiting.setdefault(name, [])
        waiting.append(table)
        if sum(map(len, waiting)) >= _ROWS_A_GROUP:
            self._write(name)

    def close(self) -> None:
        for name in self._waiting:
            self._write(name)
        for writer in self._writers.values():
            writer.close()

    def _write(self, name: str) -> None:
        import pyarrow
        from pyarrow import parquet

        whole = [table for table in self._waiting[name] if len(table)] or self._waiting[name][:1]
        self._waiting[name] = []
        if not whole or (not len(whole[0]) and name in self._begun):
            return
        table = pd.concat(whole, ignore_index=True)
        for column in {"fleet", "vehicle", "channel", "boot", "code"} & set(table.columns):
            table[column] = table[column].astype("str")
        for column in {"evidence", "lines"} & set(table.columns):
            table[column] = table[column].map(_as_json)
        if name not in _NOT_AS_CSV:
            table.to_csv(self._folder / f"{name}.csv", mode="a", header=name not in self._begun, index=False)
        self._begun.add(name)
        if name not in self._writers:
            held = pyarrow.Schema.from_pandas(table, preserve_index=False)
            held = pyarrow.schema(
                [pyarrow.field(f.name, pyarrow.string()) if pyarrow.types.is_null(f.type) else f for f in held]
            )
            self._writers[name] = parquet.ParquetWriter(self._folder / f"{name}.parquet", held, compression="zstd")
        writer = self._writers[name]
        writer.write_table(pyarrow.Table.from_pandas(table, writer.schema, preserve_index=False))


def _as_json(value: Any) -> str:
    import json

    return json.dumps(value)


def write_all(engine: Engine, folder: Path, timezone: str, progress: Callable[[int, int], None]) -> int:
    """Write the readings and the newest results of all registered vehicles into a new or empty folder; how many vehicles. Raises
    Problem."""
    try:
        import pyarrow  # noqa: F401
    except ImportError:
        raise Problem("Parquet needs a library that is not installed: pip install 'tallow[export]'") from None
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if any(folder.iterdir()):
            raise Problem(f"{folder} is not empty; name a folder that holds nothing else")
        files = _Files(folder)
        done = 0
        for done, of in _written(engine, files, timezone):
            progress(done, of)
        files.close()
    except OSError as failure:
        raise Problem(f"{folder} cannot be written: {failure.strerror or failure}") from None
    return done


def _written(engine: Engine, files: _Files, timezone: str) -> Iterator[tuple[int, int]]:
    with engine.connect() as connection:
        ids = registered(connection)
    for first in range(0, len(ids), _AT_A_TIME):
        with engine.connect() as connection:
            chosen = read_vehicles(connection, ids[first : first + _AT_A_TIME])
            kept = frames.of_fleet(connection, chosen, timezone)
            for name in KEPT:
                files.add(name, getattr(kept, name))
            for n, one in enumerate(chosen, first + 1):
                told = frames.readings(read_messages(connection, one.id), timezone)
                for name in READINGS:
                    table = getattr(told, name)
                    table.insert(0, "fleet", one.fleet)
                    table.insert(1, "vehicle", one.name)
                    files.add(name, table)
                yield n, len(ids)
