"""Retention: of messages of long ago some of each vehicle's day is kept, the rest is let go of. Names stay taken."""

from collections.abc import Callable
from typing import Final

from sqlalchemy import Connection, Engine, func, select

from ingest import schema
from ingest.database import writing
from ingest.errors import Problem
from ingest.partitions import month_bounds, month_of, month_table
from ingest.times import rfc3339

# Nothing younger is thinned unless somebody says so.
KEPT_DAYS: Final = 400
# Of each vehicle, kind and UTC day, evenly spread and with the last of the day.
PER_DAY: Final = {"cycle": 4, "level": 4, "ignition": 2, "fault": 4, "state": 1}


def whole_month(us: int) -> int:
    """The first microsecond of the month that a time lies in. Raises Problem for a time that no right clock says."""
    month = month_of(us)
    if month is None:
        raise Problem(f"{rfc3339(us)} lies before or after all months that are kept apart; name another number of days")
    return month_bounds(month)[0]


def thin(engine: Engine, before_us: int, progress: Callable[[int, int], None]) -> int:
    """Thin the messages that happened and were received before a month's first moment; how many were let go of.

    Each step is one transaction, and may be broken off and repeated: a month in PostgreSQL, where a month of which
    nothing came late is dropped as a whole; a vehicle in SQLite.
    """
    with engine.connect() as connection:
        before = _messages(connection)
        if connection.dialect.name == "postgresql":
            parts = [*_months(connection, before_us), "message_other"]
        else:
            parts = [*connection.execute(select(schema.vehicle.c.id).order_by(schema.vehicle.c.id)).scalars()]
    for done, part in enumerate(parts):
        progress(done, len(parts))
        with writing(engine) as connection:
            if isinstance(part, str):
                _thin_month(connection, part, before_us)
            else:
                _thin_part(connection, "message", before_us, f" AND vehicle_id = {part}")
    progress(len(parts), len(parts))
    with engine.connect() as connection:
        return before - _messages(connection)


def drop_traces(engine: Engine, before_us: int) -> int:
    """Let go of the pressure traces of cycles that happened before a time; of how many."""
    with writing(engine) as connection:
        old = f"trace IS NOT NULL AND at_us < {before_us} AND coalesce(received_us, at_us) < {before_us}"
        return connection.exec_driver_sql(f"UPDATE message SET trace = NULL WHERE {old}").rowcount


def clear_quarantine(engine: Engine, before_us: int) -> int:
    """Let go of what was refused before a time; the counts stay."""
    with writing(engine) as connection:
        return connection.exec_driver_sql(f"DELETE FROM quarantine WHERE received_us < {before_us}").rowcount


def _messages(connection: Connection) -> int:
    return sum(
        connection.scalar(select(func.count()).select_from(table)) or 0 for table in (schema.message, schema.thinned)
    )


def _months(connection: Connection, before_us: int) -> list[str]:
    """Tables of the months that lie before, oldest first."""
    last = month_of(before_us - 1)
    tables = connection.exec_driver_sql(
        "SELECT inhrelid::regclass::text FROM pg_inherits WHERE inhparent = 'message'::regclass"
    )
    return sorted(
        name for name in tables.scalars() if last is not None and name <= month_table(last) and name != "message_other"
    )


def _thin_month(connection: Connection, table: str, before_us: int) -> None:
    late = f"SELECT 1 FROM {table} WHERE coalesce(received_us, at_us) >= {before_us} LIMIT 1"
    if table == "message_other" or connection.exec_driver_sql(late).first() is not None:
        _thin_part(connection, table, before_us, "")
        return
    _keep_some(connection, table, "true")
    connection.exec_driver_sql("LOCK TABLE message")
    if connection.exec_driver_sql(late).first() is None:
        connection.exec_driver_sql(f"DROP TABLE {table}")
    else:  # of a clock that is behind, and came in the meantime
        connection.exec_driver_sql(f"DELETE FROM {table} WHERE coalesce(received_us, at_us) < {before_us}")


def _thin_part(connection: Connection, table: str, before_us: int, further: str) -> None:
    # A clock that is behind says an old time of a young message.
    old = f"at_us < {before_us} AND coalesce(received_us, at_us) < {before_us}{further}"
    _keep_some(connection, table, old)
    connection.exec_driver_sql(f"DELETE FROM {table} WHERE {old}")


def _keep_some(connection: Connection, table: str, old: str) -> None:
    columns = [f"{column.name}" for column in schema.message.columns]
    kept = ", ".join(columns)
    moved = ", ".join("NULL" if name == "trace" else name for name in columns)
    per_day = "CASE kind " + " ".join(f"WHEN '{kind}' THEN {number}" for kind, number in PER_DAY.items()) + " END"
    same = "PARTITION BY vehicle_id, kind, at_us / 86400000000"
    connection.exec_driver_sql(
        f"INSERT INTO thinned ({kept}) SELECT {moved} FROM (SELECT {kept}, {per_day} AS wanted,"
        f" row_number() OVER ({same} ORDER BY at_us, boot, seq) AS place, count(*) OVER ({same}) AS number"
        f" FROM {table} WHERE {old}) AS day"
        " WHERE place * wanted / number > (place - 1) * wanted / number"
    )
