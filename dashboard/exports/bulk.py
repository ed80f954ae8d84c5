"""A whole fleet as files, Parquet and CSV: some vehicles at a time, so that memory does not grow with the fleet."""

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import IO, Any, Final

import numpy as np
import pandas as pd
from sqlalchemy import Engine

from analytics import frames
from analytics.pipeline.tasks import registered
from ingest.errors import Problem
from ingest.reading import read_messages
from ingest.registry import read_vehicles
from ingest.spreadsheets import FORMULA, NUMBER

# Readings, which are many, and what is small; each a file. Pressures are so many that CSV would be of no use to anybody.
READINGS: Final = ("cycles", "pressures", "levels", "faults", "ignition")
KEPT: Final = ("vehicles", "lines", "findings", "refills", "account", "hand_points", "wear")
_NOT_AS_CSV: Final = ("pressures",)
_AT_A_TIME: Final = 50
_ROWS_A_GROUP: Final = 500_000


class _Files:
    """Tables that grow: a Parquet and a CSV file of each. They are written beside the reading, one at a time, so that no more than two
    are in memory."""

    def __init__(self, folder: Path) -> None:
        self._folder, self._parquet, self._csv = folder, dict[str, Any](), dict[str, IO[bytes]]()
        self._waiting: dict[str, list[tuple[tuple[str, str] | None, pd.DataFrame]]] = {}
        self._beside = ThreadPoolExecutor(1, "export")
        self._writing: Future[None] | None = None

    def add(self, name: str, table: pd.DataFrame, whose: tuple[str, str] | None = None) -> None:
        """Rows of a table; of a vehicle (fleet, name) where they do not say so themselves."""
        waiting = self._waiting.setdefault(name, [])
        waiting.append((whose, table))
        if sum(len(one) for _, one in waiting) >= _ROWS_A_GROUP:
            self._hand_over(name)

    def close(self) -> None:
        """Write what is left; nothing may be added then."""
        try:
            for name in self._waiting:
                self._hand_over(name)
            self._settle()
        finally:
            self._beside.shutdown()
            for writer in (*self._parquet.values(), *self._csv.values()):
                writer.close()

    def drop(self) -> None:
        """Take away what was written."""
        self._beside.shutdown(cancel_futures=True)
        for writer in (*self._parquet.values(), *self._csv.values()):
            with suppress(OSError):  # of a disk that is full
                writer.close()
        for name in (*KEPT, *READINGS):  # also what could not even be begun
            for ending in ("parquet", "csv"):
                (self._folder / f"{name}.{ending}").unlink(missing_ok=True)

    def _hand_over(self, name: str) -> None:
        self._settle()
        self._writing = self._beside.submit(self._write, name, self._waiting[name])
        self._waiting[name] = []

    def _settle(self) -> None:
        if self._writing is not None:
            self._writing.result()
            self._writing = None

    def _write(self, name: str, waiting: list[tuple[tuple[str, str] | None, pd.DataFrame]]) -> None:
        import pyarrow
        from pyarrow import parquet

        whole = [one for one in waiting if len(one[1])] or waiting[:1]
        if not whole or (not len(whole[0][1]) and name in self._parquet):
            return
        table = _as_arrow(whole)
        if name not in self._parquet:
            held = pyarrow.schema(
                [pyarrow.field(f.name, pyarrow.string()) if pyarrow.types.is_null(f.type) else f for f in table.schema]
            )
            self._parquet[name] = parquet.ParquetWriter(self._folder / f"{name}.parquet", held, compression="zstd")
        table = table.cast(self._parquet[name].schema)
        self._parquet[name].write_table(table)
        if name not in _NOT_AS_CSV:
            self._write_csv(name, table)

    def _write_csv(self, name: str, table: Any) -> None:
        from pyarrow import csv

        begun = name in self._csv
        if not begun:
            self._csv[name] = (self._folder / f"{name}.csv").open("wb")
        plain = table
        for k, column in enumerate(table.schema):
            plain = plain.set_column(k, column.name, _as_text(table.column(k)))
        csv.write_csv(plain, self._csv[name], csv.WriteOptions(include_header=not begun, quoting_style="needed"))


def _as_arrow(parts: Sequence[tuple[tuple[str, str] | None, pd.DataFrame]]) -> Any:
    """Rows of several vehicles as one table, with whose they are in front where they do not say so."""
    import pyarrow

    table = pd.concat([one for _, one in parts], ignore_index=True)
    for column in {"fleet", "vehicle", "channel", "boot", "code"} & set(table.columns):
        table[column] = table[column].astype("str")
    for column in {"evidence", "lines"} & set(table.columns):
        table[column] = table[column].map(_as_json)
    made = pyarrow.Table.from_pandas(table, preserve_index=False).replace_schema_metadata(None)
    if parts[0][0] is not None:
        which = pyarrow.array(np.repeat(np.arange(len(parts)), [len(one) for _, one in parts]))
        for k, column in enumerate(("fleet", "vehicle")):
            names = pyarrow.array([whose[k] for whose, _ in parts if whose is not None], pyarrow.string())
            made = made.add_column(k, column, names.take(which))
    return made


def _as_text(column: Any) -> Any:
    """A column as a CSV file has it: local times with their offset, True and False, no text that a spreadsheet takes for a formula;
    anything else as it is."""
    import pyarrow
    from pyarrow import compute

    if pyarrow.types.is_string(column.type) or pyarrow.types.is_large_string(column.type):
        told = compute.replace_substring_regex(column, f"({FORMULA})", r"'\1")
        return compute.if_else(compute.match_substring_regex(column, NUMBER), column, told)
    if pyarrow.types.is_boolean(column.type):
        return compute.if_else(column, str(True), str(False))
    if not pyarrow.types.is_timestamp(column.type) or column.type.tz is None:
        return column
    at = pd.DatetimeIndex(column.to_pandas())
    local, utc = (one.tz_localize(None).as_unit("us").asi8 for one in (at, at.tz_convert("UTC")))
    missing = np.asarray(at.isna())
    minutes, which = np.unique(np.where(missing, 0, local - utc) // 60_000_000, return_inverse=True)
    told = [f"{'-' if m < 0 else '+'}{abs(m) // 60:02d}:{abs(m) % 60:02d}" for m in minutes]
    offsets = pyarrow.array(told, pyarrow.string())
    whole = not (local[~missing] % 1_000_000).any()
    plain = pyarrow.array(np.where(missing, 0, local), pyarrow.timestamp("us"), mask=missing)
    text = plain.cast(pyarrow.timestamp("s") if whole else plain.type).cast(pyarrow.string())
    return compute.binary_join_element_wise(text, offsets.take(pyarrow.array(which)), "")


def _as_json(value: Any) -> str:
    import json

    return json.dumps(value)


def write_all(engine: Engine, folder: Path, timezone: str, progress: Callable[[int, int], None]) -> int:
    """Write the readings and the newest results of all registered vehicles into a new or empty folder, or nothing; how many
    vehicles. Raises Problem."""
    try:
        import pyarrow  # noqa: F401
    except ImportError:
        raise Problem("Parquet needs a library that is not installed: pip install 'tallow[export]'") from None
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if any(folder.iterdir()):
            raise Problem(f"{folder} is not empty; name a folder that holds nothing else")
        files, done = _Files(folder), 0
        try:
            for done, of in _written(engine, files, timezone):
                progress(done, of)
            files.close()
        except BaseException:  # a part of an export looks like a whole one
            files.drop()
            raise
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
                    files.add(name, getattr(told, name), (one.fleet, one.name))
                yield n, len(ids)
