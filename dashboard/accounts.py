"""Who may use the dashboard, and what: names, passwords, roles, fleets and depots; and who is asking now."""

import re
import secrets
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from typing import Any, Final, Literal

from sqlalchemy import Connection, Engine, delete, insert, select, update

from dashboard import attempts, change_log, second_factor
from dashboard.attempts import TooMany
from dashboard.units import Units, units_of
from ingest import schema, times
from ingest.bounds import STORABLE
from ingest.database import writing
from ingest.environment import SECOND_FACTOR
from ingest.errors import Problem
from ingest.languages import LANGUAGES
from ingest.sealing import seal, unseal
from ingest.setups import Setup

__all__ = ["TooMany"]

Role = Literal["viewer", "technician", "lead"]
# Each may do what those before may: see; record work and deal with alarms; change the set-up.
ROLES: Final[tuple[Role, ...]] = ("viewer", "technician", "lead")

_LONGEST_NAME: Final = 128


@dataclass(frozen=True)
class Person:
    """Somebody with a name and a role; `fleets` and `depots` are what they see, all where empty. Without a role: nothing at all."""

    id: int
    name: str
    role: Role | None
    fleets: tuple[str, ...] = ()
    depots: tuple[str, ...] = ()
    units: dict[str, str] = field(default_factory=dict)
    language: str | None = None  # None: as their browser asks
    session: int = 0
    has_second_factor: bool = False

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


def is_of_another(connection: Connection, by: str) -> bool:
    """Whether what comes from a device that several share was done by somebody else who may sign in than who is."""
    return by != current_person.get().name and by in {one.name for one in people(connection)}


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
    return Person(
        row.id, row.name, row.role, tuple(row.fleets), tuple(row.depots), dict(row.units), row.language, row.session,
        row.totp_secret is not None,
    )  # fmt: skip


def add(
    connection: Connection, name: str, password: str, role: str, fleets: Sequence[str] = (), depots: Sequence[str] = ()
) -> None:
    """Name somebody. Raises Problem."""
    name = name.strip()
    check_new(connection, name, role, fleets, depots)
    from dashboard import passwords  # here and below, since who only asks who somebody is needs none

    values = {"fleets": sorted(set(fleets)), "depots": sorted(set(depots)), "units": {}, "session": _new_session()}
    connection.execute(
        insert(schema.person).values(name=name, secret_hash=passwords.hashed(password, name), role=role, **values)
    )


def check_new(connection: Connection, name: str, role: str, fleets: Sequence[str], depots: Sequence[str]) -> None:
    """Raises Problem where nobody can be added by that name, with that role: whatever their password will be."""
    name = name.strip()
    _check(name, role)
    if any(one.name.casefold() == name.casefold() for one in people(connection)):
        raise Problem(f"there is a person called {name} already")
    if (role != "lead" or fleets or depots) and not anybody(connection):
        raise Problem("the first person has to be a lead of everything: somebody must be able to change the set-up")


def check_known(connection: Connection, name: str) -> None:
    """Raises Problem where there is no person of that name."""
    if all(one.name != name for one in people(connection)):
        raise Problem(f"nobody is called {name!r}")


def set_password(connection: Connection, name: str, password: str) -> None:
    """Give somebody another password, and end their sessions. Raises Problem."""
    from dashboard import passwords

    _change(connection, name, secret_hash=passwords.hashed(password, name))


def set_role(connection: Connection, name: str, role: str, fleets: Sequence[str], depots: Sequence[str]) -> None:
    """Give somebody another role, and end their sessions. Raises Problem."""
    _check(name, role)
    if role != "lead" or fleets or depots:
        _another_lead(connection, name)
    _change(connection, name, role=role, fleets=sorted(set(fleets)), depots=sorted(set(depots)))


def set_units(connection: Connection, number: int, units: dict[str, str]) -> None:
    """Keep in which units somebody reads."""
    connection.execute(update(schema.person).where(schema.person.c.id == number).values(units=units))


def set_language(connection: Connection, number: int, language: str | None) -> None:
    """Keep in which language somebody reads; None: as their browser asks. Raises Problem."""
    if language is not None and language not in LANGUAGES:
        raise Problem(f"language {language!r} is none of: {', '.join(LANGUAGES)}")
    connection.execute(update(schema.person).where(schema.person.c.id == number).values(language=language))


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
    for number in connection.execute(own).scalars().all():
        from analytics.alarms import browsers, records  # here, since hardly anybody who asks who somebody is needs them

        browsers.take_off_all(connection, number)
        records.give_up(connection, name, times.now_us())
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


def _is_storable(text: str) -> bool:
    return re.fullmatch(STORABLE, text) is not None


def _check(name: str, role: str) -> None:
    if not 1 <= len(name) <= _LONGEST_NAME or len(name.casefold()) > _LONGEST_NAME:
        raise Problem("a name has 1 to 128 characters")
    if not _is_storable(name) or name != change_log.plain(name):
        raise Problem("a name is one line of characters that can be seen")
    if role not in ROLES:
        raise Problem(f"role {role!r} is none of: {', '.join(ROLES)}")


