"""Whether an ingester listens: a fleet that stands at night sends nothing for hours, and so does one that nobody listens to.

Goes by the machine's clock, as whatever processes tell one another.
"""

import threading
from typing import TYPE_CHECKING, Final

from sqlalchemy import Connection, Engine, func, select, update
from sqlalchemy.exc import DBAPIError

from ingest import schema
from ingest.database import upsert, writing
from ingest.times import DAY_US, HOUR_US, instant, machine_us

if TYPE_CHECKING:
    from collections.abc import Callable

EVERY_S: Final = 60.0
_IN_A_WEEK: Final = range(1, 5)  # Tuesday to Friday: the day before was a working day
_BELIEVED_US: Final = 4 * 60_000_000  # some of these in a row may fail


def note(engine: Engine, name: str) -> None:
    """Keep that an ingester listens now; not where the database is away: then nobody can know."""
    table = schema.recorder_stats
    nothing = dict.fromkeys(("recorded", "duplicates", "rejected", "wills"), 0)
    try:
        with writing(engine) as connection:
            connection.execute(upsert(connection, table).values(recorder=name, **nothing).on_conflict_do_nothing())
            connection.execute(update(table).where(table.c.recorder == name).values(listened_us=machine_us()))
    except DBAPIError:
        return


def keep_noting(engine: Engine, name: str, listens: "Callable[[], bool]", stop: threading.Event) -> None:
    """From a thread of its own, until stopped: note it, as long as it is so."""

    def run() -> None:
        pause_s = 1.0  # until it has subscribed for the first time
        while not stop.wait(pause_s):
            if listens():
                note(engine, name)
                pause_s = EVERY_S

    threading.Thread(target=run, name="listening", daemon=True).start()


def is_listened(connection: Connection) -> bool:
    """Whether an ingester said lately that it is subscribed and has recorded all that came."""
    at_us = last_us(connection)
    return at_us is not None and machine_us() - at_us < _BELIEVED_US


def longest_quiet_us(now_us: int, *, listened: bool) -> int:
    """For how long nothing need be recorded by now without anything being wrong: hardly, where nobody is known to listen; else a night, or
    a weekend with the nights beside it (common practice, no source). A gateway between vehicles and broker may be down as well."""
    if not listened:
        return HOUR_US // 2
    return 18 * HOUR_US if instant(now_us).weekday() in _IN_A_WEEK else 3 * DAY_US


def last_us(connection: Connection) -> int | None:
    """When an ingester last said so, by the machine's clock; None where none ever did."""
    found: int | None = connection.scalar(select(func.max(schema.recorder_stats.c.listened_us)))
    return found
