"""Vehicles and their line lists: each set-up is kept from its time on."""

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

import msgspec
from sqlalchemy import Connection, Select, delete, insert, select, update

from ingest import schema
from ingest.errors import Problem
from ingest.recorder import find_vehicles, know_vehicles
from ingest.registry_files import read_files
from ingest.setups import HandPoint, Line, Setup, Vehicle, as_worked
from ingest.times import instant
from ingest.work_records import among, read_work, these

_SETUP_TABLE: Final = tuple(c.name for c in schema.setup.columns if c.name not in ("id", "vehicle_id"))
_FEW: Final = 500  # a database takes so many parameters of a statement
_LINE_TABLE: Final = tuple(c.name for c in schema.line.columns if c.name != "setup_id")
_HAND_TABLE: Final = tuple(c.name for c in schema.hand_point.columns if c.name != "setup_id")


@dataclass(frozen=True)
class Registered:
    """What the files held, the vehicles whose set-up they changed, and those that are commissioned on a day still to come."""

    vehicles: int
    lines: int
    changed: frozenset[int]
    to_come: tuple[Setup, ...]


def register(
    connection: Connection, folder: Path, now_us: int, show: Callable[[int, int], None] = lambda done, of: None
) -> Registered:
    """Take the files in `folder` in, all or nothing. Raises Problem that names every bad row."""
    # Keeping takes about as long as reading, as far as anybody knows.
    wanted = read(connection, folder, lambda done, of: show(done, 2 * of))
    return keep(connection, wanted, now_us, lambda done, of: show(of + done, 2 * of))


def read(connection: Connection, folder: Path, show: Callable[[int, int], None] = lambda done, of: None) -> list[Setup]:
    """What the files in `folder` hold, looked at row by row; nothing is written. Raises Problem that names every bad row."""
    if not folder.is_dir():
        raise Problem(f"{folder} is not a folder; it must hold vehicles.csv and lines.csv")
    wanted = read_files(folder, {(v.fleet, v.name): v.newest for v in read_vehicles(connection)}, show)
    if not wanted:
        raise Problem(f"{folder}: the files hold no vehicle")
    return wanted


def changes(connection: Connection, wanted: Sequence[Setup]) -> list[Setup]:
    """Those of the wanted set-ups that are new or other than what is kept."""
    held = _held(connection, wanted)

    def is_new(setup: Setup) -> bool:
        before = held.get((setup.fleet, setup.vehicle))
        if before is None:
            return True
        kept = {"valid_from_us": before.valid_from_us, "registered_us": before.registered_us}
        same = msgspec.structs.replace(setup, **kept) == before
        return not same or setup.valid_from_us not in (None, before.valid_from_us)

    return [setup for setup in wanted if is_new(setup)]


def keep(
    connection: Connection,
    wanted: Sequence[Setup],
    now_us: int,
    show: Callable[[int, int], None] = lambda done, of: None,
) -> Registered:
    """Take in what was read, all or nothing.

    A new vehicle's set-up holds from its first message on; a changed one from `valid_from` or else from `now_us` on.
    """
    held = _held(connection, wanted)
    ids = know_vehicles(connection, [(setup.fleet, setup.vehicle) for setup in wanted])
    # As recorders take their rows.
    new = sorted(changes(connection, wanted), key=lambda setup: ids[setup.fleet, setup.vehicle])
    for done, setup in enumerate(new):
        show(done, len(new))
        key, since = (setup.fleet, setup.vehicle), setup.valid_from_us
        if key in held and since is None:
            since = now_us
        _keep(connection, ids[key], msgspec.structs.replace(setup, valid_from_us=since, registered_us=now_us))
    lines = sum(len(setup.lines) for setup in wanted)
    changed = frozenset(ids[setup.fleet, setup.vehicle] for setup in new)
    return Registered(len(wanted), lines, changed, to_come(wanted, now_us))


