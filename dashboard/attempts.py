"""Attempts to come in: after some that failed the next has to wait, twice as long with each more."""

import math
from collections.abc import Sequence
from ipaddress import IPv6Address, ip_address
from typing import Final

from sqlalchemy import Connection, delete, insert, select

from ingest import schema
from ingest.errors import Problem

_WINDOW_US: Final = 15 * 60_000_000
# Wrong tries that cost nothing: of one name from one address, and of all names from one address. Each more doubles the wait.
_FREE_TRIES: Final = 5
_FREE_TRIES_AN_ORIGIN: Final = 30
_FIRST_WAIT_US: Final = 15_000_000
# In the place of an address, where codes of the second factor are tried: they count wherever they come from.
SECOND_STEP: Final = "second step"


class TooMany(Problem):
    """Somebody has to wait."""


def count(connection: Connection, name: str, origin: str, now_us: int) -> int:
    """Write an attempt down before it is looked at, so that many at once count as well; its number. Raises TooMany where this name from
    this address, or this address, has to wait: nobody can lock another out from elsewhere."""
    attempt, origin = schema.attempt, _place(origin)
    # Those of a clock that ran ahead, and was put right since, make nobody wait until then.
    connection.execute(delete(attempt).where(~attempt.c.at_us.between(now_us - _WINDOW_US, now_us + _WINDOW_US)))
    failed = connection.execute(select(attempt.c.name, attempt.c.at_us).where(attempt.c.origin == origin)).all()
    of_name = [row.at_us for row in failed if row.name == name]
    until_us = _free_again_us(of_name, _FREE_TRIES)
    if origin != SECOND_STEP:
        until_us = max(until_us, _free_again_us([row.at_us for row in failed], _FREE_TRIES_AN_ORIGIN))
    if now_us < until_us:
        raise TooMany(f"too many attempts; try again in {math.ceil((until_us - now_us) / 1e6)} seconds")
    values = {"name": name, "origin": origin, "at_us": now_us}
    return int(connection.execute(insert(attempt).values(**values).returning(attempt.c.id)).scalar_one())


def begins_a_wait(connection: Connection, name: str, origin: str) -> bool:
    """Whether the newest failure of a name from an address makes the next try wait."""
    attempt, origin = schema.attempt, _place(origin)
    found = connection.execute(select(attempt.c.id).where(attempt.c.name == name, attempt.c.origin == origin)).all()
    return len(found) >= _FREE_TRIES


def succeeded(connection: Connection, number: int, name: str, origin: str) -> None:
    """A success clears what failed before it, of that name from that address."""
    attempt, origin = schema.attempt, _place(origin)
    own = (attempt.c.name == name) & (attempt.c.origin == origin)
    connection.execute(delete(attempt).where((attempt.c.id == number) | own))


def forget(connection: Connection, name: str) -> int:
    """Forget the wrong tries of a name, from wherever; how many they were."""
    return connection.execute(delete(schema.attempt).where(schema.attempt.c.name == name)).rowcount


def _place(origin: str) -> str:
    """Where tries come from: an address, of IPv6 the first 64 bits, since all others are its owner's to choose (RFC 4291, 2.5.4)."""
    try:
        address = ip_address(origin.partition("%")[0])
    except ValueError:
        return origin
    if not isinstance(address, IPv6Address):
        return origin
    return str(address.ipv4_mapped or IPv6Address(int(address) >> 64 << 64))


def _free_again_us(failed_us: Sequence[int], free: int) -> int:
    """When the next try is taken after these failures."""
    over = len(failed_us) - free
    return 0 if over < 0 else max(failed_us) + min(_FIRST_WAIT_US << min(over, 16), _WINDOW_US)
