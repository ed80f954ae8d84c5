"""Reading a vehicle's messages as arrays."""

import gc
import heapq
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import (
    BindParameter,
    ColumnElement,
    CompoundSelect,
    Connection,
    CursorResult,
    Select,
    Table,
    bindparam,
    func,
    or_,
    select,
    union_all,
)

from ingest import schema
from ingest.arrays import Cycles, Faults, Floats, Ignitions, Ints, Levels, Messages, States
from ingest.times import DAY_US

MOST_UNLISTED: Final = 64  # channels of a vehicle that no line list names: more than that no controller has
MOST_COUNTED: Final = 10_000  # so many are told apart, to say how many there are

_COMMON: Final = ("boot", "seq", "at_us", "sent_us", "received_us", "engine_h")


_PRESSURES: Final = ("peak_list", "peak_kpa", "rest_list", "rest_kpa", "trace")
# What is read of each kind of message, beside what all have.
_COLUMNS: Final = {
    "cycle": ("cycle_no", "run_s", "manual", "complete", "temp_c", "supply_v", *_PRESSURES),
    "level": ("level_pct", "temp_c", "tilt_deg"),
    "ignition": ("ignition_on",),
    "fault": ("code", "active", "channel", "value"),
    "state": ("online",),
}


@contextmanager
def _nothing_collected() -> Iterator[None]:
    """Tens of thousands of rows have all else looked through for garbage, of which they are none; that takes as long as to read them."""
    collected = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if collected:
            gc.enable()


@_nothing_collected()
def read_messages(connection: Connection, vehicle_id: int) -> Messages:
    """All messages of a vehicle as arrays, those that retention thinned included."""

    def columns(kind: str) -> list[tuple[Any, ...]]:
        rows = _as_the_driver_gives_them(connection.execute(_of_a_kind(kind), {"vehicle": vehicle_id}))
        return list(zip(*rows, strict=True)) if rows else [()] * len(_COMMON + _COLUMNS[kind])

    cycle, level, ignition, fault, state = (columns(kind) for kind in _COLUMNS)
    names, lists, left_out = _channels(connection, vehicle_id, {*cycle[12], *cycle[14]} - {None})
    return Messages(
        cycles=Cycles(
            *_common(cycle),
            cycle_no=np.array(cycle[6], np.int64),
            run_s=_floats(cycle[7]),
            manual=_floats(cycle[8]),
            complete=_floats(cycle[9]),
            temp_c=_floats(cycle[10]),
            supply_v=_floats(cycle[11]),
            channels=names,
            peak_kpa=_matrix(cycle[12], cycle[13], lists, len(names)),
            rest_kpa=_matrix(cycle[14], cycle[15], lists, len(names)),
            trace=cycle[16],
            left_out=left_out,
        ),
        levels=Levels(*_common(level), *(_floats(column) for column in level[6:])),
        ignitions=Ignitions(*_common(ignition), _floats(ignition[6])),
        faults=Faults(*_common(fault), fault[6], _floats(fault[7]), fault[8], _floats(fault[9])),
        states=States(*_common(state), _floats(state[6])),
    )


@cache
def _of_a_kind(kind: str) -> CompoundSelect[Any]:
    """The query of one kind of message of a `vehicle`, made once: it is asked with each piece of news."""
    return union_all(
        *(
            select(*(table.c[name] for name in _COMMON + _COLUMNS[kind])).where(
                table.c.vehicle_id == bindparam("vehicle"), table.c.kind == kind
            )
            for table in (schema.thinned, schema.message)
        )
    )


def read_cycle_times(
    connection: Connection, vehicle_id: int, from_us: int, until_us: int, arrived_us: int | None = None
) -> Ints:
    """When a vehicle's cycles began, by its controller's clock, in [from, until), ascending; of what had arrived by `arrived_us` where
    that is asked for."""
    table = schema.message
    chosen = (
        table.c.vehicle_id == vehicle_id,
        table.c.kind == "cycle",
        table.c.at_us >= from_us,
        table.c.at_us < until_us,
        *_arrived(table, arrived_us),
    )
    times = connection.execute(select(table.c.at_us).where(*chosen).order_by(table.c.at_us)).scalars()
    return np.array(times.all(), np.int64)


