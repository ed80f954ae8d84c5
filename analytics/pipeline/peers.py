"""Reading what vehicles of the same class lend to a young one."""

from sqlalchemy import Connection, case, func, select

from analytics.vehicle.clocks import EARLIEST_US
from analytics.vehicle.peers import SHORT_DAYS, SISTERS, Sister, span_us
from ingest import schema
from ingest.arrays import Messages
from ingest.reading import read_cycle_times
from ingest.registry import read_vehicles
from ingest.times import DAY_US


def read_sisters(connection: Connection, vehicle_id: int, messages: Messages, as_of_us: int) -> tuple[Sister, ...]:
    """The vehicles that lend to one at `as_of_us`: of its fleet and class, of its depot first, by name; none where its own
    history is long enough."""
    heard_us = messages.cycles.at_us[messages.cycles.at_us >= EARLIEST_US]
    if not len(heard_us) or int(heard_us.min()) < as_of_us - SHORT_DAYS * DAY_US:
        return ()
    vehicle, setup = schema.vehicle, schema.setup
    (own,) = (one.in_force(as_of_us) for one in read_vehicles(connection, vehicle_id))
    alike = (
        select(vehicle.c.id)
        .join(setup)
        .where(vehicle.c.fleet == own.fleet, setup.c.vehicle_class == own.vehicle_class, vehicle.c.id != vehicle_id)
        .group_by(vehicle.c.id, vehicle.c.vehicle)
        .order_by(func.max(case((setup.c.depot == own.depot, 1), else_=0)).desc(), vehicle.c.vehicle)
        .limit(SISTERS)
    )
    ids = connection.execute(alike).scalars().all()
    timers = {one.id: one.in_force(as_of_us).interval_min for one in read_vehicles(connection, ids)}
    return tuple(Sister(read_cycle_times(connection, id_, *span_us(as_of_us)), timers[id_]) for id_ in ids)
