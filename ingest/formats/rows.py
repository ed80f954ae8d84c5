"""Rows of files that other programs write: delimited text with names of columns, or one JSON object a line."""

import csv
import io
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal

import msgspec

from ingest.errors import Problem
from ingest.formats.mapping import FileForm
from ingest.log_files import TELL_EVERY, Progress, opened

Form = Literal["csv", "json-lines"]
_LONGEST: Final = 100_000  # characters of a line


@dataclass(frozen=True, slots=True)
class Row:
    """A row by the number of its line: cells by column without those that are empty, or what is wrong with all of it."""

    number: int
    text: bytes
    cells: dict[str, str]
    wrong: str = ""


def read_rows(path: Path, form: Form, said: FileForm, wanted: Collection[str], progress: Progress) -> Iterator[Row]:
    """A file's rows in its order. Raises Problem where it cannot be read, or has not the columns that are wanted.

    A row is a line: a line break within a cell is none that a log writes, and a quotation mark that is never closed spoils its
    own line only. A last line without a line break may be half written, and what it says be something else by the next reading.
    """
    nothing = frozenset(["", *said.empty])
    encoding = said.encoding if form == "csv" else "utf-8-sig"
    with opened(path) as (data, tell):
        lines = io.TextIOWrapper(data, encoding, "surrogateescape", newline="")
        columns = None if form != "csv" or said.columns is None else _checked(path, said.columns, said, wanted)
        try:
            for number, line in enumerate(lines, start=1):
                if number % TELL_EVERY == 0:
                    tell(progress)
                text = line.rstrip("\r\n")
                if not text.strip() or (form == "csv" and number <= said.skip):
                    continue
                if form == "csv" and columns is None:
                    columns = _names(path, text, said, wanted)
                    continue
                whole = len(text) < len(line) or said.last_line == "whole"
                row = _row(number, text, form, said, columns or [], nothing, whole=whole)
                if row is not None:
                    yield row
        except UnicodeError as error:
            raise Problem(f"{path} is not written in {encoding}: {error}; name its encoding in the mapping") from None
        finally:
            lines.detach()  # the file is closed by whoever opened it
        if form == "csv" and columns is None:
            raise Problem(f"{path} has no row that names its columns")
        tell(progress)


def _names(path: Path, text: str, said: FileForm, wanted: Collection[str]) -> list[str]:
    try:
        return _checked(path, [name.lstrip("\ufeff") for name in _cells(text, said)], said, wanted)
    except csv.Error:
        raise Problem(f"{path}: the names of its columns have a quotation mark that is not closed") from None


def _checked(path: Path, names: list[str], said: FileForm, wanted: Collection[str]) -> list[str]:
    """The names of a file's columns, where those that are wanted are among them. Raises Problem."""
    missing = [name for name in wanted if name not in names]
    if missing:
        has = ", ".join(repr(name) for name in names[:40])
        raise Problem(
            f"{path} has no column {', '.join(map(repr, missing))}; it has {has} (separator {said.separator!r},"
            f" encoding {said.encoding})"
        )
    twice = [name for name in wanted if names.count(name) > 1]
    if twice:
        raise Problem(f"{path} has more than one column {' and '.join(map(repr, twice))}")
    return names


def _cells(text: str, said: FileForm) -> list[str]:
    return [cell.strip() for cell in next(csv.reader([text], delimiter=said.separator, strict=True), [])]


def _row(
    number: int, text: str, form: Form, said: FileForm, columns: list[str], nothing: frozenset[str], *, whole: bool
) -> Row | None:
    """A line's row; None where it names the columns once more, as in files put one behind the other."""
    raw = text.encode("utf-8", "surrogateescape")
    if len(text) > _LONGEST:
        return Row(number, raw, {}, "the line is longer than 100,000 characters")
    if form == "json-lines":
        try:
            cells = dict(_leaves(msgspec.json.decode(raw, type=dict[str, Any]), "", said.decimal))
        except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
            end = "" if whole else "; it is the last one and does not end, so it may be half written"
            return Row(number, raw, {}, f"the line is no JSON object{end}")
        return Row(number, raw, {name: cell for name, cell in cells.items() if cell not in nothing})
    try:
        found = _cells(text, said)
    except csv.Error:
        return Row(number, raw, {}, "a quotation mark is not closed, or text follows one")
    if found == columns:
        return None
    if not whole:
        wrong = (
            'the last line does not end, so it may be half written; last_line = "whole" in the mapping\'s file reads it'
        )
        return Row(number, raw, {}, wrong)
    while len(found) > len(columns) and not found[-1]:
        found.pop()  # separators at the end of each line are common
    if len(found) != len(columns):
        return Row(number, raw, {}, f"{len(found)} cells under {len(columns)} columns")
    return Row(number, raw, {name: cell for name, cell in zip(columns, found, strict=True) if cell not in nothing})


def _leaves(value: Any, name: str, decimal: str) -> Iterator[tuple[str, str]]:
    """What a JSON object says, by names with dots between; numbers as its files write them."""
    match value:
        case dict():
            for key, inner in value.items():
                yield from _leaves(inner, f"{name}.{key}" if name else key, decimal)
        case list():
            for place, inner in enumerate(value):
                yield from _leaves(inner, f"{name}.{place}", decimal)
        case bool():
            yield name, str(value).lower()
        case int() | float():
            yield name, repr(value).replace(".", decimal)
        case str():
            yield name, value.strip()
