"""Who may use the dashboard, and what: names, passwords, roles, fleets and depots; and who is asking now."""

import math
import secrets
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from functools import cache
from typing import Any, Final, Literal

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from sqlalchemy import Connection, Engine, delete, insert, select, update

from dashboard.units import Units, units_of
from ingest import schema
from ingest.database import writing
from ingest.errors import Problem
from ingest.setups import Setup

Role = Literal["viewer", "technician", "lead"]
# Each may do what those before may: see; record work and deal with alarms; change the set-up.
ROLES: Final[tuple[Role, ...]] = ("viewer", "technician", "lead")

SHORTEST_PASSWORD: Final = 12
_LONGEST_PASSWORD: Final = 512
_LONGEST_NAME: Final = 128
_WINDOW_US: Final = 15 * 60_000_000
# Wrong tries that cost nothing: of one name from one address, and of all names from one address. Each more doubles the wait.
_FREE_TRIES: Final = 5
_FREE_TRIES_AN_ORIGIN: Final = 30
_FIRST_WAIT_US: Final = 15_000_000
_HASHER: Final = PasswordHasher()


@cache
def _nobody() -> str:
    """The hash of a password that nobody has: what one is held against where there is no such name, so that the answer takes as long."""
    return _HASHER.hash(secrets.token_hex(16))


@dataclass(frozen=True)
class Person:
    """Somebody with a name and a role; `fleets` and `depots` are what they see, all where empty. Without a role: nothing at all."""

    id: int
    name: str
    role: Role | None
    fleets: tuple[str, ...] = ()
    depots: tuple[str, ...] = ()
    units: dict[str, str] = field(default_factory=dict)
    session: int = 0

    def may(self, role: Role) -> bool:
        """Whether they may do what a role may."""
        return self.role is not None and ROLES.index(self.role) >= ROLES.index(role)

    def sees(self, setup: Setup) -> bool:
        """Whether a vehicle is theirs to see."""
        return (
            self.role is not None
            and (not self.fleets or setup.fleet in self.fleets)
            and (not self.depots or setup.depot in self.depots)
        )


NOBODY: Final = Person(0, "", None)
# Whoever works on the machine itself: by the command line, or by the dashboard before anybody is named.
OPERATOR: Final = Person(0, "", "lead")
# Who asks: nobody, until the guard before a request, or the command line, has said who it is.
current_person: Final[ContextVar[Person]] = ContextVar("current_person", default=NOBODY)


class NotAllowed(Problem):
    """Whoever asks may not do that."""


@contextmanager
def acting_as(person: Person) -> Iterator[None]:
    """Within it, that person asks."""
    before = current_person.set(person)
    try:
        yield
    finally:
        current_person.reset(before)


def my_units() -> Units:
    """What whoever asks reads in."""
    return units_of(current_person.get().units)


def need(role: Role) -> Person:
    """Who asks, where they may do what a role may. Raises NotAllowed."""
    person = current_person.get()
    if person.role is None:
        raise NotAllowed("sign in first")
    if not person.may(role):
        raise NotAllowed(f"only a {role} may do that; {person.name} is a {person.role}")
    return person


def need_lead() -> Person:
    """Who asks, where they may change the set-up: a lead of everything. Raises NotAllowed."""
    person = need("lead")
    if person.fleets or person.depots:
        raise NotAllowed("only a lead of all fleets and depots may change the set-up")
    return person


def name_of_actor(stated: str | None) -> str:
    """The name under which something is done: of who is signed in, else the stated one."""
    return current_person.get().name or (stated or "")


def sees(setup: Setup) -> bool:
    """Whether who asks may see a vehicle."""
    return current_person.get().sees(setup)


def anybody(connection: Connection) -> bool:
    """Whether anybody is named; before that, whoever is on this machine may do everything."""
    return connection.execute(select(schema.person.c.id).limit(1)).first() is not None


def people(connection: Connection) -> list[Person]:
    """Everybody, by name."""
    return [_person(row) for row in connection.execute(select(schema.person).order_by(schema.person.c.name))]


def person(connection: Connection, number: int) -> Person | None:
    """Somebody by number; None where there is nobody."""
    row = connection.execute(select(schema.person).where(schema.person.c.id == number)).one_or_none()
    return None if row is None else _person(row)


def _person(row: Any) -> Person:
    return Person(row.id, row.name, row.role, tuple(row.fleets), tuple(row.depots), dict(row.units), row.session)


def add(
    connection: Connection, name: str, password: str, role: str, fleets: Sequence[str] = (), depots: Sequence[str] = ()
) -> None:
    """Name somebody. Raises Problem."""
    name = name.strip()
    _check(name, role)
    table = schema.person
    if any(one.name.casefold() == name.casefold() for one in people(connection)):
        raise Problem(f"{name} is named already")
    if (role != "lead" or fleets or depots) and not anybody(connection):
        raise Problem("the first person has to be a lead of everything: somebody must be able to change the set-up")
    values = {"fleets": sorted(set(fleets)), "depots": sorted(set(depots)), "units": {}, "session": _new_session()}
    connection.execute(insert(table).values(name=name, secret_hash=_hashed(password), role=role, **values))


def set_password(connection: Connection, name: str, password: str) -> None:
    """Give somebody another password, and end their sessions. Raises Problem."""
    _change(connection, name, secret_hash=_hashed(password))


