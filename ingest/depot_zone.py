"""Which time zone a depot has: nobody registers depots, so most of its vehicles tell."""

from collections import Counter
from typing import Any

from sqlalchemy import Connection, func, select

from ingest import schema


def zones(connection: Connection) -> dict[str, str]:
    """Depot -> its zone; and that of all vehicles under ""."""
    found = _counted(connection)
    everywhere = Counter[str]()
    for _, zone, number in found:
        everywhere[zone] += number
    first = min(everywhere, key=lambda zone: (-everywhere[zone], zone), default=None)
    return {depot: zone for depot, zone, _ in found} | ({} if first is None else {"": first})


def zone_of(connection: Connection, depot: str, but: int | None = None) -> str | None:
    """A depot's zone by its vehicles, one of them left out; None where there are none."""
    table = schema.vehicle_summary
    others = [table.c.vehicle_id != but] if but is not None else []
    return next((zone for _, zone, _ in reversed(_counted(connection, table.c.depot == depot, *others))), None)


def _counted(connection: Connection, *chosen: Any) -> list[tuple[str, str, int]]:
    """(depot, zone, vehicles), those of most vehicles last."""
    table, number = schema.vehicle_summary, func.count()
    asked = select(table.c.depot, table.c.timezone, number).where(*chosen).group_by(table.c.depot, table.c.timezone)
    return [tuple(row) for row in connection.execute(asked.order_by(number, table.c.timezone.desc()))]
