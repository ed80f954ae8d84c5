"""Reading what other vehicles tell of one: those of its class lend to a young one and tell what lines like its own read, those of its
depot stand when it is closed."""

from collections.abc import Callable, Hashable, Iterator, Mapping, Sequence
from functools import cache
from itertools import chain
from math import isnan
from typing import Any, Final, TypeVar
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, Engine, Select, bindparam, case, func, select

from analytics.alarms.depots import closed_stretches
from analytics.vehicle.peers import SHORT_DAYS, SISTERS, Sister, span_us
from analytics.vehicle.pressure.sister_lines import SisterChannel, Tubes, alike_tubes, first_levels, tubes_of
from analytics.vehicle.standing import MATES, MAYBE_CLOSED_DAYS, STOP_DAYS, Mate, Yard
from ingest import registry, schema
from ingest.arrays import Floats, Messages
from ingest.reading import read_cycle_times, read_first_peaks, read_stops
from ingest.registry import read_vehicles
from ingest.setups import Setup
from ingest.times import DAY_US, EARLIEST_US

_FIRST_CYCLES: Final = 60  # of a sister that tell what its lines read before they aged
_FEWEST_CYCLES: Final = 12
_MOST_HELD: Final = 1000  # answers about other vehicles that a process holds

Told = TypeVar("Told")
_HELD: Final = WeakKeyDictionary[Engine, dict[Hashable, Any]]()
_RANKED: Final = WeakKeyDictionary[Engine, dict[Hashable, tuple[int, Sequence[int]]]]()
# What changes with whatever is recorded of some vehicles, and whenever messages of them are let go of.
_STATES: Final = (
    select(schema.vehicle.c.id, schema.vehicle.c.revision, schema.archive.c.made_us)
    .select_from(schema.vehicle.outerjoin(schema.archive, schema.archive.c.vehicle_id == schema.vehicle.c.id))
    .where(schema.vehicle.c.id.in_(bindparam("ids", expanding=True)))
)


def _of_a_fleet() -> Select[int]:
    """The vehicles of a fleet, those of a class first, then those of a depot, by name: one more than lend."""
    vehicle, setup = schema.vehicle, schema.setup
    firsts = (setup.c.vehicle_class == bindparam("vehicle_class"), setup.c.depot == bindparam("depot"))
    return (
        select(vehicle.c.id)
        .join(setup)
        .where(vehicle.c.fleet == bindparam("fleet"))
        .group_by(vehicle.c.id, vehicle.c.vehicle)
        .order_by(*(func.max(case((first, 1), else_=0)).desc() for first in firsts), vehicle.c.vehicle)
        .limit(SISTERS + 1)
    )


# Made once: that takes longer than to execute them.
_OF_ITS_FLEET: Final = _of_a_fleet()
_OF_ITS_CLASS: Final = _OF_ITS_FLEET.where(schema.setup.c.vehicle_class == bindparam("vehicle_class"))


def _others(connection: Connection, which: Select[int], vehicle_id: int, own: Setup) -> list[int]:
    """The other ones, of its class first, then of its depot. All of its fleet is looked through once for each class and depot, until
    anything is registered: for each vehicle a large fleet would take longer than its analysis."""
    named = {name: getattr(own, name) for name in ("fleet", "vehicle_class", "depot")}
    revision, held = registry.revision(connection), _RANKED.setdefault(connection.engine, {})
    asked = which is _OF_ITS_CLASS, *named.values()
    known = held.get(asked)
    if known is None or known[0] != revision:
        if len(held) >= _MOST_HELD:
            held.clear()
        known = held[asked] = revision, connection.execute(which, named).scalars().all()
    return [id_ for id_ in known[1] if id_ != vehicle_id][:SISTERS]


def _told_once(
    connection: Connection, ids: Sequence[int], asked: Hashable, read: Callable[[list[int]], Mapping[int, Told]]
) -> list[Told]:
    """What `read` tells of vehicles, in the order of `ids`; of those that were `asked` the same before nothing is read again. Many
    vehicles ask the same few, as long as nothing of these changes. What is told has to rest on nothing but the two."""
    held = _HELD.setdefault(connection.engine, {})
    # Before anything else is read: what is recorded meanwhile counts as not seen.
    keys = {state.id: (asked, *state) for state in connection.execute(_STATES, {"ids": ids})}
    told = {id_: held[key] for id_, key in keys.items() if key in held}
    new = [id_ for id_ in ids if id_ not in told]
    if new:
        told |= read(new)
        if len(held) + len(new) > _MOST_HELD:
            held = _HELD[connection.engine] = {}
        held.update({keys[id_]: told[id_] for id_ in new})
    return [told[id_] for id_ in ids]