def sign_in(engine: Engine, name: str, password: str, origin: str, now_us: int) -> Person | None:
    """Who signs in with this name and password; None where nobody does, which is logged. Raises Problem after too many failures, for a
    while that grows with them. No lock is held while a password is looked at."""
    from dashboard import passwords

    table, shown = schema.person, name.strip()
    name, origin = shown.casefold()[:_LONGEST_NAME], origin[:64]
    if not _is_storable(name) or not _is_storable(password):
        return None
    with writing(engine) as connection:
        number = attempts.count(connection, name, origin, now_us)
        found = [row for row in connection.execute(select(table)) if row.name.casefold() == name]
    row = found[0] if found else None
    right = passwords.fits(row.secret_hash if row is not None else None, password)
    with writing(engine) as connection:
        if row is None or not right:
            # What was written as a name may be a password in the wrong field.
            _log_refused(connection, row.name if row is not None else "", name, origin, "wrong password", now_us)
            return None
        attempts.succeeded(connection, number, name, origin)
        if passwords.is_old(row.secret_hash):
            kept = passwords.HASHER.hash(password)
            connection.execute(update(table).where(table.c.id == row.id).values(secret_hash=kept))
    return _person(row)


def _log_refused(connection: Connection, known: str, tried: str, origin: str, why: str, now_us: int) -> None:
    who = known or "nobody of that name"
    change_log.log_change(connection, who, why if known else "no such name", now_us, "refused", origin)
    if attempts.begins_a_wait(connection, tried, origin):
        change_log.log_change(connection, who, "has to wait after too many wrong tries", now_us, "locked_out", origin)


def pass_second_step(engine: Engine, person: Person, code: str, origin: str, now_us: int) -> bool:
    """Whether a code is the person's of now, or one of those kept for when the device is lost; each counts once. Raises Problem after too
    many that were wrong, wherever they came from."""
    table, name = schema.person, person.name.casefold()
    with writing(engine) as connection:
        number = attempts.count(connection, name, attempts.SECOND_STEP, now_us)
    with writing(engine) as connection:
        row = connection.execute(select(table).where(table.c.id == person.id).with_for_update()).one_or_none()
        if row is None or row.totp_secret is None or row.session != person.session:
            return False
        taken = second_factor.take(
            unseal(row.totp_secret), row.totp_step, tuple(row.recovery_hashes or ()), code, now_us // 1_000_000
        )
        if taken is None:
            change_log.log_change(connection, person.name, "wrong code", now_us, "refused", origin)
            if attempts.begins_a_wait(connection, name, attempts.SECOND_STEP):
                why = "has to wait after too many wrong codes"
                change_log.log_change(connection, person.name, why, now_us, "locked_out", origin)
            return False
        step, left = taken
        connection.execute(
            update(table).where(table.c.id == person.id).values(totp_step=step, recovery_hashes=list(left))
        )
        attempts.succeeded(connection, number, name, attempts.SECOND_STEP)
        if len(left) < len(row.recovery_hashes or ()):
            what = f"recovery code used; {len(left)} left"
            change_log.log_change(connection, person.name, what, now_us, "second_factor", origin)
    return True


def set_second_factor(
    connection: Connection, name: str, secret: str | None, codes: Sequence[str] = (), step: int = 0
) -> None:
    """Give somebody a second factor with its recovery codes, `step` being that of the code that proved it, or take it away; ends their
    sessions. Raises Problem."""
    hashes = [second_factor.hash_of(code) for code in codes]
    _change(
        connection, name, totp_secret=None if secret is None else seal(secret), totp_step=step, recovery_hashes=hashes
    )


def must_have_second_factor(person: Person) -> bool:
    """Whether somebody may do nothing before they have one."""
    return (
        SECOND_FACTOR.value == "leads" and person.role == "lead" and bool(person.name) and not person.has_second_factor
    )


def unlock(connection: Connection, name: str) -> int:
    """Forget the wrong tries of a name, from wherever; how many they were."""
    return attempts.forget(connection, name.strip().casefold()[:_LONGEST_NAME])


def session_key(connection: Connection) -> str:
    """The key that signs sessions, made when it is first needed."""
    table = schema.app_secret
    found: str | None = connection.scalar(select(table.c.value).where(table.c.name == "session_key"))
    if found is None:
        found = seal(secrets.token_hex(32))
        connection.execute(insert(table).values(name="session_key", value=found))
    return unseal(found)


def seal_secrets(connection: Connection) -> int:
    """Have the session key and the second factors encrypted by the key of now; how many. Raises Problem."""
    done = 0
    for column in (schema.app_secret.c.value, schema.person.c.totp_secret):
        key = next(iter(column.table.primary_key))
        for number, kept in connection.execute(select(key, column).where(column.is_not(None))).all():
            sealed = {column.name: seal(unseal(kept))}
            connection.execute(update(column.table).where(key == number).values(**sealed))
            done += 1
    return done
