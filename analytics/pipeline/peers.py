"""Reading what other vehicles tell of one: those of its class lend to a young one and tell what lines like its own read, those of its
depot stand when it is closed."""

from collections.abc import Iterator, Mapping
from functools import cache
from math import isnan
from typing import Final

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, Select, case, func, select

from analytics.alarms.depots import closed_stretches
from analytics.vehicle.peers import SHORT_DAYS, SISTERS, Sister, span_us
from analytics.vehicle.pressure.sister_lines import SisterChannel, Tubes, alike_tubes, first_levels, tubes_of
from analytics.vehicle.standing import MATES, MAYBE_CLOSED_DAYS, STOP_DAYS, Mate, Yard
from ingest import schema
from ingest.arrays import Floats, Messages
from ingest.reading import read_cycle_times, read_first_peaks, read_stops
from ingest.registry import read_vehicles
from ingest.setups import Setup
from ingest.times import DAY_US, EARLIEST_US

_FIRST_CYCLES: Final = 60  # of a sister that tell what its lines read before they aged
_FEWEST_CYCLES: Final = 12


def read_sisters(
    connection: Connection, vehicle_id: int, messages: Messages, as_of_us: int, arrived_us: int | None = None
) -> tuple[Sister, ...]:
    """The vehicles that lend to one at `as_of_us`: of its fleet and class, of its depot first, by name; none where its own
    history is long enough. Of what had arrived by `arrived_us` where that is asked for."""
    heard_us = messages.cycles.at_us[messages.cycles.at_us >= EARLIEST_US]
    if not len(heard_us) or int(heard_us.min()) < as_of_us - SHORT_DAYS * DAY_US:
        return ()
    (own,) = (one.in_force(as_of_us) for one in read_vehicles(connection, vehicle_id))
    alike = _of_its_fleet(vehicle_id, own).where(schema.setup.c.vehicle_class == own.vehicle_class)
    ids = connection.execute(alike).scalars().all()
    timers = {one.id: one.in_force(as_of_us).interval_min for one in read_vehicles(connection, ids)}
    return tuple(Sister(read_cycle_times(connection, id_, *span_us(as_of_us), arrived_us), timers[id_]) for id_ in ids)


def _of_its_fleet(vehicle_id: int, own: Setup) -> Select[int]:
    """The other vehicles of a fleet, of its class first, then of its depot, by name."""
    vehicle, setup = schema.vehicle, schema.setup
    firsts = (setup.c.vehicle_class == own.vehicle_class, setup.c.depot == own.depot)
    return (
        select(vehicle.c.id)
        .join(setup)
        .where(vehicle.c.fleet == own.fleet, vehicle.c.id != vehicle_id)
        .group_by(vehicle.c.id, vehicle.c.vehicle)
        .order_by(*(func.max(case((first, 1), else_=0)).desc() for first in firsts), vehicle.c.vehicle)
        .limit(SISTERS)
    )


def read_sister_channels(
    connection: Connection, vehicle_id: int, own: Setup, as_of_us: int, arrived_us: int | None = None
) -> tuple[SisterChannel, ...]:
    """What channels like those of a vehicle read at first on others of its fleet with the same kind of system and grease, by
    what is known at `as_of_us`; of what had arrived by `arrived_us` where that is asked for."""
    wanted = {tubes_of(own, name) for name in own.channels}
    if not wanted:
        return ()
    ids = connection.execute(_of_its_fleet(vehicle_id, own)).scalars().all()
    has_alike = cache(lambda tubes: any(alike_tubes(one, tubes) for one in wanted))  # sisters have the same ones
    tubes: dict[int, dict[str, Tubes]] = {}
    since_us: dict[int, int] = {}
    for one in read_vehicles(connection, ids):
        setup = one.in_force(as_of_us)
        alike = {name: own_tubes for name in setup.channels if has_alike(own_tubes := tubes_of(setup, name))}
        if alike and (setup.feed, setup.nlgi) == (own.feed, own.nlgi):
            tubes[one.id] = alike
            since_us[one.id] = max(setup.valid_from_us or EARLIEST_US, EARLIEST_US)
    names = {id_: tuple(alike) for id_, alike in tubes.items()}
    read = read_first_peaks(connection, names, _FIRST_CYCLES, since_us, as_of_us, arrived_us)
    return tuple(one for id_, (temp_c, kpa) in read.items() for one in _sister_channels(tubes[id_], temp_c, kpa))


def _sister_channels(tubes: Mapping[str, Tubes], temp_c: Floats, kpa: NDArray[np.float32]) -> Iterator[SisterChannel]:
    """The channels of a sister of which the first peaks tell a level."""
    levels = first_levels(kpa.astype(np.float64), temp_c, _FEWEST_CYCLES).tolist()
    for own_tubes, level in zip(tubes.values(), levels, strict=True):
        if not isnan(level):
            yield SisterChannel(own_tubes, level)


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
