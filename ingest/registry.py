"""Vehicles and their line lists: each set-up is kept from its time on."""

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

import msgspec
from sqlalchemy import Connection, Select, delete, func, insert, select, update

from ingest import schema
from ingest.errors import Problem
from ingest.recorder import find_vehicles, know_vehicles
from ingest.registry_files import read_files
from ingest.setups import HandPoint, Line, Setup, Vehicle, as_worked
from ingest.times import instant
from ingest.work_records import among, read_work, these

_SETUP_TABLE: Final = tuple(c.name for c in schema.setup.columns if c.name not in ("id", "vehicle_id"))
_REVISION: Final = select(func.sum(schema.registry_revision.c.revision))
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
    return _changes(_held(connection, wanted), wanted)


def _changes(held: Mapping[tuple[str, str], Setup], wanted: Sequence[Setup]) -> list[Setup]:
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
    new = sorted(_changes(held, wanted), key=lambda setup: ids[setup.fleet, setup.vehicle])
    for first in range(0, len(new), _FEW):
        some: dict[int, Setup] = {}
        for done, setup in enumerate(new[first : first + _FEW], start=first):
            show(done, len(new))
            key, since = (setup.fleet, setup.vehicle), setup.valid_from_us
            if key in held and since is None:
                since = now_us
            some[ids[key]] = msgspec.structs.replace(setup, valid_from_us=since, registered_us=now_us)
        _keep(connection, some)
    if new:
        _tell_of_change(connection)
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


def _keep(connection: Connection, setups: Mapping[int, Setup]) -> None:
    """Keep set-ups by vehicle id, in the place of those of the same time. A statement is about all of them: one for each vehicle took a
    large fleet minutes."""
    vehicle, table = schema.vehicle, schema.setup
    changed = vehicle.c.id.in_(list(setups))
    connection.execute(select(vehicle.c.id).where(changed).order_by(vehicle.c.id).with_for_update(key_share=True))
    connection.execute(update(vehicle).where(changed).values(revision=vehicle.c.revision + 1))
    old = [id_ for id_, _ in _of_same_time(connection, setups)]
    if old:
        for column in (schema.line.c.setup_id, schema.hand_point.c.setup_id, table.c.id):
            connection.execute(delete(column.table).where(column.in_(old)))
    rows = [{"vehicle_id": of} | {name: getattr(one, name) for name in _SETUP_TABLE} for of, one in setups.items()]
    connection.execute(insert(table), rows)
    made = [(id_, setups[of]) for id_, of in _of_same_time(connection, setups)]
    lines = [_part(id_, line, _LINE_TABLE) for id_, setup in made for line in setup.lines]
    by_hand = [_part(id_, point, _HAND_TABLE) for id_, setup in made for point in setup.hand_points]
    for child, held in ((schema.line, lines), (schema.hand_point, by_hand)):
        if held:
            connection.execute(insert(child), held)


def _tell_of_change(connection: Connection) -> None:
    table = schema.registry_revision
    if not connection.execute(update(table).values(revision=table.c.revision + 1)).rowcount:
        connection.execute(insert(table).values(revision=1))


def revision(connection: Connection) -> int:
    """A number that grows with whatever is registered: what follows from set-ups alone stands as long as it does. The first two who
    register at once have a row each, which both grow from then on."""
    return int(connection.scalar(_REVISION) or 0)


def _of_same_time(connection: Connection, setups: Mapping[int, Setup]) -> list[tuple[int, int]]:
    """(id, vehicle id) of set-ups that are kept and hold from the same time as the vehicle's does here."""
    table = schema.setup
    kept = select(table.c.id, table.c.vehicle_id, table.c.valid_from_us).where(table.c.vehicle_id.in_(list(setups)))
    return [(id_, of) for id_, of, since in connection.execute(kept) if setups[of].valid_from_us == since]


def _part(setup_id: int, one: Line | HandPoint, names: Sequence[str]) -> dict[str, Any]:
    return {"setup_id": setup_id} | {name: getattr(one, name) for name in names}


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
