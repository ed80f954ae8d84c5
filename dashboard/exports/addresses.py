"""A depot's refills as a calendar that other programs subscribe to, at an address that only who was told of it knows.

The database keeps a hash of the secret, so that nobody who reads it learns an address; a revoked one answers nothing.
"""

import hashlib
import secrets

from sqlalchemy import Connection, func, insert, select, update

from ingest import schema

_SECRET_BYTES = 24


def make(connection: Connection, depot: str, now_us: int) -> str:
    """A new secret for a depot's calendar."""
    secret = secrets.token_urlsafe(_SECRET_BYTES)
    connection.execute(insert(schema.calendar_token).values(secret_hash=_hash(secret), depot=depot, made_us=now_us))
    return secret


def revoke(connection: Connection, depot: str, now_us: int) -> int:
    """Let no secret of a depot open its calendar any more; how many there were."""
    table = schema.calendar_token
    return connection.execute(
        update(table).where(table.c.depot == depot, table.c.revoked_us.is_(None)).values(revoked_us=now_us)
    ).rowcount


def open_ones(connection: Connection, depot: str) -> int:
    """How many secrets open a depot's calendar."""
    table = schema.calendar_token
    chosen = table.c.depot == depot, table.c.revoked_us.is_(None)
    return connection.scalar(select(func.count()).where(*chosen)) or 0


def depot_of(connection: Connection, secret: str) -> str | None:
    """The depot whose calendar a secret opens; None where it opens none."""
    table = schema.calendar_token
    found: str | None = connection.scalar(
        select(table.c.depot).where(table.c.secret_hash == _hash(secret), table.c.revoked_us.is_(None))
    )
    return found


def _hash(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()