def read_first_peaks(
    connection: Connection, channels: Mapping[int, Sequence[str]], number: int, since_us: Mapping[int, int], until_us: int,
    arrived_us: int | None = None,
) -> dict[int, tuple[Floats, NDArray[np.float32]]]:  # fmt: skip
    """(air temperatures (n,), peak pressures of its `channels` (n, channels) kPa) of the first `number` cycles of each vehicle from
    `since_us` to `until_us` with pressures, by its controller's clock; of what had arrived by `arrived_us` where that is asked for."""
    query, read = _first_peaks(arrived_us is not None), dict[int, list[Any]]()
    for id_ in channels:
        asked = {"vehicle": id_, "from": since_us[id_], "until": until_us, "arrived": arrived_us, "number": number}
        rows = _as_the_driver_gives_them(connection.execute(query, asked))
        read[id_] = sorted(rows, key=lambda row: int(row[0]))[:number]
    lists = dict(_lists(connection, {row[2] for rows in read.values() for row in rows}))
    found = {}
    for id_, rows in read.items():
        keys, blobs = tuple(row[2] for row in rows), tuple(row[3] for row in rows)
        column = {name: j for j, name in enumerate(channels[id_])}
        places = {key: _places(lists[key], column) for key in set(keys)}
        found[id_] = _floats(tuple(row[1] for row in rows)), _matrix(keys, blobs, places, len(column))
    return found


@cache
def _first_peaks(arrived: bool) -> CompoundSelect[Any]:
    """The query of `read_first_peaks`, made once: it is asked for every sister of every vehicle."""

    def first(table: Table) -> Select[Any]:
        c = table.c
        mine = [c.vehicle_id == bindparam("vehicle"), c.kind == "cycle", c.peak_list.is_not(None)]
        mine.append(c.at_us.between(bindparam("from"), bindparam("until")))
        if arrived:
            mine += _arrived(table, bindparam("arrived"))
        wanted = select(c.at_us, c.temp_c, c.peak_list, c.peak_kpa).where(*mine).order_by(c.at_us, c.boot, c.seq)
        return select(wanted.limit(bindparam("number")).subquery())

    return union_all(first(schema.thinned), first(schema.message))


def read_stops(
    connection: Connection, vehicle_id: int, least_days: float, from_us: int, until_us: int, arrived_us: int | None = None
) -> tuple[int | None, tuple[tuple[int, int], ...]]:  # fmt: skip
    """When a vehicle's first cycle in [from, until] began, and its stretches there of at least so many days without one (begin, end),
    the last perhaps still going on; by its controller's clock, and of what had arrived by `arrived_us` where that is asked for."""

    def begun(table: Table) -> Select[Any]:
        mine = table.c.vehicle_id == vehicle_id, table.c.kind == "cycle", table.c.at_us.between(from_us, until_us)
        return select(table.c.at_us).where(*mine, *_arrived(table, arrived_us))

    cycle = union_all(begun(schema.thinned), begun(schema.message)).subquery()
    before, after = (order(cycle.c.at_us).over(order_by=cycle.c.at_us) for order in (func.lag, func.lead))
    gap = select(cycle.c.at_us.label("begin"), before.label("before"), after.label("end")).subquery()
    least_us = int(least_days * DAY_US)
    wanted = gap.c.before.is_(None) | (func.coalesce(gap.c.end, until_us) - gap.c.begin >= least_us)
    rows = connection.execute(select(gap).where(wanted).order_by(gap.c.begin)).all()
    ends = [(int(row.begin), until_us if row.end is None else int(row.end)) for row in rows]
    return (ends[0][0] if ends else None), tuple((a, b) for a, b in ends if b - a >= least_us)


def _arrived(table: Table, arrived_us: int | BindParameter[int] | None) -> tuple[ColumnElement[bool], ...]:
    """Conditions by which only what had arrived by a time counts, as far as is known when it did; none where that is not asked for."""
    return () if arrived_us is None else (or_(table.c.received_us.is_(None), table.c.received_us <= arrived_us),)


def _as_the_driver_gives_them(result: CursorResult[Any]) -> list[tuple[Any, ...]]:
    """All rows as plain tuples: the library's own rows take several times as long, and there are tens of thousands."""
    assert result.cursor is not None
    rows: list[tuple[Any, ...]] = list(result.cursor.fetchall())
    result.close()
    return rows


