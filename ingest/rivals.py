"""Ingesters that fight over one name: at the broker each takes the session of the other, again and again."""

from dataclasses import dataclass
from typing import Final

from sqlalchemy import Connection, Engine, func, select, update
from sqlalchemy.exc import DBAPIError

from ingest import schema
from ingest.database import upsert, writing

SHOWN_US: Final = 24 * 3_600_000_000  # so long it is told of


@dataclass(frozen=True)
class Rival:
    """How often the session of an ingester was taken by another of its name, and when last."""

    times: int
    last_us: int


def note(engine: Engine, name: str, now_us: int) -> None:
    """Keep that another took an ingester's session; not where the database is away, since recording goes on without it."""
    table = schema.recorder_stats
    nothing = dict.fromkeys(("recorded", "duplicates", "rejected", "wills"), 0)
    try:
        with writing(engine) as connection:
            connection.execute(upsert(connection, table).values(recorder=name, **nothing).on_conflict_do_nothing())
            lately = func.coalesce(table.c.taken_over_us, 0) > now_us - SHOWN_US
            times = select(table.c.taken_over).where(table.c.recorder == name, lately).scalar_subquery()
            values = {"taken_over": func.coalesce(times, 0) + 1, "taken_over_us": now_us}
            connection.execute(update(table).where(table.c.recorder == name).values(**values))
    except DBAPIError:
        return


def rivals(connection: Connection, now_us: int) -> dict[str, Rival]:
    """The ingesters that another of their name fought in the last day."""
    table = schema.recorder_stats
    rows = select(table.c.recorder, table.c.taken_over, table.c.taken_over_us).where(
        table.c.taken_over_us > now_us - SHOWN_US
    )
    return {name: Rival(times, last_us) for name, times, last_us in connection.execute(rows)}
