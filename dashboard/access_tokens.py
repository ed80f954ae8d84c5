"""Tokens that let programs in: each acts for a person, may do no more than its scope says, and can be revoked."""

import hashlib
import hmac
import secrets
from dataclasses import dataclass, replace
from typing import Any, Final, Literal

from sqlalchemy import Connection, delete, insert, select, update

from dashboard import accounts
from dashboard.accounts import Person, Role
from ingest import schema
from ingest.errors import Problem

Scope = Literal["read", "record", "set-up", "messages"]
# What a program may do, and the role that this is: read; also record work and deal with alarms; also change set-ups; or hand
# messages in and nothing else.
SCOPES: Final[dict[Scope, Role | None]] = {
    "read": "viewer", "record": "technician", "set-up": "lead", "messages": None,
}  # fmt: skip
PREFIX: Final = "tallow"
_USED_EVERY_US: Final = (
    60_000_000  # when a token was used last is kept to the minute: a write for each request would be dear
)
_LONGEST_LABEL: Final = 128


@dataclass(frozen=True)
class Token:
    """A token without its secret."""

    id: int
    person: str
    label: str
    scope: Scope
    made_us: int
    used_us: int | None


@dataclass(frozen=True)
class Bearer:
    """Who a token speaks for, their role no higher than its scope, and what it may do."""

    token: int
    person: Person
    scope: Scope


def add(connection: Connection, person: str, label: str, scope: str, now_us: int) -> str:
    """Make a token; its text, which is shown this once. Raises Problem."""
    found = [one for one in accounts.people(connection) if one.name == person]
    if not found:
        raise Problem(f"nobody is called {person!r}; tallow person list shows who there is")
    chosen: Any = scope
    if chosen not in SCOPES:
        raise Problem(f"scope {scope!r} is none of: {', '.join(SCOPES)}")
    if not 1 <= len(label) <= _LONGEST_LABEL or not label.isprintable():
        raise Problem("say what the token is for, in 1 to 128 characters")
    needed = SCOPES[chosen] or "lead"
    if not found[0].may(needed) or (chosen == "messages" and not _is_of_all(found[0])):
        whole = " of all fleets and depots" if chosen == "messages" else ""
        raise Problem(f"scope {scope} is for a {needed}{whole}; {person} is a {found[0].role}")
    secret = secrets.token_urlsafe(32)
    table = schema.access_token
    values = {
        "person_id": found[0].id,
        "label": label,
        "scope": scope,
        "secret_hash": _hashed(secret),
        "made_us": now_us,
    }
    number = connection.execute(insert(table).values(**values).returning(table.c.id)).scalar_one()
    return f"{PREFIX}_{number}_{secret}"


def tokens(connection: Connection) -> list[Token]:
    """All tokens, oldest first."""
    table, person = schema.access_token, schema.person
    names = ("label", "scope", "made_us", "used_us")
    rows = connection.execute(
        select(table.c.id, person.c.name, *(table.c[n] for n in names)).join(person).order_by(table.c.id)
    )
    return [Token(*row) for row in rows]


def revoke(connection: Connection, number: int) -> None:
    """Let a token in no more. Raises Problem."""
    table = schema.access_token
    if not connection.execute(delete(table).where(table.c.id == number)).rowcount:
        raise Problem(f"there is no token {number}; tallow token list shows them")


def bearer(connection: Connection, text: str) -> Bearer | None:
    """Whom a token's text lets in; None for any other text."""
    prefix, _, rest = text.partition("_")
    number, _, secret = rest.partition("_")
    if prefix != PREFIX or not number.isascii() or not number.isdecimal() or len(number) > len(str(2**31)):
        return None
    table = schema.access_token
    row = connection.execute(select(table).where(table.c.id == int(number))).one_or_none()
    if row is None or not hmac.compare_digest(row.secret_hash, _hashed(secret)):
        return None
    person = accounts.person(connection, row.person_id)
    if person is None or (row.scope == "messages" and not _is_of_all(person)):
        return None
    return Bearer(row.id, _limited(person, row.scope), row.scope)


def _is_of_all(person: Person) -> bool:
    """Whether they are a lead of all fleets and depots: messages may be of any."""
    return person.may("lead") and not person.fleets and not person.depots


def _limited(person: Person, scope: Scope) -> Person:
    """A person with the role of a scope, or their own where that is lower."""
    role = SCOPES[scope]
    return person if role is not None and not person.may(role) else replace(person, role=role)


def stale(connection: Connection, number: int, now_us: int) -> bool:
    """Whether it has to be written down that a token is used."""
    used_us = connection.scalar(select(schema.access_token.c.used_us).where(schema.access_token.c.id == number))
    return used_us is None or not 0 <= now_us - used_us < _USED_EVERY_US


def note_used(connection: Connection, number: int, now_us: int) -> None:
    """Keep when a token was used."""
    table = schema.access_token
    connection.execute(update(table).where(table.c.id == number).values(used_us=now_us))


def _hashed(secret: str) -> str:
    # Nobody guesses a random secret of 256 bits, so that a slow hash would only cost time with each request.
    return hashlib.sha256(secret.encode()).hexdigest()
