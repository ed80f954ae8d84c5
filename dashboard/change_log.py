"""Who changed what of the set-up."""

from typing import Any

from sqlalchemy import Connection, insert, select

from ingest import schema


def log_change(connection: Connection, who: str, what: str, now_us: int) -> None:
    """Keep who changed what of the set-up."""
    connection.execute(insert(schema.change_log).values(at_us=now_us, who=who, what=what))


def changes(connection: Connection, number: int) -> list[Any]:
    """The latest changes of the set-up: rows with at_us, who, what."""
    table = schema.change_log
    return list(connection.execute(select(table).order_by(table.c.id.desc()).limit(number)))
