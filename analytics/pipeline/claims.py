"""Who analyses which vehicle: several analysers may work on one database."""

from collections.abc import Collection
from typing import Final

from sqlalchemy import Connection, Engine, and_, case, delete, func, or_, select, update

from ingest import schema
from ingest.database import upsert, writing
from ingest.times import now_us

# Nobody else begins a vehicle that somebody has claimed; whoever has not ended by then is taken for dead.
LEASE_US: Final = 600_000_000


BATCH: Final = 200  # vehicles claimed together: few enough that several analysers share what is new


def vehicles_wanting(connection: Connection, began_us: int, stale_us: int, most_old: int) -> tuple[list[int], set[int]]:
    """(vehicles that want an analysis and that nobody has claimed, oldest results first; which of them have no news), in one query:
    a batch of those with news that were not done since `began_us`, and `most_old` of the others."""
    vehicle, setup, analysis, claim = schema.vehicle, schema.setup, schema.analysis, schema.claim
    before = analysis.c.as_of_us < began_us
    come = or_(analysis.c.revision != vehicle.c.revision, analysis.c.next_us <= began_us)
    fresh = or_(analysis.c.vehicle_id.is_(None), and_(come, before))
    # Results may speak of the future, if somebody asked for those.
    old = or_(analysis.c.as_of_us < began_us - stale_us, analysis.c.as_of_us > began_us + stale_us)
    taken = and_(claim.c.vehicle_id == vehicle.c.id, claim.c.until_us >= now_us())
    order = func.coalesce(analysis.c.as_of_us, -1), vehicle.c.id
    found = (
        select(
            vehicle.c.id,
            fresh.label("fresh"),
            func.row_number().over(partition_by=fresh, order_by=order).label("place"),
        )
        .outerjoin(analysis, analysis.c.vehicle_id == vehicle.c.id)
        .outerjoin(claim, taken)
        .where(
            or_(fresh, old) if most_old > 0 else fresh,
            claim.c.vehicle_id.is_(None),
            select(setup.c.id).where(setup.c.vehicle_id == vehicle.c.id).exists(),
        )
        .subquery()
    )
    rows = connection.execute(
        select(found.c.id, found.c.fresh)
        .where(found.c.place <= case((found.c.fresh, BATCH), else_=max(0, most_old)))
        .order_by(found.c.place)
    ).all()
    return [id_ for id_, _ in rows], {id_ for id_, is_fresh in rows if not is_fresh}


def claim_vehicles(engine: Engine, ids: Collection[int], who: str) -> set[int]:
    """Claim vehicles that nobody has claimed, or whose claim has run out; which."""
    table, at_us = schema.claim, now_us()
    rows = [{"vehicle_id": id_, "who": who, "until_us": at_us + LEASE_US} for id_ in sorted(ids)]
    with writing(engine) as connection:
        new = upsert(connection, table)
        taking = new.on_conflict_do_update(
            index_elements=["vehicle_id"], set_={"who": new.excluded.who, "until_us": new.excluded.until_us},
            where=table.c.until_us < at_us,
        ).returning(table.c.vehicle_id)  # fmt: skip
        return set(connection.execute(taking, rows).scalars())


def renew_claims(engine: Engine, ids: Collection[int], who: str) -> None:
    """Make claims that somebody still has last from now on."""
    table = schema.claim
    with writing(engine) as connection:
        for id_ in sorted(ids):
            held = update(table).where(table.c.vehicle_id == id_, table.c.who == who)
            connection.execute(held.values(until_us=now_us() + LEASE_US))


def release(connection: Connection, vehicle_id: int, who: str) -> bool:
    """Let go of a claim; whether there still was one."""
    table = schema.claim
    return connection.execute(delete(table).where(table.c.vehicle_id == vehicle_id, table.c.who == who)).rowcount == 1