def read_sisters(
    connection: Connection, vehicle_id: int, own: Setup, messages: Messages, as_of_us: int, arrived_us: int | None = None
) -> tuple[Sister, ...]:  # fmt: skip
    """The vehicles that lend to one at `as_of_us`: of its fleet and class, of its depot first, by name; none where its own
    history is long enough. Of what had arrived by `arrived_us` where that is asked for."""
    heard_us = messages.cycles.at_us[messages.cycles.at_us >= EARLIEST_US]
    if not len(heard_us) or int(heard_us.min()) < as_of_us - SHORT_DAYS * DAY_US:
        return ()

    def read(ids: list[int]) -> dict[int, Sister]:
        timers = {one.id: one.in_force(as_of_us).interval_min for one in read_vehicles(connection, ids)}
        span = span_us(as_of_us)
        return {id_: Sister(read_cycle_times(connection, id_, *span, arrived_us), timers[id_]) for id_ in ids}

    ids = _others(connection, _OF_ITS_CLASS, vehicle_id, own)
    return tuple(_told_once(connection, ids, ("calendar", as_of_us, arrived_us), read))


def read_sister_channels(
    connection: Connection, vehicle_id: int, own: Setup, as_of_us: int, arrived_us: int | None = None
) -> tuple[SisterChannel, ...]:
    """What channels like those of a vehicle read at first on others of its fleet with the same kind of system and grease, by
    what is known at `as_of_us`; of what had arrived by `arrived_us` where that is asked for."""
    wanted = frozenset(tubes_of(own, name) for name in own.channels)
    if not wanted:
        return ()
    has_alike = cache(lambda tubes: any(alike_tubes(one, tubes) for one in wanted))  # sisters have the same ones

    def read(ids: list[int]) -> dict[int, tuple[SisterChannel, ...]]:
        tubes: dict[int, dict[str, Tubes]] = {}
        since_us: dict[int, int] = {}
        for one in read_vehicles(connection, ids):
            setup = one.in_force(as_of_us)
            alike = {name: own_tubes for name in setup.channels if has_alike(own_tubes := tubes_of(setup, name))}
            if alike and (setup.feed, setup.nlgi) == (own.feed, own.nlgi):
                tubes[one.id] = alike
                since_us[one.id] = max(setup.valid_from_us or EARLIEST_US, EARLIEST_US)
        names = {id_: tuple(alike) for id_, alike in tubes.items()}
        peaks = read_first_peaks(connection, names, _FIRST_CYCLES, since_us, as_of_us, arrived_us)
        return {id_: tuple(_sister_channels(tubes[id_], *peaks[id_])) if id_ in peaks else () for id_ in ids}

    ids = _others(connection, _OF_ITS_FLEET, vehicle_id, own)
    asked = ("channels", wanted, own.feed, own.nlgi, as_of_us, arrived_us)
    return tuple(chain.from_iterable(_told_once(connection, ids, asked, read)))


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
    for. One that never ran has no refill to come that a closing would put off."""
    closed = closed_stretches(connection, setup.depot, setup.timezone, as_of_us)
    ran_us = messages.cycles.at_us[messages.cycles.at_us <= as_of_us]
    works = len(ran_us) > 0 and as_of_us - int(ran_us.max()) < MAYBE_CLOSED_DAYS * DAY_US
    if works or not len(messages.cycles):
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

    def read(ids: list[int]) -> dict[int, Mate | None]:
        told = {id_: read_stops(connection, id_, STOP_DAYS, EARLIEST_US, as_of_us, arrived_us) for id_ in ids}
        return {id_: None if first_us is None else Mate(first_us, stops) for id_, (first_us, stops) in told.items()}

    mates = _told_once(connection, connection.scalars(there).all(), ("stops", as_of_us, arrived_us), read)
    return Yard(tuple(mate for mate in mates if mate is not None), closed)
