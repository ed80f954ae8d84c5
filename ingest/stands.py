"""At which depot a vehicle stands, where somebody asked for it: a depot has a position, and a source of positions is let look.

No position is kept: each is held against the depots' own when it comes, and what stays is at which depot (or at none) a vehicle was seen
from when to when, for `KEPT_DAYS`. Who drives past does not stand there.
"""

from collections.abc import Iterable
from math import asin, cos, radians, sin, sqrt
from typing import Any, Final, Protocol

from sqlalchemy import ColumnElement, Connection, delete, func, insert, select, update

from ingest import schema
from ingest.times import AHEAD_US, DAY_US, HOUR_US

KEPT_DAYS: Final = 14
LEAST_RADIUS_M: Final = 50.0
MOST_RADIUS_M: Final = 5_000.0
_STANDS_US: Final = 2 * HOUR_US  # between the first and the latest time it was seen there
_UNSEEN_US: Final = 3 * DAY_US  # after so long it may have been anywhere
_EARTH_M: Final = 6_371_008.8  # mean radius (IUGG, Moritz 2000)
_ELSEWHERE: Final = ""


class Position(Protocol):
    """Where a vehicle was, degrees."""

    @property
    def fleet(self) -> str: ...
    @property
    def vehicle(self) -> str: ...
    @property
    def at_us(self) -> int: ...
    @property
    def latitude(self) -> float: ...
    @property
    def longitude(self) -> float: ...


def distance_m(latitude: float, longitude: float, other_latitude: float, other_longitude: float) -> float:
    """Metres between two positions in degrees, on a sphere (haversine)."""
    phi, other = radians(latitude), radians(other_latitude)
    half = sin((other - phi) / 2) ** 2
    half += cos(phi) * cos(other) * sin(radians(other_longitude - longitude) / 2) ** 2
    return 2 * _EARTH_M * asin(min(1.0, sqrt(half)))


def note(connection: Connection, seen: Iterable[Position], now_us: int) -> int:
    """Hold positions against the depots', and keep at which of them vehicles were; how many positions said something new. Where no
    depot has a position nothing is kept, nor of vehicles that are not recorded."""
    depot, vehicle = schema.depot, schema.vehicle
    places = connection.execute(select(depot).where(depot.c.latitude.is_not(None))).all()
    number = 0
    ids: dict[tuple[str, str], int | None] = {}
    for one in sorted(seen, key=lambda one: one.at_us) if places else ():
        who = one.fleet, one.vehicle
        if who not in ids:
            mine = vehicle.c.fleet == one.fleet, vehicle.c.vehicle == one.vehicle
            ids[who] = connection.scalar(select(vehicle.c.id).where(*mine))
        id_ = ids[who]
        if id_ is not None and one.at_us <= now_us + AHEAD_US:
            number += _note(connection, id_, _depot_at(places, one), one.at_us)
    prune(connection, now_us)
    return number


def _depot_at(places: Iterable[Any], one: Position) -> str:
    """The nearest depot within its radius; none where there is none."""
    far = [(distance_m(p.latitude, p.longitude, one.latitude, one.longitude), p) for p in places]
    return min(((m, p.name) for m, p in far if m <= p.radius_m), default=(0.0, _ELSEWHERE))[1]


def _note(connection: Connection, vehicle_id: int, where: str, at_us: int) -> int:
    table = schema.stood
    mine = table.c.vehicle_id == vehicle_id
    last = connection.execute(select(table).where(mine).order_by(table.c.until_us.desc()).limit(1)).one_or_none()
    if last is not None and at_us <= last.until_us:
        return 0
    stays = last is not None and last.depot == where and at_us - last.until_us <= _UNSEEN_US
    values = {"until_us": at_us} if stays else {"since_us": at_us, "until_us": at_us}
    done = connection.execute(update(table).where(mine, table.c.depot == where).values(**values)).rowcount
    if not done:
        connection.execute(insert(table).values(vehicle_id=vehicle_id, depot=where, **values))
    return 1


def depot_of(who: Any, now_us: int) -> ColumnElement[str]:
    """The depot that a row of `who` (`schema.vehicle_summary`) is served at: where it stood last, else the one it is registered at."""
    table = schema.stood
    stood = (
        select(table.c.depot)
        .where(
            table.c.vehicle_id == who.c.vehicle_id, table.c.depot != _ELSEWHERE, table.c.until_us >= now_us - KEPT_DAYS * DAY_US,
            table.c.until_us - table.c.since_us >= _STANDS_US,
        )
        .order_by(table.c.until_us.desc())
        .limit(1)
        .correlate(who)
        .scalar_subquery()
    )  # fmt: skip
    return func.coalesce(stood, who.c.depot)


def prune(connection: Connection, now_us: int) -> int:
    """Let go of what is older than is kept; how many rows."""
    table = schema.stood
    return connection.execute(delete(table).where(table.c.until_us < now_us - KEPT_DAYS * DAY_US)).rowcount


def forget_depot(connection: Connection, name: str) -> None:
    """Nobody asks any more who stands at a depot."""
    connection.execute(delete(schema.stood).where(schema.stood.c.depot == name))
