"""The registry's files, `vehicles.csv` and `lines.csv`: read row by row, with all that is wrong told at once."""

import csv
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import msgspec

from ingest.errors import Problem
from ingest.messages import is_name
from ingest.setups import Line, Setup
from ingest.times import read_time

MAX_LINES: Final = 100
MAX_ERRORS_EXPLAINED: Final = 50


_VEHICLE_COLUMNS: Final = (
    "vehicle fleet unit class depot timezone commissioned feed reservoir_l low_mark_pct interval_min run_s"
    " relief_kpa grease nlgi"
).split()
_LINE_COLUMNS: Final = "fleet vehicle line bundle point channel dose_cm3 length_m bore_mm".split()
_YES_NO: Final = {"yes": True, "no": False, "": None}


class _Errors:
    """Collects what is wrong, row by row, so that everything can be mended in one go."""

    def __init__(self) -> None:
        self.found: list[tuple[str, int, str]] = []

    def add(self, file: str, row: int, text: str) -> None:
        self.found.append((file, row, text))

    def raise_if_any(self) -> None:
        if self.found:
            told = [f"{file} row {row}: {text}" for file, row, text in self.found[:MAX_ERRORS_EXPLAINED]]
            rest: dict[str, dict[int, None]] = {}
            for file, row, _ in self.found[MAX_ERRORS_EXPLAINED:]:
                rest.setdefault(file, {})[row] = None
            told += [f"{file} also rows {', '.join(map(str, rows))}" for file, rows in rest.items()]
            raise Problem("nothing registered; " + "; ".join(told))


def _rows(path: Path, needed: list[str]) -> list[tuple[int, dict[str, str]]]:
    """Rows with their numbers as a spreadsheet shows them (the header is row 1)."""
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.DictReader(file, strict=True)
            missing = [name for name in needed if name not in (reader.fieldnames or [])]
            if missing:
                raise Problem(f"{path.name} lacks the column{'s' * (len(missing) > 1)} {', '.join(missing)}")
            return [
                (number, {key: (value or "").strip() for key, value in row.items() if key})
                for number, row in enumerate(reader, start=2)
                if any(isinstance(value, str) and value.strip() for value in row.values())
            ]
    except FileNotFoundError:
        raise Problem(f"{path} is missing; the folder must hold vehicles.csv and lines.csv") from None
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise Problem(f"{path} cannot be read as CSV in UTF-8: {error}") from None


def _convert(row: Mapping[str, Any], shape: Any) -> Any:
    """A row of text as a structure. Raises ValueError that names the column."""
    try:
        return msgspec.convert(row, shape, strict=False)
    except msgspec.ValidationError as error:
        text, _, where = str(error).partition(" - at `$.")
        column = where.rstrip("`") or "row"
        raise ValueError(f"{'class' if column == 'vehicle_class' else column}: {text.replace('`', '')}") from None


def _yes_no(row: Mapping[str, str], column: str) -> bool | None:
    text = row.get(column, "").lower()
    if text not in _YES_NO:
        raise ValueError(f"{column}: {text!r} is neither yes nor no")
    return _YES_NO[text]


def _vehicle(row: Mapping[str, str]) -> Setup:
    if not (is_name(row["fleet"]) and is_name(row["vehicle"])):
        raise ValueError("fleet and vehicle: up to 64 of A-Z a-z 0-9 _ -")
    try:
        ZoneInfo(row["timezone"])
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise ValueError(f"timezone: {row['timezone']!r} is not an IANA name such as Europe/Warsaw") from None
    values: dict[str, Any] = {name: row[name] for name in _VEHICLE_COLUMNS if name != "class"}
    values["vehicle_class"] = row["class"]
    values["commissioned"] = row["commissioned"] or None
    values["level"] = row.get("level") or "percent"
    values["confirmation"] = _yes_no(row, "confirmation")
    values["nominal_v"] = row.get("nominal_v") or None
    if values["nominal_v"] not in (None, "12", "24", "12.0", "24.0"):
        raise ValueError(f"nominal_v: {values['nominal_v']!r} is neither 12 nor 24")
    values["valid_from_us"] = _valid_from(row["valid_from"]) if row.get("valid_from") else None
    for name in ("reservoir_l", "low_mark_pct", "interval_min", "run_s", "relief_kpa"):
        if row[name].lower() in ("nan", "inf", "-inf", "infinity"):
            raise ValueError(f"{name}: {row[name]!r} is not a number")
    setup: Setup = _convert(values, Setup)
    return setup


def _valid_from(text: str) -> int:
    try:
        return read_time(text)
    except ValueError as error:
        raise ValueError(f"valid_from: {error}") from None


def _line(row: Mapping[str, str]) -> Line:
    values: dict[str, Any] = {name: row[name] for name in _LINE_COLUMNS if name not in ("fleet", "vehicle")}
    values["channel"] = row["channel"] or None
    values["critical"] = bool(_yes_no(row, "critical"))
    line: Line = _convert(values, Line)
    return line


def read_files(folder: Path, held: Mapping[tuple[str, str], Setup]) -> list[Setup]:
    """The set-ups that the files in `folder` ask for, what they leave out taken from `held`. Raises Problem."""
    errors = _Errors()
    vehicles: dict[tuple[str, str], Setup] = {}
    rows_of: dict[tuple[str, str], int] = {}
    for number, row in _rows(folder / "vehicles.csv", _VEHICLE_COLUMNS):
        key = row["fleet"], row["vehicle"]
        if key in vehicles:
            errors.add("vehicles.csv", number, f"vehicle {key[1]} of fleet {key[0]} is already in row {rows_of[key]}")
            continue
        try:
            vehicles[key], rows_of[key] = _vehicle(row), number
        except ValueError as error:
            errors.add("vehicles.csv", number, f"vehicle {row['vehicle']}: {error}")
            rows_of[key] = number
    lines: dict[tuple[str, str], list[Line]] = {}
    for number, row in _rows(folder / "lines.csv", _LINE_COLUMNS):
        key = row["fleet"], row["vehicle"]
        if key not in rows_of and key not in held:
            errors.add("lines.csv", number, f"vehicle {key[1]!r} of fleet {key[0]!r} is in no row of vehicles.csv")
            continue
        try:
            lines.setdefault(key, []).append(_line(row))
        except ValueError as error:
            errors.add("lines.csv", number, f"vehicle {key[1]}, line {row['line'] or '?'}: {error}")
            continue
        if sum(line.line == lines[key][-1].line for line in lines[key]) > 1:
            errors.add("lines.csv", number, f"vehicle {key[1]}: line {row['line']} is there twice")
        if len(lines[key]) == MAX_LINES + 1:
            errors.add("lines.csv", number, f"vehicle {key[1]}: more than {MAX_LINES} lines")
    wanted = []
    for key in [*vehicles, *(key for key in lines if key not in vehicles and key in held)]:
        base = vehicles.get(key) or msgspec.structs.replace(held[key], valid_from_us=None)
        own = sorted(lines[key], key=lambda line: line.line) if key in lines else None
        kept = held[key].lines if key in held else ()
        if own is None and not kept:
            errors.add("vehicles.csv", rows_of[key], f"vehicle {key[1]}: lines.csv has no line of it")
            continue
        wanted.append(msgspec.structs.replace(base, lines=tuple(own) if own is not None else kept))
    errors.raise_if_any()
    return wanted
