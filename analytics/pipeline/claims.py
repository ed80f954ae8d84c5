"""Who analyses which vehicle: several analysers may work on one database.

A claim lasts for a minute, and whoever is alive makes it last longer: one that was killed holds nobody up for long. A claim that
lasts longer than that was made by a clock that is wrong, and counts for nothing.
"""

import threading
from collections.abc import Collection
from contextlib import suppress
from functools import cache
from typing import Final, Self

from sqlalchemy import BigInteger, Connection, Engine, Select, and_, bindparam, case, delete, func, or_, select, update
from sqlalchemy.exc import DBAPIError

from ingest import schema
from ingest.database import upsert, writing
from ingest.times import machine_us

# Nobody else begins a vehicle that somebody has claimed; whoever has not renewed its claim by then is taken for dead.
LEASE_US: Final = 60_000_000
RENEW_S: Final = 20.0  # two tries may fail before a claim runs out

BATCH: Final = 200  # vehicles claimed together: few enough that several analysers share what is new


def vehicles_wanting(connection: Connection, began_us: int, stale_us: int, most_old: int) -> tuple[list[int], set[int]]:
    """(vehicles that want an analysis and that nobody has claimed, oldest results first; which of them have no news), in one query:
    a batch of those with news that were not done since `began_us`, and `most_old` of the others."""
    at_us = machine_us()
    asked = {
        "began": began_us, "stale": began_us - stale_us, "ahead": began_us + stale_us, "now": at_us, "leased": at_us + LEASE_US,
        "most_old": max(0, most_old),
    }  # fmt: skip
    rows = connection.execute(_wanting(old_too=most_old > 0), asked).all()
    return [id_ for id_, _ in rows], {id_ for id_, is_fresh in rows if not is_fresh}


@cache
def _wanting(*, old_too: bool) -> Select[int, bool]:
    """The query of `vehicles_wanting`, made once: it is asked over and over."""
    vehicle, setup, analysis, claim = schema.vehicle, schema.setup, schema.analysis, schema.claim
    before = analysis.c.as_of_us < bindparam("began")
    come = or_(analysis.c.revision != vehicle.c.revision, analysis.c.next_us <= bindparam("began"))
    fresh = or_(analysis.c.vehicle_id.is_(None), and_(come, before))
    # Results may speak of the future, if somebody asked for those.
    old = or_(analysis.c.as_of_us < bindparam("stale"), analysis.c.as_of_us > bindparam("ahead"))
    lasts = claim.c.until_us.between(bindparam("now"), bindparam("leased"))
    order = func.coalesce(analysis.c.as_of_us, -1), vehicle.c.id
    found = (
        select(
            vehicle.c.id,
            fresh.label("fresh"),
            func.row_number().over(partition_by=fresh, order_by=order).label("place"),
        )
        .outerjoin(analysis, analysis.c.vehicle_id == vehicle.c.id)
        .outerjoin(claim, and_(claim.c.vehicle_id == vehicle.c.id, lasts))
        .where(
            or_(fresh, old) if old_too else fresh,
            claim.c.vehicle_id.is_(None),
            select(setup.c.id).where(setup.c.vehicle_id == vehicle.c.id).exists(),
        )
        .subquery()
    )
    return (
        select(found.c.id, found.c.fresh)
        .where(found.c.place <= case((found.c.fresh, BATCH), else_=bindparam("most_old", type_=BigInteger)))
        .order_by(found.c.place)
    )


def claim_vehicles(engine: Engine, ids: Collection[int], who: str) -> set[int]:
    """Claim vehicles that nobody has claimed, or whose claim has run out; which."""
    table, at_us = schema.claim, machine_us()
    rows = [{"vehicle_id": id_, "who": who, "until_us": at_us + LEASE_US} for id_ in sorted(ids)]
    with writing(engine) as connection:
        new = upsert(connection, table)
        taking = new.on_conflict_do_update(
            index_elements=["vehicle_id"], set_={"who": new.excluded.who, "until_us": new.excluded.until_us},
            where=~table.c.until_us.between(at_us, at_us + LEASE_US),
        ).returning(table.c.vehicle_id)  # fmt: skip
        return set(connection.execute(taking, rows).scalars())


def release(connection: Connection, vehicle_id: int, who: str) -> bool:
    """Let go of a claim; whether there still was one."""
    table = schema.claim
    return connection.execute(delete(table).where(table.c.vehicle_id == vehicle_id, table.c.who == who)).rowcount == 1


class Claims:
    """What an analyser has claimed: a thread makes it last until it is let go of, and what is left is let go of at the end."""

    def __init__(self, engine: Engine, ids: Collection[int], who: str) -> None:
        self._engine, self._who = engine, who
        self._ids, self._lock, self._over = set(ids), threading.Lock(), threading.Event()
        self._renewing = threading.Thread(target=self._renew, name="claims", daemon=True)

    def drop(self, vehicle_id: int) -> None:
        """Make a claim last no longer: it is let go of already, or is to run out by itself."""
        with self._lock:
            self._ids.discard(vehicle_id)

    def __enter__(self) -> Self:
        """They last from now on."""
        self._renewing.start()
        return self

    def __exit__(self, *_: object) -> None:
        """What is left is free; where the database is away, as soon as this process finds it again."""
        self._over.set()
        self._renewing.join()
        if self._ids:
            try:
                _release(self._engine, self._ids, self._who)
            except DBAPIError:
                with _LEFT_LOCK:
                    _LEFT.append((frozenset(self._ids), self._who))

    def _renew(self) -> None:
        table = schema.claim
        while not self._over.wait(RENEW_S):
            with self._lock:
                ids = sorted(self._ids)  # in the order in which claims are taken: nobody waits in a ring
            with suppress(DBAPIError), writing(self._engine) as connection:
                for id_ in ids:
                    held = update(table).where(table.c.vehicle_id == id_, table.c.who == self._who)
                    connection.execute(held.values(until_us=machine_us() + LEASE_US))


_LEFT: Final = list[tuple[frozenset[int], str]]()  # what analysers of this process could not let go of, and who
_LEFT_LOCK: Final = threading.Lock()


def release_left(engine: Engine) -> None:
    """Let go of what analysers of this process could not let go of, because the database was away."""
    with _LEFT_LOCK:
        left = list(_LEFT)
    for ids, who in left:
        _release(engine, ids, who)
        with _LEFT_LOCK, suppress(ValueError):
            _LEFT.remove((ids, who))


def _release(engine: Engine, ids: Collection[int], who: str) -> None:
    with writing(engine) as connection:
        for id_ in sorted(ids):  # in the order in which claims are taken: nobody waits in a ring
            release(connection, id_, who)


def with_news(connection: Connection, at_us: int) -> dict[int, int | None]:
    """The registered vehicles with something that their newest results have not seen at `at_us`, and of when those are."""
    vehicle, setup, analysis = schema.vehicle, schema.setup, schema.analysis
    come = or_(analysis.c.vehicle_id.is_(None), analysis.c.revision != vehicle.c.revision, analysis.c.next_us <= at_us)
    found = (
        select(vehicle.c.id, analysis.c.as_of_us)
        .outerjoin(analysis, analysis.c.vehicle_id == vehicle.c.id)
        .where(come, select(setup.c.id).where(setup.c.vehicle_id == vehicle.c.id).exists())
    )
    return dict(connection.execute(found).all())
