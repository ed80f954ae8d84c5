"""Vehicles and their call-out sheets: reading `vehicles.csv` and `lines.csv`, and keeping each set-up from its time on."""

import csv
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import msgspec
from sqlalchemy import Connection, delete, insert, select, update

from ingest import schema
from ingest.errors import Problem
from ingest.messages import is_name
from ingest.recorder import know_vehicles
from ingest.setups import Line, Setup, Vehicle, as_worked
from ingest.times import read_time
from ingest.work_records import of_vehicles, read_work

MAX_LINES: Final = 100
MAX_ERRORS_EXPLAINED: Final = 50


_VEHICLE_COLUMNS: Final = (
    "vehicle fleet unit class depot timezone commissioned feed reservoir_l low_mark_pct interval_min run_s"
    " relief_kpa grease nlgi"
).split()
_LINE_COLUMNS: Final = "fleet vehicle line bundle point channel dose_cm3 length_m bore_mm".split()
_YES_NO: Final = {"yes": True, "no": False, "": None}
_SETUP_TABLE: Final = tuple(c.name for c in schema.setup.columns if c.name not in ("id", "vehicle_id"))
_LINE_TABLE: Final = tuple(c.name for c in schema.line.columns if c.name != "setup_id")


@dataclass(frozen=True)
class Registered:
    """What the files held, and the vehicles whose set-up they changed."""

    vehicles: int
    lines: int
    changed: frozenset[int]


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


def _read(folder: Path, held: Mapping[tuple[str, str], Setup]) -> list[Setup]:
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


def register(connection: Connection, folder: Path, now_us: int) -> Registered:
    """Take the files in `folder` in, all or nothing. Raises Problem that names every bad row.

    A new vehicle's set-up holds from its first message on; a changed one from `valid_from` or else from `now_us` on.
    """
    if not folder.is_dir():
        raise Problem(f"{folder} is not a folder; it must hold vehicles.csv and lines.csv")
    held = {(v.fleet, v.name): v.newest for v in _registered(connection)}
    wanted = _read(folder, {(v.fleet, v.name): v.newest for v in read_vehicles(connection)})
    if not wanted:
        raise Problem(f"{folder}: the files hold no vehicle")
    ids = know_vehicles(connection, [(setup.fleet, setup.vehicle) for setup in wanted])
    changed = set[int]()
    for setup in sorted(wanted, key=lambda setup: ids[setup.fleet, setup.vehicle]):  # as recorders take their rows
        key = setup.fleet, setup.vehicle
        since = setup.valid_from_us
        if key in held:
            kept = {"valid_from_us": held[key].valid_from_us, "registered_us": held[key].registered_us}
            same = msgspec.structs.replace(setup, **kept) == held[key]
            if same and since in (None, held[key].valid_from_us):
                continue
            since = now_us if since is None else since
        _keep(connection, ids[key], msgspec.structs.replace(setup, valid_from_us=since, registered_us=now_us))
        changed.add(ids[key])
    return Registered(len(wanted), sum(len(setup.lines) for setup in wanted), frozenset(changed))


def _keep(connection: Connection, vehicle_id: int, setup: Setup) -> None:
    table = schema.setup
    since = setup.valid_from_us
    at = table.c.valid_from_us.is_(None) if since is None else table.c.valid_from_us == since
    for (old,) in connection.execute(select(table.c.id).where(table.c.vehicle_id == vehicle_id, at)).all():
        connection.execute(delete(schema.line).where(schema.line.c.setup_id == old))
        connection.execute(delete(table).where(table.c.id == old))
    values = {name: getattr(setup, name) for name in _SETUP_TABLE}
    row = connection.execute(insert(table).values(vehicle_id=vehicle_id, **values).returning(table.c.id))
    setup_id = row.scalar_one()
    connection.execute(
        insert(schema.line),
        [{"setup_id": setup_id} | {name: getattr(line, name) for name in _LINE_TABLE} for line in setup.lines],
    )
    connection.execute(
        update(schema.vehicle).where(schema.vehicle.c.id == vehicle_id).values(news=schema.vehicle.c.news + 1)
    )


def read_vehicles(connection: Connection, vehicle_id: int | Collection[int] | None = None) -> list[Vehicle]:
    """Registered vehicles by fleet and name: one of them, several, or all.

    Work that changed a set-up (timer set, moved) has its part in theirs.
    """
    work = read_work(connection, vehicle_id)
    return [Vehicle(v.id, as_worked(v.setups, work.get(v.id, ()))) for v in _registered(connection, vehicle_id)]


def find(connection: Connection, name: str) -> Vehicle:
    """The vehicle that somebody calls VEHICLE or FLEET/VEHICLE. Raises Problem."""
    table = schema.vehicle
    fleet, slash, vehicle = name.partition("/")
    chosen = [table.c.fleet == fleet, table.c.vehicle == vehicle] if slash else [table.c.vehicle == name]
    fitting = read_vehicles(connection, list(connection.execute(select(table.c.id).where(*chosen)).scalars()))
    if len(fitting) > 1:
        raise Problem(f"{name} is in several fleets; say one of: {', '.join(f'{v.fleet}/{v.name}' for v in fitting)}")
    if not fitting:
        raise Problem(unknown(name))
    return fitting[0]


def unknown(name: str) -> str:
    """What is said of a vehicle that is not there, or not there for whoever asks."""
    return f"no vehicle called {name!r} is registered; tallow refills lists all"


def _registered(connection: Connection, vehicle_id: int | Collection[int] | None = None) -> list[Vehicle]:
    """The same, as the registry files had them."""
    vehicle, setup, line = schema.vehicle, schema.setup, schema.line
    only = of_vehicles(setup.c.vehicle_id, vehicle_id)
    lines: dict[int, list[Line]] = {}
    for setup_id, *values in connection.execute(
        select(line).join(setup).where(*only).order_by(line.c.setup_id, line.c.line)
    ):
        lines.setdefault(setup_id, []).append(Line(**dict(zip(_LINE_TABLE, values, strict=True))))
    found: dict[int, list[Setup]] = {}
    chosen = [
        setup.c.id,
        setup.c.vehicle_id,
        vehicle.c.fleet,
        vehicle.c.vehicle,
        *(setup.c[n] for n in _SETUP_TABLE),
    ]
    order = (vehicle.c.fleet, vehicle.c.vehicle, setup.c.valid_from_us.is_not(None), setup.c.valid_from_us)
    for setup_id, owner, fleet, name, *values in connection.execute(
        select(*chosen).join(vehicle).where(*only).order_by(*order)
    ):
        one = Setup(
            fleet=fleet, vehicle=name, lines=tuple(lines.get(setup_id, ())), **dict(zip(_SETUP_TABLE, values, strict=True))
        )  # fmt: skip
        found.setdefault(owner, []).append(one)
    return [Vehicle(owner, tuple(setups)) for owner, setups in found.items()]
