"""Recording batches of messages: each in one transaction, idempotent, nothing dropped silently."""

from collections import Counter, deque
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from heapq import heapify, heapreplace
from itertools import groupby
from operator import itemgetter
from typing import Any, Final

from sqlalchemy import Connection, Engine, Table, Update, bindparam, delete, func, insert, or_, select, update

from ingest import repeats, schema, seq_ranges, strangers
from ingest.database import arrays, upsert, writing
from ingest.entries import Entries, entries_of, registered
from ingest.messages import MAX_PAYLOAD_BYTES, METER_BOOT, Arrival, Rejected, source_of
from ingest.partitions import make_months
from ingest.rows import (
    COLUMNS,
    FILLED,
    KIND,
    NO_NUMBER,
    RECEIVED,
    SENT,
    Name,
    Row,
    believable_us,
    key_of,
    list_number,
    name_of,
    renumbered,
)
from ingest.times import LONG_AGO_US, now_us

# Quarantine keeps so many; the oldest of whoever has most go first; their count stays.
QUARANTINE_ROWS: Final = 10_000
# Lists looked up by one statement: a database takes so many parameters only.
_LOOKED_UP: Final = 500
_FEW: Final = 100  # vehicles of a fleet: so many are looked up by their names
_LISTS_KNOWN: Final = 1_000  # lists of channels in memory: few enough that very long ones fit


@dataclass
class Tally:
    """What became of a batch."""

    recorded: Counter[str] = field(default_factory=Counter)
    duplicates: int = 0
    rejected: int = 0
    wills: int = 0

    def add(self, other: "Tally") -> None:
        """Count another batch in."""
        self.recorded += other.recorded
        self.duplicates += other.duplicates
        self.rejected += other.rejected
        self.wills += other.wills


class _Forgotten(Exception):
    """A vehicle that was known was let go of meanwhile."""