def to_come(wanted: Sequence[Setup], now_us: int) -> tuple[Setup, ...]:
    """Those that are commissioned on a day still to come, which may be meant, or a slip: nobody hears of their silence before."""

    def today(setup: Setup) -> date:
        return instant(now_us).astimezone(ZoneInfo(setup.timezone)).date()

    return tuple(one for one in wanted if one.commissioned is not None and one.commissioned > today(one))


def _held(connection: Connection, wanted: Sequence[Setup]) -> dict[tuple[str, str], Setup]:
    """The newest set-ups of the vehicles that are wanted, perhaps of others too."""
    ids = find_vehicles(connection, {(setup.fleet, setup.vehicle) for setup in wanted}).values()
    only = list(ids) if len(ids) <= _FEW else None
    return {(v.fleet, v.name): v.newest for v in _registered(connection, only)}


def _keep(connection: Connection, vehicle_id: int, setup: Setup) -> None:
    table = schema.setup
    since = setup.valid_from_us
    at = table.c.valid_from_us.is_(None) if since is None else table.c.valid_from_us == since
    for (old,) in connection.execute(select(table.c.id).where(table.c.vehicle_id == vehicle_id, at)).all():
        for child in (schema.line, schema.hand_point):
            connection.execute(delete(child).where(child.c.setup_id == old))
        connection.execute(delete(table).where(table.c.id == old))
    values = {name: getattr(setup, name) for name in _SETUP_TABLE}
    row = connection.execute(insert(table).values(vehicle_id=vehicle_id, **values).returning(table.c.id))
    setup_id = row.scalar_one()
    for child, names, held in (
        (schema.line, _LINE_TABLE, setup.lines),
        (schema.hand_point, _HAND_TABLE, setup.hand_points),
    ):
        if held:
            rows = [{"setup_id": setup_id} | {name: getattr(one, name) for name in names} for one in held]
            connection.execute(insert(child), rows)
    connection.execute(
        update(schema.vehicle).where(schema.vehicle.c.id == vehicle_id).values(revision=schema.vehicle.c.revision + 1)
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
    asked, (of_lines, of_hand_points, of_setups) = these(vehicle_id), _queries(every=vehicle_id is None)
    lines: dict[int, list[Line]] = {}
    for setup_id, *values in connection.execute(of_lines, asked):
        lines.setdefault(setup_id, []).append(Line(**dict(zip(_LINE_TABLE, values, strict=True))))
    by_hand: dict[int, list[HandPoint]] = {}
    for setup_id, *values in connection.execute(of_hand_points, asked):
        by_hand.setdefault(setup_id, []).append(HandPoint(**dict(zip(_HAND_TABLE, values, strict=True))))
    found: dict[int, list[Setup]] = {}
    for setup_id, owner, fleet, name, *values in connection.execute(of_setups, asked):
        one = Setup(
            fleet=fleet, vehicle=name, lines=tuple(lines.get(setup_id, ())), hand_points=tuple(by_hand.get(setup_id, ())),
            **dict(zip(_SETUP_TABLE, values, strict=True)),
        )  # fmt: skip
        found.setdefault(owner, []).append(one)
    return [Vehicle(owner, tuple(setups)) for owner, setups in found.items()]


@cache
def _queries(*, every: bool) -> tuple[Select[Any], Select[Any], Select[Any]]:
    """Those of lines, points greased by hand and set-ups, made once: they are asked with each piece of news."""
    vehicle, setup, line, hand = schema.vehicle, schema.setup, schema.line, schema.hand_point
    only = among(setup.c.vehicle_id, every=every)
    chosen = setup.c.id, setup.c.vehicle_id, vehicle.c.fleet, vehicle.c.vehicle, *(setup.c[n] for n in _SETUP_TABLE)
    order = vehicle.c.fleet, vehicle.c.vehicle, setup.c.valid_from_us.is_not(None), setup.c.valid_from_us
    return (
        select(line).join(setup).where(*only).order_by(line.c.setup_id, line.c.line),
        select(hand).join(setup).where(*only).order_by(hand.c.setup_id, hand.c.number),
        select(*chosen).join(vehicle).where(*only).order_by(*order),
    )