def _floats(column: tuple[Any, ...]) -> Floats:
    """NaN where there is none."""
    if column.count(None) == len(column):  # many controllers say nothing of it at all
        return np.full(len(column), np.nan)
    return np.array(column, np.float64)


def _common(rows: list[tuple[Any, ...]]) -> tuple[NDArray[np.str_], Ints, Ints, Ints, Ints, Floats]:
    boot, seq, at_us, sent_us, received_us, engine_h = rows[:6]

    def times(column: tuple[Any, ...]) -> Ints:
        known = [-1 if value is None else value for value in column] if None in column else column
        return np.array(known, np.int64)

    return (
        np.array(boot, np.str_), np.array(seq, np.int64), np.array(at_us, np.int64),
        times(sent_us), times(received_us), _floats(engine_h),
    )  # fmt: skip


# The channels that a line list of a `vehicle` names.
_LISTED: Final = (
    select(schema.line.c.channel).join(schema.setup)
    .where(schema.setup.c.vehicle_id == bindparam("vehicle"), schema.line.c.channel.is_not(None)).distinct()
)  # fmt: skip
_TOGETHER: Final = 50  # channel lists in memory: few enough that very long ones fit

# A channel list as it is read: how many channels a vector of it has, which of them are wanted, and in which columns they belong.
_Columns = tuple[int, list[int], list[int]]


def _channels(
    connection: Connection, vehicle_id: int, keys: set[int]
) -> tuple[tuple[str, ...], dict[int, _Columns], int]:
    """(names of the channels that are read, where those of each list are, how many are left out).

    All that a line list of the vehicle names are read, and so many of the others: somebody may invent one with each message.
    """
    listed = set(connection.execute(_LISTED, {"vehicle": vehicle_id}).scalars())
    heard, kept, others = set[str](), list[str](), set[str]()
    few = list(_lists(connection, keys)) if len(keys) <= _TOGETHER else None  # then they need not be read twice
    for _, held in few or _lists(connection, keys):
        heard |= listed.intersection(held)
        new = set(held) - listed
        kept = heapq.nsmallest(MOST_UNLISTED, new.union(kept))
        if len(others) < MOST_COUNTED:
            others |= new
    names = tuple(sorted(heard.union(kept)))
    column = {name: i for i, name in enumerate(names)}
    where = {key: _places(held, column) for key, held in few or _lists(connection, keys)}
    return names, where, min(len(others), MOST_COUNTED) - len(kept)


def _places(held: list[str], column: Mapping[str, int]) -> _Columns:
    places = [i for i, name in enumerate(held) if name in column]
    return len(held), places, [column[held[i]] for i in places]


def _lists(connection: Connection, keys: set[int]) -> Iterator[tuple[int, list[str]]]:
    table, wanted = schema.channel_list, sorted(keys)
    for first in range(0, len(wanted), _TOGETHER):
        some = connection.execute(select(table).where(table.c.id.in_(wanted[first : first + _TOGETHER])))
        yield from ((key, held) for key, held in some)


def _matrix(
    keys: tuple[Any, ...], blobs: tuple[Any, ...], lists: Mapping[int, _Columns], width: int
) -> NDArray[np.float32]:
    """Vectors of several channel lists brought into so many columns, NaN elsewhere."""
    matrix = np.full((len(keys), width), np.nan, np.float32)
    for key, chosen in _rows_of(keys).items():
        number, places, columns = lists[key]
        if places:
            vectors = np.frombuffer(b"".join([blobs[i] for i in chosen]), "<f4").reshape(len(chosen), number)
            wide = np.full((len(chosen), width), np.nan, np.float32)
            wide[:, columns] = vectors[:, places]
            matrix[np.fromiter(chosen, np.int64, len(chosen))] = wide  # whole rows: much faster than single places
    return matrix


def _rows_of(keys: tuple[Any, ...]) -> Mapping[int, Sequence[int]]:
    """The rows of each channel list."""
    if len(set(keys)) == 1:  # as most vehicles have it
        return {} if keys[0] is None else {keys[0]: range(len(keys))}
    rows: dict[int, list[int]] = {}
    for i, key in enumerate(keys):
        if key is not None:
            rows.setdefault(key, []).append(i)
    return rows