class Recorder:
    """Records batches of arrivals, each in one transaction; safe to repeat with the same arrivals.

    Several recorders may work on one PostgreSQL database. None waits for another while it inserts; then each takes the
    rows of its vehicles, in one order everywhere, and until it commits nobody else takes names of theirs.
    """

    def __init__(self, engine: Engine, name: str) -> None:
        self._engine = engine
        self._name = name
        self._vehicles: dict[tuple[str, str], int] = {}
        self._lists: dict[int, list[str]] = {}
        self._months: set[int] = set()

    def record(self, arrivals: Sequence[Arrival]) -> Tally:
        """Commit a batch; when this returns, it is safe. Raises sqlalchemy.exc.DBAPIError, then nothing is recorded."""
        return self.keep(entries_of(arrivals))

    def keep(self, entries: Entries) -> Tally:
        """The same of what was read already."""
        try:
            return self._commit(entries)
        except _Forgotten:
            return self._commit(entries)

    def _commit(self, entries: Entries) -> Tally:
        try:
            with writing(self._engine) as connection:
                return self._record(connection, entries)
        except BaseException:
            # What was looked up may have been rolled back with the rest.
            self._vehicles.clear()
            self._lists.clear()
            self._months.clear()
            raise

    def _record(self, connection: Connection, entries: Entries) -> Tally:
        self._know_vehicles(connection, set(entries.vehicles.values()))
        entries = registered(entries, self._vehicles)
        rows = renumbered(entries.rows, self._know_lists(connection, entries.lists))
        named: dict[Name, int] = {}  # the place of the first of each name
        repeated = [place for place, row in enumerate(rows) if named.setdefault(name_of(row), place) != place]
        touched = {row[0] for row in rows} | {vehicle_id for vehicle_id, *_ in entries.states}
        fresh = self._insert(connection, [rows[place] for place in named.values()], touched)
        new = [rows[place] for name, place in named.items() if name in fresh]
        repeated += [place for name, place in named.items() if name not in fresh]
        tally = Tally(Counter(row[KIND] for row in new), len(repeated), len(entries.refused), len(entries.wills))
        _note_states(connection, entries.states)
        _note_news(connection, new)
        contradictions = repeats.settle(connection, [(place, rows[place]) for place in sorted(repeated)])
        contradicting = [(entries.arrival(place), Rejected("contradiction")) for place in contradictions]
        self._quarantine(connection, [*entries.refused, *contradicting])
        self._count(connection, tally)
        return tally

    def _know_vehicles(self, connection: Connection, names: set[tuple[str, str]]) -> None:
        """Those that are not known yet are made, as long as there is room for vehicles that nobody has registered."""
        missing = names - self._vehicles.keys()
        if not missing:
            return
        self._vehicles |= find_vehicles(connection, missing)
        new = sorted(missing - self._vehicles.keys())
        if new:
            self._vehicles |= know_vehicles(connection, new[: strangers.room(connection)])

    def _know_lists(self, connection: Connection, lists: Mapping[int, list[str]]) -> dict[int, int]:
        """Keep lists of channels. The numbers by which those are kept whose own some other list has: somebody may have made one that has
        the number of another vehicle's, whose pressures it must not name."""
        table, moved = schema.channel_list, dict[int, int]()
        new = {key: held for key, held in lists.items() if self._lists.get(key) != held}
        numbers = {key: key if key < NO_NUMBER else list_number(held) for key, held in new.items()}
        while new:
            rows = sorted({numbers[key]: held for key, held in new.items()}.items())
            connection.execute(_insert_new(connection, table), [{"id": id_, "channels": held} for id_, held in rows])
            ids = [id_ for id_, _ in rows]
            for first in range(0, len(ids), _LOOKED_UP):
                some = table.c.id.in_(ids[first : first + _LOOKED_UP])
                self._lists.update(tuple(row) for row in connection.execute(select(table).where(some)))
            for key, held in list(new.items()):
                if self._lists[numbers[key]] != held:
                    numbers[key] = _next_number(numbers[key])
                    continue
                del new[key]
                if numbers[key] != key:
                    moved[key] = numbers[key]
        if len(self._lists) > _LISTS_KNOWN:  # somebody may invent one with each message
            self._lists.clear()
        return moved

    def _insert(self, connection: Connection, rows: list[Row], touched: set[int]) -> set[Name]:
        """Insert what is new, and take its names; the names of what was. Each database in the way it is quickest in."""
        if connection.dialect.name == "sqlite":
            # The transaction holds SQLite's only lock for writing: nobody else can take these names meanwhile.
            fresh = _take(connection, rows)
            of_kinds: dict[str, list[Row]] = {}
            for row in rows:
                if name_of(row) in fresh:
                    of_kinds.setdefault(row[KIND], []).append(row)
            for kind, new in of_kinds.items():
                connection.exec_driver_sql(*_insert_rows(kind, sorted(new, key=key_of)))
            return fresh
        make_months(connection, {key_of(row)[1] for row in rows}, self._months)
        inserted: list[Row] = []
        if rows:
            rows = sorted(rows, key=key_of)  # two recorders never wait in a ring
            returned = connection.exec_driver_sql(_insert_arrays(), arrays(zip(*rows, strict=True)))
            keys = {tuple(key) for key in returned}
            inserted = [row for row in rows if key_of(row) in keys]
        connection.exec_driver_sql(
            "SELECT id FROM vehicle WHERE id = ANY(%s) ORDER BY id FOR NO KEY UPDATE", (sorted(touched),)
        )
        fresh = _take(connection, inserted)
        # Of another time than the message that has the name.
        surplus = [key_of(row) for row in inserted if name_of(row) not in fresh]
        if surplus:
            connection.exec_driver_sql(
                "DELETE FROM message WHERE vehicle_id = %s AND at_us = %s AND boot = %s AND seq = %s", surplus
            )
        return fresh

    def _quarantine(self, connection: Connection, refused: list[tuple[Arrival, Rejected]]) -> None:
        table = schema.quarantine
        if refused:
            connection.execute(
                insert(table),
                [
                    {
                        "topic": arrival.topic.replace("\x00", "\N{REPLACEMENT CHARACTER}")[:1024],
                        "payload": arrival.payload[:MAX_PAYLOAD_BYTES],
                        "code": why.code,
                        "detail": why.detail.replace("\x00", "\N{REPLACEMENT CHARACTER}")[:1024],
                        "received_us": arrival.received_us,
                    }
                    for arrival, why in refused
                ],
            )
            self._make_room(connection)
            for code, number in sorted(Counter(why.code for _, why in refused).items()):
                counted = upsert(connection, schema.refusal)
                connection.execute(
                    counted.on_conflict_do_update(
                        index_elements=["recorder", "code"], set_={"count": schema.refusal.c.count + number}
                    ),
                    {"recorder": self._name, "code": code, "count": number},
                )

    def _make_room(self, connection: Connection) -> None:
        """Let go of the oldest of whoever has most in quarantine: a vehicle that sends rubbish drives nobody else's out."""
        table = schema.quarantine
        surplus = (connection.scalar(select(func.count()).select_from(table)) or 0) - QUARANTINE_ROWS
        if surplus <= 0:
            return
        of_each: dict[str, deque[int]] = {}
        for id_, topic in connection.execute(select(table.c.id, table.c.topic).order_by(table.c.id)):
            of_each.setdefault(source_of(topic), deque()).append(id_)
        gone = []
        fullest = [(-len(ids), ids[0], name) for name, ids in of_each.items()]
        heapify(fullest)
        for _ in range(surplus):
            number, oldest, name = fullest[0]
            ids = of_each[name]
            gone.append({"gone": ids.popleft()})
            heapreplace(fullest, (number + 1, ids[0] if ids else oldest, name))
        connection.execute(delete(table).where(table.c.id == bindparam("gone")), gone)

    def _count(self, connection: Connection, tally: Tally) -> None:
        counts = {
            "recorded": tally.recorded.total(),
            "duplicates": tally.duplicates,
            "rejected": tally.rejected,
            "wills": tally.wills,
        }
        mine = {"recorder": self._name, "last_us": now_us()}
        if connection.execute(_COUNT, {"of": self._name, **counts, **mine}).rowcount == 0:
            connection.execute(insert(schema.recorder_stats).values(**counts, **mine))


