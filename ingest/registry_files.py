"""The registry's files, `vehicles.csv`, `lines.csv` and, where points are greased by hand, `points.csv`: read row by row, with all that is
wrong told at once."""

import re
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, partial
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import msgspec

from ingest.bounds import unseen
from ingest.errors import BadRows, Problem
from ingest.messages import is_name
from ingest.setups import NO_SYSTEM, HandPoint, IntervalUnit, Line, Setup
from ingest.spreadsheets import NAME_ENDINGS, Table, read_table, with_point
from ingest.times import instant, now_us, read_time

MAX_LINES: Final = 100
MAX_CAUSES_EXPLAINED: Final = 50


_VEHICLE_COLUMNS: Final = (
    "vehicle fleet unit class depot timezone commissioned feed reservoir_l low_mark_pct interval_min run_s"
    " relief_kpa grease nlgi"
).split()
_LINE_COLUMNS: Final = "fleet vehicle line bundle point channel dose_cm3 length_m bore_mm".split()
_POINT_COLUMNS: Final = "fleet vehicle number point".split()
INTERVALS: Final[Mapping[str, IntervalUnit]] = {"interval_h": "h", "interval_km": "km", "interval_days": "d"}
_AMOUNTS: Final = ("grams", "strokes")
_YES_NO: Final = {"yes": True, "no": False, "": None}


class _Errors:
    """Collects what is wrong, row by row, so that everything can be mended in one go; rows with one cause are told together."""

    def __init__(self) -> None:
        self.found: dict[tuple[str, str], dict[int, str]] = {}  # (file, cause) -> row -> whose it is

    def add(self, file: str, row: int, cause: str, whose: str = "") -> None:
        self.found.setdefault((file, cause), {}).setdefault(row, whose)

    def raise_if_any(self) -> None:
        if not self.found:
            return
        told = []
        for (file, cause), rows in list(self.found.items())[:MAX_CAUSES_EXPLAINED]:
            whose = f"{next(iter(rows.values()))}: " if len(rows) == 1 and any(rows.values()) else ""
            told.append(f"{file} {_rows(rows)}: {whose}{cause}")
        rest: dict[str, list[int]] = {}
        for (file, _), rows in list(self.found.items())[MAX_CAUSES_EXPLAINED:]:
            rest.setdefault(file, []).extend(rows)
        told += [f"{file} also {_rows(rows)}" for file, rows in rest.items()]
        raise BadRows(told)


def _rows(numbers: Iterable[int]) -> str:
    """Numbers of rows in words: row 7; rows 2 to 9, 12."""
    ordered, runs = sorted(set(numbers)), list[list[int]]()
    for number in ordered:
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    text = ", ".join(str(first) if first == last else f"{first} to {last}" for first, last in runs)
    return f"row{'s' * (len(ordered) > 1)} {text}"


def _tables(folder: Path) -> tuple[Table, Table, Table]:
    """The tables of vehicles, of lines and of points greased by hand in a folder: by their names, else by their columns. That of points
    may be missing, and has no columns then. Raises Problem."""
    paths = sorted(path for path in folder.iterdir() if path.suffix.casefold() in NAME_ENDINGS)
    known = frozenset({*_VEHICLE_COLUMNS, *_LINE_COLUMNS, *_POINT_COLUMNS, *INTERVALS, *_AMOUNTS})
    read, found = cache(partial(read_table, known=known)), []
    for name, needed, marks in (
        ("vehicles.csv", _VEHICLE_COLUMNS, ("reservoir_l",)),
        ("lines.csv", _LINE_COLUMNS, ("dose_cm3",)),
        ("points.csv", _POINT_COLUMNS, tuple(INTERVALS)),
    ):
        named = [read(path) for path in paths if path.name == name]
        fitting = named or [table for path in paths if not {*marks}.isdisjoint((table := read(path)).columns)]
        if not fitting and name == "points.csv":
            found.append(Table(name, (), (), ()))
            continue
        if len(fitting) != 1:
            why = "is missing" if not fitting else f"could be any of {', '.join(table.name for table in fitting)}"
            raise Problem(f"{name} {why}; the folder must hold vehicles.csv and lines.csv")
        missing = [column for column in needed if column not in fitting[0].columns]
        if missing:
            raise Problem(f"{fitting[0].name} lacks the column{'s' * (len(missing) > 1)} {', '.join(missing)}")
        found.append(fitting[0])
    return found[0], found[1], found[2]


