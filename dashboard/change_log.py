"""Who changed what of the set-up, and who came in, tried to, or left: one log, for whoever has to find out later.

Its events are those that OWASP ASVS 5.0 (chapter 16) asks for; texts of others are escaped before they are kept, so that no name
can write a line of its own wherever the log is read.
"""

import unicodedata
from typing import Any, Final, Literal, get_args

from sqlalchemy import Connection, delete, insert, select

from ingest import schema
from ingest.times import DAY_US

Event = Literal["set_up", "person", "signed_in", "refused", "locked_out", "signed_out", "second_factor"]
EVENTS: Final[tuple[Event, ...]] = get_args(Event)
# What somebody decided; the rest is written by whoever comes to the door, and must not drive it out.
DECIDED: Final[tuple[Event, ...]] = ("set_up", "person", "second_factor")
MOST_KEPT: Final = 50_000  # of each of the two
KEPT_DAYS: Final = 400
_TIDY_EVERY: Final = 200
_LONGEST: Final = 2_000


def log_change(
    connection: Connection, who: str, what: str, now_us: int, event: Event = "set_up", origin: str = ""
) -> None:
    """Keep who did what, and from which address."""
    table = schema.change_log
    values = {"who": plain(who)[:_LONGEST], "what": plain(what)[:_LONGEST], "origin": plain(origin)[:64]}
    number = connection.execute(
        insert(table).values(at_us=now_us, event=event, **values).returning(table.c.id)
    ).scalar_one()
    if number % _TIDY_EVERY == 0:
        _tidy(connection, now_us)


def plain(text: str) -> str:
    """A text without what moves the cursor, ends a line or turns the direction of writing: each as its number instead."""
    return "".join(
        c if c != "\\" and unicodedata.category(c) not in ("Cc", "Cf", "Cs", "Zl", "Zp") else f"\\u{{{ord(c):x}}}"
        for c in text
    )


def changes(connection: Connection, number: int) -> list[Any]:
    """The latest changes of the set-up: rows with at_us, who, what."""
    return entries(connection, number, DECIDED)


def entries(connection: Connection, number: int, events: tuple[Event, ...] = EVENTS, since_us: int = 0) -> list[Any]:
    """The latest entries of these events, newest first: rows with at_us, event, who, what, origin."""
    table = schema.change_log
    wanted = table.c.event.in_(events), table.c.at_us >= since_us
    return list(connection.execute(select(table).where(*wanted).order_by(table.c.id.desc()).limit(number)))


def _tidy(connection: Connection, now_us: int) -> None:
    """Let go of what is old, or more than is kept."""
    table = schema.change_log
    connection.execute(delete(table).where(table.c.at_us < now_us - KEPT_DAYS * DAY_US, table.c.event.not_in(DECIDED)))
    for part in (table.c.event.in_(DECIDED), table.c.event.not_in(DECIDED)):
        last = connection.scalar(select(table.c.id).where(part).order_by(table.c.id.desc()).offset(MOST_KEPT).limit(1))
        if last is not None:
            connection.execute(delete(table).where(part, table.c.id <= last))