def _take(connection: Connection, rows: list[Row]) -> set[Name]:
    """Take the names of rows; those that were free."""
    wanted: dict[seq_ranges.Life, set[int]] = {}
    for vehicle_id, boot, seq in map(name_of, rows):
        wanted.setdefault((vehicle_id, boot), set()).add(seq)
    if not wanted:
        return set()
    return {(*life, seq) for life, seqs in seq_ranges.take(connection, wanted).items() for seq in seqs}


def _note_states(connection: Connection, states: Sequence[tuple[int, bool, int]]) -> None:
    table, newest = schema.vehicle, dict[int, tuple[int, bool]]()
    for vehicle_id, online, received_us in states:  # a vehicle may tell of thousands in a batch
        if received_us >= newest.get(vehicle_id, (received_us, online))[0]:
            newest[vehicle_id] = received_us, online
    for vehicle_id, (received_us, online) in sorted(newest.items()):
        newer = or_(table.c.online_received_us.is_(None), table.c.online_received_us <= received_us)
        connection.execute(
            update(table).where(table.c.id == vehicle_id, newer).values(online=online, online_received_us=received_us)
        )


def _note_news(connection: Connection, rows: Sequence[Row]) -> None:
    """Mark the vehicles that said something new, and when they were last heard: not by a meter that somebody else reads."""
    heard: dict[int, int] = {}
    for row in rows:
        outside = row[2].startswith(METER_BOOT)
        at_us = LONG_AGO_US if outside else believable_us(row[1], row[SENT], row[RECEIVED])
        heard[row[0]] = max(at_us, heard.get(row[0], at_us))
    if not heard:
        return
    if connection.dialect.name == "sqlite":
        done = connection.exec_driver_sql(_REVISE.format("? AS id, ? AS at_us"), sorted(heard.items()))
    else:
        told = "unnest(%s::integer[]) AS id, unnest(%s::bigint[]) AS at_us"
        done = connection.exec_driver_sql(_REVISE.format(told), arrays(zip(*heard.items(), strict=True)))
    if done.rowcount != len(heard):
        raise _Forgotten