# What may stand in a column, as it is told to whoever wrote something else.
_ALLOWED: Final = {
    "unit": "a name of 1 to 256 characters",
    "class": "up to 256 characters",
    "depot": "a name of 1 to 256 characters",
    "commissioned": "a date such as 2026-03-31, or nothing",
    "feed": "direct, progressive or injector",
    "reservoir_l": "litres at the full mark, above 0, such as 4.5",
    "low_mark_pct": "percent of the full reservoir, 0 to 100",
    "interval_min": "minutes, above 0",
    "run_s": "seconds, above 0",
    "relief_kpa": "kPa, such as 28000 for 280 bar",
    "grease": "up to 256 characters",
    "nlgi": "an NLGI grade: 000, 00, 0, 1, 2, 3, 4, 5 or 6",
    "level": "percent, switch or none",
    "line": "a whole number from 1 to 9999",
    "bundle": "up to 256 characters",
    "point": "a name of 1 to 256 characters",
    "channel": "up to 64 characters, or nothing",
    "dose_cm3": "cm3 a cycle, above 0, such as 0.4",
    "length_m": "metres, above 0",
    "bore_mm": "millimetres, above 0",
    "number": "a whole number from 1 to 9999",
    "interval_h": "hours of ignition, 1 to 20000, without a separator of thousands",
    "interval_km": "kilometres, 50 to 500000, without a separator of thousands",
    "interval_days": "days, 1 to 3650",
    "grams": "grams, above 0",
    "strokes": "strokes of the grease gun, above 0",
}
_NUMBERS: Final = (
    "reservoir_l low_mark_pct interval_min run_s relief_kpa nominal_v line dose_cm3 length_m bore_mm number"
    " interval_h interval_km interval_days grams strokes"
).split()
# The consistency classes of lubricating greases (ASTM D217, NLGI), and what lies between or spans two of them.
_NLGI: Final = re.compile(r"(000|00|0|[1-6])(?:[-/](00|0|[1-6]))?|[0-5]\.5")
_LOWEST_RELIEF_KPA: Final = 1_000  # below 10 bar nothing is pumped through a line: a pressure in bar
_HIGHEST_RELIEF_KPA: Final = 100_000
_LARGEST_RESERVOIR_L: Final = 500  # twice a drum: more is written in cm3 (common practice, no source)
# From several times a shift to once in the life of a machine: what lies outside is another unit or a slip (common practice, no source).
_INTERVALS: Final[Mapping[IntervalUnit, tuple[float, float]]] = {"h": (1, 20_000), "km": (50, 500_000), "d": (1, 3_650)}
_THOUSANDS: Final = re.compile(r"\d{1,3}(,\d{3})+")
_AHEAD_DAYS: Final = 366  # a vehicle may be registered before it is fitted, not years before


def _numbers(row: Mapping[str, str]) -> dict[str, str]:
    """A row whose numbers have decimal points. Raises ValueError that names the column."""
    read = {column: with_point(text) if column in _NUMBERS else text for column, text in row.items()}
    for column in _NUMBERS:
        if read.get(column, "").casefold().lstrip("+-") in ("nan", "inf", "infinity"):
            raise ValueError(f"{column}: {row[column]!r} is no number; write {_ALLOWED.get(column, '12 or 24')}")
    return read


def _convert(row: Mapping[str, str], values: Mapping[str, Any], shape: Any) -> Any:
    """A row of text as a structure. Raises ValueError that names the column, what stands there, and what may."""
    try:
        made = msgspec.convert(values, shape, strict=False)
    except msgspec.ValidationError as error:
        column = str(error).partition(" - at `$.")[2].rstrip("`")
        column = "class" if column == "vehicle_class" else column
        allowed = _ALLOWED.get(column, "something else")
        raise ValueError(f"{column or 'row'}: {row.get(column, '')!r} cannot be; write {allowed}") from None
    if (wrong := unseen(row.items())) is not None:
        raise ValueError(wrong)
    return made


def check(setup: Setup) -> None:
    """What the type of each value allows and is wrong all the same. Raises ValueError that names the column."""
    for column in ("fleet", "vehicle"):
        if not is_name(getattr(setup, column)):
            raise ValueError(f"{column}: {getattr(setup, column)!r} cannot be; write up to 64 of A-Z a-z 0-9 _ -")
    try:
        ZoneInfo(setup.timezone)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise ValueError(f"timezone: {setup.timezone!r} cannot be; write an IANA name such as Etc/UTC") from None
    if not _NLGI.fullmatch(setup.nlgi):
        raise ValueError(f"nlgi: {setup.nlgi!r} cannot be; write {_ALLOWED['nlgi']}")
    if setup.nominal_v not in (None, 12, 24):
        raise ValueError(f"nominal_v: {setup.nominal_v:g} cannot be; write 12, 24 or nothing")
    if setup.interval_min * 60 <= setup.run_s:
        raise ValueError(
            f"interval_min: {setup.interval_min:g} min is no longer than the run of {setup.run_s:g} s; write minutes from start to start"
        )
    if not _LOWEST_RELIEF_KPA <= setup.relief_kpa <= _HIGHEST_RELIEF_KPA:
        raise ValueError(f"relief_kpa: {setup.relief_kpa:g} cannot be; write {_ALLOWED['relief_kpa']}")
    if setup.reservoir_l > _LARGEST_RESERVOIR_L:
        raise ValueError(f"reservoir_l: {setup.reservoir_l:g} cannot be; write {_ALLOWED['reservoir_l']}")
    for point in setup.hand_points:
        check_hand(point)
    if setup.commissioned is not None and (setup.commissioned - instant(now_us()).date()).days > _AHEAD_DAYS:
        raise ValueError(
            f"commissioned: {setup.commissioned} is more than a year ahead; write {_ALLOWED['commissioned']}"
        )


