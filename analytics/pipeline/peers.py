"""Reading what other vehicles tell of one: those of its class lend to a young one, those of its depot stand when it is closed."""

from sqlalchemy import Connection, case, func, select

from analytics.alarms.depots import closed_stretches
from analytics.vehicle.peers import SHORT_DAYS, SISTERS, Sister, span_us
from analytics.vehicle.standing import MATES, MAYBE_CLOSED_DAYS, STOP_DAYS, Mate, Yard
from ingest import schema
from ingest.arrays import Messages
from ingest.reading import read_cycle_times, read_stops
from ingest.registry import read_vehicles
from ingest.setups import Setup
from ingest.times import DAY_US, EARLIEST_US


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


def read_yard(
    connection: Connection, vehicle_id: int, setup: Setup, messages: Messages, as_of_us: int, arrived_us: int | None = None
) -> Yard:  # fmt: skip
    """What is known at `as_of_us` of the depot of a vehicle whose set-up then is `setup`: when its calendar says that it is closed and,
    where the vehicle stands, how some others there stood, by fleet and name; of what had arrived by `arrived_us` where that is asked
    for."""
    closed = closed_stretches(connection, setup.depot, setup.timezone, as_of_us)
    ran_us = messages.cycles.at_us[messages.cycles.at_us <= as_of_us]
    if len(ran_us) and as_of_us - int(ran_us.max()) < MAYBE_CLOSED_DAYS * DAY_US:
        return Yard((), closed)
    vehicle, setup_ = schema.vehicle, schema.setup
    there = (
        select(vehicle.c.id)
        .join(setup_)
        .where(setup_.c.depot == setup.depot, vehicle.c.id != vehicle_id)
        .group_by(vehicle.c.id, vehicle.c.fleet, vehicle.c.vehicle)
        .order_by(vehicle.c.fleet, vehicle.c.vehicle)
        .limit(MATES)
    )
    told = (
        read_stops(connection, id_, STOP_DAYS, EARLIEST_US, as_of_us, arrived_us)
        for id_ in connection.scalars(there).all()
    )
    return Yard(tuple(Mate(first_us, stops) for first_us, stops in told if first_us is not None), closed)