def _count_more(table: Table) -> Update:
    more = {name: table.c[name] + bindparam(name) for name in ("recorded", "duplicates", "rejected", "wills")}
    return update(table).where(table.c.recorder == bindparam("of")).values(last_us=bindparam("last_us"), **more)


_COUNT: Final = _count_more(schema.recorder_stats)  # made once: that takes several times as long as to execute it
_REVISE: Final = (
    "UPDATE vehicle SET revision = revision + 1, heard_us ="
    f" CASE WHEN heard_us >= told.at_us OR told.at_us = {LONG_AGO_US} THEN heard_us ELSE told.at_us END"
    " FROM (SELECT {}) AS told WHERE vehicle.id = told.id"
)


def know_vehicles(connection: Connection, names: Collection[tuple[str, str]]) -> dict[tuple[str, str], int]:
    """The ids of vehicles by (fleet, vehicle); those not known yet are made."""
    now = now_us()
    # In one order everywhere: two who make vehicles never wait in a ring.
    rows = [{"fleet": fleet, "vehicle": name, "revision": 0, "made_us": now} for fleet, name in sorted(set(names))]
    if rows:
        connection.execute(_insert_new(connection, schema.vehicle), rows)
    return find_vehicles(connection, names)


def find_vehicles(connection: Connection, names: Collection[tuple[str, str]]) -> dict[tuple[str, str], int]:
    """The ids of vehicles by (fleet, vehicle), of those that are known."""
    table, found = schema.vehicle, dict[tuple[str, str], int]()
    for fleet, of_fleet in groupby(sorted(set(names)), key=itemgetter(0)):
        wanted = {name for _, name in of_fleet}
        # Of many the whole fleet is read once: PostgreSQL would hold each of its names against each of the wanted ones.
        some = [table.c.vehicle.in_(wanted)] if len(wanted) <= _FEW else []
        for id_, name in connection.execute(select(table.c.id, table.c.vehicle).where(table.c.fleet == fleet, *some)):
            if name in wanted:
                found[fleet, name] = id_
    return found


def _next_number(number: int) -> int:
    """The number that is tried where another list has one: of 64 bits with a sign, as the column is."""
    return number + 1 if number + 1 < NO_NUMBER else -NO_NUMBER


def _insert_new(connection: Connection, table: Any) -> Any:
    return upsert(connection, table).on_conflict_do_nothing()


def _insert_rows(kind: str, rows: list[Row]) -> tuple[str, list[Row]]:
    """A statement and what it inserts. Columns that a kind never fills take SQLite as long as those that it does."""
    filled = FILLED[kind]
    names = ", ".join(COLUMNS[place] for place in filled)
    return f"INSERT INTO message ({names}) VALUES ({', '.join('?' * len(filled))})", list(
        map(itemgetter(*filled), rows)
    )


@cache
def _insert_arrays() -> str:
    from sqlalchemy.dialects import postgresql  # here, since all its drivers are loaded with it

    dialect = postgresql.dialect()  # type: ignore[no-untyped-call]
    types = ", ".join(f"%s::{column.type.compile(dialect)}[]" for column in schema.message.columns)
    return (
        f"INSERT INTO message ({', '.join(COLUMNS)}) SELECT * FROM unnest({types})"
        " ON CONFLICT DO NOTHING RETURNING vehicle_id, at_us, boot, seq"
    )