def check_hand(point: HandPoint) -> None:
    """The same of a point that is greased by hand."""
    least, most = _INTERVALS[point.unit]
    if not least <= point.every <= most:
        column = next(name for name, unit in INTERVALS.items() if unit == point.unit)
        raise ValueError(f"{column}: {point.every:.15g} cannot be; write {_ALLOWED[column]}")


def _yes_no(row: Mapping[str, str], column: str) -> bool | None:
    text = row.get(column, "").lower()
    if text not in _YES_NO:
        raise ValueError(f"{column}: {text!r} cannot be; write yes, no or nothing")
    return _YES_NO[text]


def _vehicle(row: Mapping[str, str]) -> Setup:
    controller = _yes_no(row, "controller") is not False
    row = _numbers(row if controller else {**row, **NO_SYSTEM})
    values: dict[str, Any] = {name: row[name] for name in _VEHICLE_COLUMNS if name != "class"}
    values["vehicle_class"] = row["class"]
    values["commissioned"] = row["commissioned"] or None
    values["level"] = row.get("level") or "percent"
    values["confirmation"] = _yes_no(row, "confirmation")
    values["nominal_v"] = row.get("nominal_v") or None
    values["controller"] = controller
    values["valid_from_us"] = _valid_from(row["valid_from"]) if row.get("valid_from") else None
    setup: Setup = _convert(row, values, Setup)
    check(setup)
    return setup


def _valid_from(text: str) -> int:
    try:
        return read_time(text)
    except ValueError as error:
        raise ValueError(f"valid_from: {error}") from None


def _line(row: Mapping[str, str]) -> Line:
    row = _numbers(row)
    values: dict[str, Any] = {name: row[name] for name in _LINE_COLUMNS if name not in ("fleet", "vehicle")}
    values["channel"] = row["channel"] or None
    values["critical"] = bool(_yes_no(row, "critical"))
    line: Line = _convert(row, values, Line)
    return line


def _hand_point(written: Mapping[str, str]) -> HandPoint:
    row = _numbers(written)
    told = {name: [column for column in names if row.get(column)] for name, names in _CHOICES.items()}
    for name, columns in told.items():
        if len(columns) != 1:
            raise ValueError(
                f"write the {name} in one of the columns {', '.join(_CHOICES[name])}; it is in {len(columns)}"
            )
    (interval,), (amount,) = told["interval"], told["amount"]
    if _THOUSANDS.fullmatch(written[interval]):  # with a decimal comma it would be a thousandth
        raise ValueError(f"{interval}: {written[interval]!r} cannot be; write {_ALLOWED[interval]}")
    values: dict[str, Any] = {"number": row["number"], "point": row["point"], "grease": row.get("grease", "")}
    values |= {"every": row[interval], "unit": INTERVALS[interval], amount: row[amount]}
    values["critical"] = bool(_yes_no(row, "critical"))
    try:
        point: HandPoint = _convert(row, values, HandPoint)
    except ValueError as error:  # it names the value by its column
        text = str(error)
        if text.startswith("every:"):
            text = f"{interval}: {row[interval]!r} cannot be; write {_ALLOWED[interval]}"
        raise ValueError(text) from None
    check_hand(point)
    return point


_CHOICES: Final = {"interval": tuple(INTERVALS), "amount": _AMOUNTS}


def _hand_points(
    table: Table, known: Collection[tuple[str, str]], vehicles: str, errors: _Errors
) -> dict[tuple[str, str], list[HandPoint]]:
    """The points greased by hand of each vehicle that the table names."""
    points: dict[tuple[str, str], list[HandPoint]] = {}
    for number, row in table.rows:
        key = row["fleet"], row["vehicle"]
        if key not in known:
            errors.add(table.name, number, f"vehicle {key[1]!r} of fleet {key[0]!r} is in no row of {vehicles}")
            continue
        own = points.setdefault(key, [])
        try:
            own.append(_hand_point(row))
        except ValueError as error:
            errors.add(table.name, number, str(error), f"vehicle {key[1]}, point {row['number'] or '?'}")
            continue
        if sum(point.number == own[-1].number for point in own) > 1:
            errors.add(table.name, number, f"vehicle {key[1]}: point {row['number']} is there twice")
        if len(own) == MAX_LINES + 1:
            errors.add(table.name, number, f"vehicle {key[1]}: more than {MAX_LINES} points")
    return points


