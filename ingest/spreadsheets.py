"""Tables as spreadsheet programs write them: UTF-8, UTF-16 or a Western code page; commas, semicolons or tabs; decimal commas."""

import codecs
import csv
import io
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from ingest.errors import Problem

_SEPARATORS: Final = (",", ";", "\t")
_SEPARATOR_LINE: Final = re.compile(
    r'^"?sep=(.)"?\s*$', re.IGNORECASE
)  # a line that some programs put above the header
_DECIMAL_COMMA: Final = re.compile(r"[-+]?\d+,\d+")
# What a spreadsheet takes for a formula: what begins so (or would, once quotation marks are off), and is no number.
FORMULA: Final = r"^'*[=+\-@\t\r]"
NUMBER: Final = r"^[-+]?[0-9.]+(e[-+]?[0-9]+)?$"
_QUOTE: Final = "put quotation marks round"
NAME_ENDINGS: Final = (".csv", ".txt", ".tsv")


@dataclass(frozen=True)
class Table:
    """A table's rows as text by column, with their numbers as a spreadsheet shows them, and what is wrong with rows that have no form."""

    name: str
    columns: tuple[str, ...]
    rows: tuple[tuple[int, dict[str, str]], ...]
    wrong: tuple[tuple[int, str], ...]


def read_table(path: Path, known: Iterable[str]) -> Table:
    """The table in a file, whose separator is the one that gives most of the `known` columns. Raises Problem."""
    try:
        # Not splitlines, which takes separators for ends of rows that stand in notes, such as U+2028.
        lines = list(io.StringIO(decoded(path.read_bytes()), newline=""))
    except OSError as error:
        raise Problem(f"{path.name} cannot be read: {error.strerror}") from None
    first = 1
    told = _SEPARATOR_LINE.match(lines[0]) if lines else None
    if told:
        lines, first = lines[1:], 2
    separators = (told[1],) if told else _SEPARATORS
    heads = {separator: _columns(lines, separator) for separator in separators}
    separator = max(separators, key=lambda one: len(set(known) & set(heads[one])))
    columns = heads[separator]
    rows, wrong = list[tuple[int, dict[str, str]]](), list[tuple[int, str]]()
    number = first
    try:
        for number, cells in enumerate(csv.reader(lines, delimiter=separator, strict=True), start=first):
            if number == first or not any(cell.strip() for cell in cells):
                continue
            if any(cell.strip() for cell in cells[len(columns) :]):
                wrong.append(
                    (
                        number,
                        f"{len(cells)} cells under {len(columns)} columns; {_QUOTE} a text that holds {separator!r}",
                    )
                )
                continue
            rows.append((number, dict.fromkeys(columns, "") | dict(zip(columns, map(_cell, cells), strict=False))))
    except csv.Error:
        wrong.append((number + 1, f"a quotation mark is not closed, or text follows one; {_QUOTE} the whole cell"))
    return Table(path.name, columns, tuple(rows), tuple(wrong))


def _columns(lines: Sequence[str], separator: str) -> tuple[str, ...]:
    try:
        head = next(csv.reader(lines, delimiter=separator), [])
    except csv.Error:
        return ()
    return tuple(re.sub(r"\s+", "_", name.strip().casefold()) for name in head)


def decoded(data: bytes) -> str:
    """Text in whatever encoding a spreadsheet gave it; what is no UTF is taken for Windows' Western code page."""
    for mark, encoding in (
        (codecs.BOM_UTF8, "utf-8-sig"),
        (codecs.BOM_UTF16_LE, "utf-16"),
        (codecs.BOM_UTF16_BE, "utf-16"),
    ):
        if data.startswith(mark):
            return data.decode(encoding, "replace")
    if data[1:2] == b"\x00" or data[:1] == b"\x00":  # UTF-16 without a mark
        return data.decode("utf-16-le" if data[1:2] == b"\x00" else "utf-16-be", "replace")
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        return data.decode("cp1252", "replace")


def guarded(text: str) -> str:
    """A cell that no spreadsheet takes for a formula."""
    return f"'{text}" if re.match(FORMULA, text) and not re.fullmatch(NUMBER, text) else text


def _cell(text: str) -> str:
    """What a cell says: what `guarded` put before it is not part of it."""
    text = re.sub(r"\s*[\r\n]+\s*", " ", text.strip())  # a cell with a line break is one name all the same
    return text[1:] if text[:1] == "'" and guarded(text[1:]) == text else text


def with_point(text: str) -> str:
    """A number with a decimal point, where it was written with a comma."""
    return text.replace(",", ".") if _DECIMAL_COMMA.fullmatch(text) else text
