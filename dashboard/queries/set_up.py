"""What is registered, as leads see and change it."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from sqlalchemy import Connection, Engine

from dashboard.queries.scope import read_vehicles
from ingest import registry
from ingest.setups import Setup

_TOLD_APART: Final = ("lines", "valid_from_us", "registered_us")


@dataclass(frozen=True)
class Change:
    """What registering does to a vehicle, in words."""

    vehicle: str
    unit: str
    new: bool
    what: tuple[str, ...]


def all_setups(engine: Engine) -> list[Setup]:
    """The newest set-up of each vehicle that whoever asks may see, by fleet and vehicle."""
    with engine.connect() as connection:
        return sorted((one.newest for one in read_vehicles(connection)), key=lambda one: (one.fleet, one.vehicle))


def find(engine: Engine, name: str) -> Setup | None:
    """The one called FLEET/VEHICLE; None where there is none."""
    return next((one for one in all_setups(engine) if f"{one.fleet}/{one.vehicle}" == name), None)


def changes(connection: Connection, wanted: Sequence[Setup]) -> list[Change]:
    """What registering these set-ups would do, new vehicles first."""
    before = {(one.fleet, one.name): one.newest for one in read_vehicles(connection)}
    out = []
    for now in registry.changes(connection, wanted):
        then = before.get((now.fleet, now.vehicle))
        out.append(Change(f"{now.fleet}/{now.vehicle}", now.unit, then is None, _what(now, then)))
    return sorted(out, key=lambda change: (not change.new, change.vehicle))


def _what(now: Setup, then: Setup | None) -> tuple[str, ...]:
    if then is None:
        return (f"{now.depot}, {len(now.lines)} lines",)
    names = [name for name in now.__struct_fields__ if name not in _TOLD_APART]
    told = [
        f"{name}: {getattr(then, name)} → {getattr(now, name)}"
        for name in names
        if getattr(now, name) != getattr(then, name)
    ]
    lines = {line.line: line for line in now.lines}
    old = {line.line: line for line in then.lines}
    if lines != old:
        added, gone = sorted(lines.keys() - old.keys()), sorted(old.keys() - lines.keys())
        other = sorted(number for number in lines.keys() & old.keys() if lines[number] != old[number])
        told += [
            f"{word}: line{'s' * (len(numbers) != 1)} {', '.join(map(str, numbers))}"
            for word, numbers in (("new", added), ("gone", gone), ("changed", other))
            if numbers
        ]
    return tuple(told) or ("valid from another time",)