@dataclass(frozen=True)
class _Asked:
    """What the tables say, by (fleet, vehicle); without `says_points` there was none of points."""

    vehicles: Mapping[tuple[str, str], Setup]
    lines: Mapping[tuple[str, str], Sequence[Line]]
    points: Mapping[tuple[str, str], Sequence[HandPoint]]
    says_points: bool

    def setup(self, key: tuple[str, str], before: Setup | None) -> Setup:
        """The set-up of a vehicle, what the tables leave out as it was before."""
        base = self.vehicles.get(key)
        if base is None and before is not None:
            base = msgspec.structs.replace(before, valid_from_us=None)
        assert base is not None, "it is in a table of vehicles, or was registered before"
        lines = tuple(sorted(self.lines[key], key=lambda line: line.line)) if key in self.lines else None
        if lines is None:
            lines = before.lines if before is not None and base.controller else ()
        by_hand = before.hand_points if before is not None else ()
        if self.says_points and (key in self.vehicles or key in self.points):  # it says all of theirs
            by_hand = tuple(sorted(self.points.get(key, ()), key=lambda point: point.number))
        return msgspec.structs.replace(base, lines=lines, hand_points=by_hand)


def _missing(setup: Setup, has_lines: bool, line_file: str) -> str:
    """What a set-up lacks, or has too much; nothing where it is whole."""
    if setup.controller:
        return "" if setup.lines or has_lines else f": {line_file} has no line of it"  # bad ones are told as such
    if has_lines:
        return " has no controller: name its points in points.csv, not as lines"
    return "" if setup.hand_points else " has no controller: points.csv has no point of it"


def read_files(
    folder: Path, held: Mapping[tuple[str, str], Setup], show: Callable[[int, int], None] = lambda done, of: None
) -> list[Setup]:
    """The set-ups that the files in `folder` ask for, what they leave out taken from `held`; `show` is told (rows done, of). Raises
    Problem."""
    errors = _Errors()
    vehicle_table, line_table, point_table = _tables(folder)
    rows = len(vehicle_table.rows) + len(line_table.rows)
    for table in (vehicle_table, line_table, point_table):
        for number, text in table.wrong:
            errors.add(table.name, number, text)
    vehicles: dict[tuple[str, str], Setup] = {}
    rows_of: dict[tuple[str, str], int] = {}
    for done, (number, row) in enumerate(vehicle_table.rows):
        show(done, rows)
        key = row["fleet"], row["vehicle"]
        if key in vehicles:
            errors.add(
                vehicle_table.name, number, f"vehicle {key[1]} of fleet {key[0]} is already in row {rows_of[key]}"
            )
            continue
        try:
            vehicles[key], rows_of[key] = _vehicle(row), number
        except ValueError as error:
            errors.add(vehicle_table.name, number, str(error), f"vehicle {row['vehicle']}")
            rows_of[key] = number
    lines: dict[tuple[str, str], list[Line]] = {}
    for done, (number, row) in enumerate(line_table.rows, start=len(vehicle_table.rows)):
        show(done, rows)
        key = row["fleet"], row["vehicle"]
        if key not in rows_of and key not in held:
            errors.add(
                line_table.name, number, f"vehicle {key[1]!r} of fleet {key[0]!r} is in no row of {vehicle_table.name}"
            )
            continue
        try:
            lines.setdefault(key, []).append(_line(row))
        except ValueError as error:
            errors.add(line_table.name, number, str(error), f"vehicle {key[1]}, line {row['line'] or '?'}")
            continue
        if sum(line.line == lines[key][-1].line for line in lines[key]) > 1:
            errors.add(line_table.name, number, f"vehicle {key[1]}: line {row['line']} is there twice")
        if len(lines[key]) == MAX_LINES + 1:
            errors.add(line_table.name, number, f"vehicle {key[1]}: more than {MAX_LINES} lines")
    points = _hand_points(point_table, {*rows_of, *held}, vehicle_table.name, errors)
    asked = _Asked(vehicles, lines, points, bool(point_table.columns))
    wanted = []
    for key in [*vehicles, *(key for key in {**lines, **points} if key not in vehicles and key in held)]:
        setup = asked.setup(key, held.get(key))
        wrong = _missing(setup, key in lines, line_table.name)
        if wrong:
            errors.add(
                vehicle_table.name if key in rows_of else line_table.name,
                rows_of.get(key, 1),
                f"vehicle {key[1]}{wrong}",
            )
        else:
            wanted.append(setup)
    errors.raise_if_any()
    return wanted