def set_role(connection: Connection, name: str, role: str, fleets: Sequence[str], depots: Sequence[str]) -> None:
    """Give somebody another role, and end their sessions. Raises Problem."""
    _check(name, role)
    if role != "lead" or fleets or depots:
        _another_lead(connection, name)
    _change(connection, name, role=role, fleets=sorted(set(fleets)), depots=sorted(set(depots)))


def set_units(connection: Connection, number: int, units: dict[str, str]) -> None:
    """Keep in which units somebody reads."""
    connection.execute(update(schema.person).where(schema.person.c.id == number).values(units=units))


def end_sessions(connection: Connection, number: int) -> None:
    """Let every session of somebody end, wherever it is."""
    table = schema.person
    connection.execute(update(table).where(table.c.id == number).values(session=_new_session()))


def _new_session() -> int:
    """A number that nobody can guess and no other person ever had: what a copied cookie says is theirs alone."""
    return secrets.randbits(62)


def remove(connection: Connection, name: str) -> None:
    """Let somebody in no more. Raises Problem."""
    _another_lead(connection, name)
    token, own = schema.access_token, select(schema.person.c.id).where(schema.person.c.name == name)
    connection.execute(delete(token).where(token.c.person_id.in_(own)))
    if not connection.execute(delete(schema.person).where(schema.person.c.name == name)).rowcount:
        raise Problem(f"nobody is called {name!r}")


def _change(connection: Connection, name: str, **values: Any) -> None:
    table = schema.person
    done = connection.execute(update(table).where(table.c.name == name).values(**values, session=_new_session()))
    if not done.rowcount:
        raise Problem(f"nobody is called {name!r}")


def _another_lead(connection: Connection, name: str) -> None:
    everybody = people(connection)
    if any(p.name == name for p in everybody) and not any(
        p.role == "lead" and not p.fleets and not p.depots for p in everybody if p.name != name
    ):
        raise Problem(f"{name} is the only lead of everything: somebody must be able to change the set-up")


def _check(name: str, role: str) -> None:
    if not 1 <= len(name) <= _LONGEST_NAME or len(name.casefold()) > _LONGEST_NAME or "\x00" in name:
        raise Problem("a name has 1 to 128 characters")
    if role not in ROLES:
        raise Problem(f"role {role!r} is none of: {', '.join(ROLES)}")


def _hashed(password: str) -> str:
    if not SHORTEST_PASSWORD <= len(password) <= _LONGEST_PASSWORD:
        raise Problem(f"a password has at least {SHORTEST_PASSWORD} characters")
    return _HASHER.hash(password)


def sign_in(engine: Engine, name: str, password: str, origin: str, now_us: int) -> Person | None:
    """Who signs in with this name and password; None where nobody does. Raises Problem after too many failures, for a while that grows
    with them: of a name from one address, so that nobody can lock another out from elsewhere, and of an address.

    An attempt is written down before it is looked at, so that many at once count as well; no lock is held while it is.
    """
    table, attempt = schema.person, schema.attempt
    name, origin = name.strip().casefold()[:_LONGEST_NAME], origin[:64]
    if "\x00" in name or "\x00" in password:
        return None
    with writing(engine) as connection:
        connection.execute(delete(attempt).where(attempt.c.at_us < now_us - _WINDOW_US))
        failed = connection.execute(select(attempt.c.name, attempt.c.at_us).where(attempt.c.origin == origin)).all()
        until_us = max(
            _free_again_us([row.at_us for row in failed if row.name == name], _FREE_TRIES),
            _free_again_us([row.at_us for row in failed], _FREE_TRIES_AN_ORIGIN),
        )
        if now_us < until_us:
            raise Problem(f"too many attempts; try again in {math.ceil((until_us - now_us) / 1e6)} seconds")
        values = {"name": name, "origin": origin, "at_us": now_us}
        number = connection.execute(insert(attempt).values(**values).returning(attempt.c.id)).scalar_one()
        found = [row for row in connection.execute(select(table)) if row.name.casefold() == name]
    row = found[0] if found else None
    try:
        _HASHER.verify(row.secret_hash if row is not None else _nobody(), password[:_LONGEST_PASSWORD])
    except (VerificationError, InvalidHashError):
        return None
    if row is None:
        return None
    with writing(engine) as connection:
        own = (attempt.c.name == name) & (attempt.c.origin == origin)  # a success clears them
        connection.execute(delete(attempt).where((attempt.c.id == number) | own))
        if _HASHER.check_needs_rehash(row.secret_hash):
            connection.execute(update(table).where(table.c.id == row.id).values(secret_hash=_HASHER.hash(password)))
    return _person(row)


def _free_again_us(failed_us: Sequence[int], free: int) -> int:
    """When the next try is taken after these failures."""
    over = len(failed_us) - free
    return 0 if over < 0 else max(failed_us) + min(_FIRST_WAIT_US << min(over, 16), _WINDOW_US)


def unlock(connection: Connection, name: str) -> int:
    """Forget the wrong tries of a name, from wherever; how many they were."""
    attempt = schema.attempt
    return connection.execute(delete(attempt).where(attempt.c.name == name.strip().casefold()[:_LONGEST_NAME])).rowcount


def session_key(connection: Connection) -> str:
    """The key that signs sessions, made when it is first needed."""
    table = schema.app_secret
    found: str | None = connection.scalar(select(table.c.value).where(table.c.name == "session_key"))
    if found is None:
        found = secrets.token_hex(32)
        connection.execute(insert(table).values(name="session_key", value=found))
    return found
