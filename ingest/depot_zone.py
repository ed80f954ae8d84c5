"""Which time zone a depot has: nobody registers depots, so its vehicles tell."""

from sqlalchemy import Connection, func, select

from ingest import schema


def zone_of(connection: Connection, depot: str, but: int | None = None) -> str | None:
    """The zone of most of a depot's vehicles ("": of all vehicles), one of them left out; None where it has none."""
    table = schema.vehicle_summary
    theirs = [table.c.depot == depot] if depot else []
    others = [table.c.vehicle_id != but] if but is not None else []
    asked = select(table.c.timezone).where(*theirs, *others).group_by(table.c.timezone)
    return connection.scalar(asked.order_by(func.count().desc(), table.c.timezone).limit(1))
