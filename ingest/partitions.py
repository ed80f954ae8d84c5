"""PostgreSQL keeps each month's messages in a table of its own."""

from collections.abc import Iterable
from contextlib import suppress
from datetime import UTC, datetime
from typing import Final

from sqlalchemy import Connection, func, select
from sqlalchemy.exc import IntegrityError

from ingest.times import instant, microseconds

_MONTHS_LOCK: Final = 7_411_078


# Times outside these years are a clock's error; they share one table, so that no clock can make tables without end.
_YEARS: Final = range(2010, 2050)


def month_of(at_us: int) -> int | None:
    """The month of a time, counted from January of year 0; None where the clock cannot be right."""
    at = instant(at_us)
    return at.year * 12 + at.month - 1 if at.year in _YEARS else None


def month_bounds(month: int) -> tuple[int, int]:
    """First microsecond of a month, and of the next."""
    first, next_ = (datetime(m // 12, m % 12 + 1, 1, tzinfo=UTC) for m in (month, month + 1))
    return microseconds(first), microseconds(next_)


def month_table(month: int) -> str:
    """Name of the PostgreSQL table that holds a month's messages."""
    return f"message_{month // 12}_{month % 12 + 1:02d}"


def make_months(connection: Connection, times_us: Iterable[int], known: set[int]) -> None:
    """Make the tables that messages of these times go to, where PostgreSQL lacks them; `known` need no look."""
    missing = sorted({month for month in map(month_of, times_us) if month is not None} - known)
    if not missing:
        return
    # One at a time, until the end of the transaction: two would both find the table missing.
    connection.execute(select(func.pg_advisory_xact_lock(_MONTHS_LOCK)))
    for month in missing:
        name, (first_us, next_us) = month_table(month), month_bounds(month)
        if connection.scalar(select(func.to_regclass(name))) is None:
            # A month that was let go of while somebody knew it has rows in the table for the rest, and stays there.
            with suppress(IntegrityError), connection.begin_nested():
                # Made apart and then joined: joining lets everybody else go on inserting.
                connection.exec_driver_sql(f"CREATE TABLE {name} (LIKE message INCLUDING ALL)")
                connection.exec_driver_sql(
                    f"ALTER TABLE message ATTACH PARTITION {name} FOR VALUES FROM ({first_us}) TO ({next_us})"
                )
    known.update(missing)
