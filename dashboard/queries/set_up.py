"""What is registered, as leads see and change it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from sqlalchemy import Connection, Engine

from dashboard.queries.scope import read_vehicles
from ingest import registry, times
from ingest.setups import Setup

_TOLD_APART: Final = ("hand_points", "lines", "valid_from_us", "registered_us")


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
    ahead = registry.to_come([now], times.now_us())
    to_come = (f"commissioned {now.commissioned}, which is still to come: is that meant?",) if ahead else ()
    if then is None:
        points = [f"{len(now.hand_points)} hand points"] if now.hand_points else []
        return ", ".join([now.depot, *([f"{len(now.lines)} lines"] if now.controller else []), *points]), *to_come
    names = [name for name in now.__struct_fields__ if name not in _TOLD_APART]
    told = [
        f"{name}: {getattr(then, name)} → {getattr(now, name)}"
        for name in names
        if getattr(now, name) != getattr(then, name)
    ]
    told += _listed("line", {x.line: x for x in now.lines}, {x.line: x for x in then.lines})
    told += _listed("hand point", {x.number: x for x in now.hand_points}, {x.number: x for x in then.hand_points})
    return (*told, *to_come) or ("valid from another time",)


def _listed(what: str, now: Mapping[int, object], then: Mapping[int, object]) -> list[str]:
    """What is new, gone and changed in a list, by numbers."""
    added, gone = sorted(now.keys() - then.keys()), sorted(then.keys() - now.keys())
    other = sorted(number for number in now.keys() & then.keys() if now[number] != then[number])
    return [
        f"{word}: {what}{'s' * (len(numbers) != 1)} {', '.join(map(str, numbers))}"
        for word, numbers in (("new", added), ("gone", gone), ("changed", other))
        if numbers
    ]
