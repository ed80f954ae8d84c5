"""What whoever asks may see: nothing on any page is read but by way of this."""

from collections.abc import Collection
from typing import Any, Final, NamedTuple
from urllib.parse import urlencode

from sqlalchemy import Connection, Engine, false, func, select

from dashboard import accounts
from ingest import schema, times
from ingest.errors import Problem
from ingest.setups import Setup, Vehicle


class Scope(NamedTuple):
    """What the frame narrows pages to: a fleet, a depot, or everything that whoever asks may see."""

    fleet: str = ""
    depot: str = ""

    def as_query(self) -> dict[str, str]:
        """As it stands in an address."""
        return {name: value for name, value in self._asdict().items() if value}


EVERYTHING: Final = Scope()


def scope_of(asked: dict[str, Any]) -> Scope:
    """The scope that an address asks for."""
    return Scope(str(asked.get("fleet") or ""), str(asked.get("depot") or ""))


def address(path: str, chosen: Scope, **asked: str) -> str:
    """The address of a page in a scope; what is empty is left out."""
    query = chosen.as_query() | {name: value for name, value in asked.items() if value}
    return f"{path}?{urlencode(query)}" if query else path


def within(table: Any, scope: Scope) -> list[Any]:
    """Conditions on a table with fleet and depot: what whoever asks may see of a scope."""
    return (
        visible(table)
        + ([table.c.fleet == scope.fleet] if scope.fleet else [])
        + ([table.c.depot == scope.depot] if scope.depot else [])
    )


def count_unregistered(connection: Connection) -> int:
    """How many vehicles send that nobody has registered."""
    heard, registered = (
        connection.scalar(select(func.count()).select_from(table)) or 0
        for table in (schema.vehicle, schema.vehicle_summary)
    )
    return heard - registered


def visible(table: Any, depot: Any = None) -> list[Any]:
    """Conditions on a table with fleet and depot, or on another column of depots: what whoever asks may see."""
    person = accounts.current_person.get()
    if person.role is None:
        return [false()]
    return ([table.c.fleet.in_(person.fleets)] if person.fleets else []) + (
        [(table.c.depot if depot is None else depot).in_(person.depots)] if person.depots else []
    )


def read_vehicles(connection: Connection, vehicle_id: int | Collection[int] | None = None) -> list[Vehicle]:
    """The registered vehicles that whoever asks may see: nothing on any page is read but by way of this."""
    from ingest import registry  # here, since commands that check a scope only need no line lists

    return [
        one for one in registry.read_vehicles(connection, vehicle_id) if accounts.sees(one.in_force(times.now_us()))
    ]


def setups(engine: Engine) -> list[Setup]:
    """The set-up in force of every registered vehicle."""
    with engine.connect() as connection:
        return [one.in_force(times.now_us()) for one in read_vehicles(connection)]


def places(engine: Engine) -> tuple[list[str], list[str]]:
    """(fleets, depots) of registered vehicles."""
    table = schema.vehicle_summary
    with engine.connect() as connection:
        found = connection.execute(
            select(table.c.fleet, table.c.depot).where(~table.c.sold, *visible(table)).distinct()
        ).all()
    return sorted({row.fleet for row in found}), sorted({row.depot for row in found})


def depots(engine: Engine) -> list[str]:
    """All depots of registered vehicles."""
    table = schema.vehicle_summary
    with engine.connect() as connection:
        return sorted(
            connection.execute(select(table.c.depot).where(~table.c.sold, *visible(table)).distinct()).scalars()
        )


def has_vehicles(engine: Engine, scope: Scope) -> bool:
    """Whether a scope has vehicles that are not sold, heard or not."""
    table = schema.vehicle_summary
    with engine.connect() as connection:
        return (
            connection.scalar(select(table.c.vehicle_id).where(~table.c.sold, *within(table, scope)).limit(1))
            is not None
        )


def check_depot(engine: Engine, depot: str) -> None:
    """Raises Problem where no vehicle that whoever asks may see belongs to that depot."""
    known = depots(engine)
    if depot not in known:
        raise Problem(f"no depot is called {depot!r}; there are: {', '.join(known) or 'none'}")


def vehicles_at(connection: Connection, depot: str, at_us: int) -> list[int]:
    """The vehicles that a depot serves and that are not sold."""
    from ingest.stands import depot_of

    table = schema.vehicle_summary
    chosen = depot_of(table, at_us) == depot, ~table.c.sold, *visible(table)
    return list(connection.execute(select(table.c.vehicle_id).where(*chosen)).scalars())
