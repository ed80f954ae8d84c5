"""Recording batches of messages: each in one transaction, idempotent, nothing dropped silently."""

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from itertools import groupby
from operator import itemgetter
from typing import Any, Final

from sqlalchemy import Connection, Engine, delete, func, insert, or_, select, update

from ingest import schema, seq_ranges, strangers
from ingest.database import arrays, upsert, writing
from ingest.messages import MAX_PAYLOAD_BYTES, Arrival, Decoded, Rejected, State, decode
from ingest.partitions import make_months
from ingest.rows import COLUMNS, KIND, RECEIVED, SENT, Key, Name, Row, key_of, name_of, row_of, says_the_same
from ingest.times import LONG_AGO_US, now_us

# Quarantine keeps so many; the oldest go first, their count stays.
QUARANTINE_ROWS: Final = 10_000
# Vehicles looked up by one statement: a database takes so many parameters only.
_LOOKED_UP: Final = 500


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


Bearer = tuple[Arrival, Row]  # of a name


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
        self._lists: set[int] = set()
        self._months: set[int] = set()

    def record(self, arrivals: Sequence[Arrival]) -> Tally:
        """Commit a batch; when this returns, it is safe. Raises sqlalchemy.exc.DBAPIError, then nothing is recorded."""
        decoded = [decode(arrival) for arrival in arrivals]
        try:
            return self._commit(arrivals, decoded)
        except _Forgotten:
            return self._commit(arrivals, decoded)

    def _commit(self, arrivals: Sequence[Arrival], decoded: Sequence[Decoded | Rejected]) -> Tally:
        try:
            with writing(self._engine) as connection:
                return self._record(connection, arrivals, decoded)
        except BaseException:
            # What was looked up may have been rolled back with the rest.
            self._vehicles.clear()
            self._lists.clear()
            self._months.clear()
            raise

    def _record(
        self, connection: Connection, arrivals: Sequence[Arrival], decoded: Sequence[Decoded | Rejected]
    ) -> Tally:
        tally = Tally()
        refused: list[tuple[Arrival, Rejected]] = []
        named: dict[Name, list[Bearer]] = {}
        states: list[tuple[int, State, int]] = []
        lists: dict[int, list[str]] = {}
        self._know_vehicles(connection, {(d.fleet, d.vehicle) for d in decoded if isinstance(d, Decoded)})
        for arrival, result in zip(arrivals, decoded, strict=True):
            if isinstance(result, Rejected):
                refused.append((arrival, result))
                continue
            vehicle_id = self._vehicles.get((result.fleet, result.vehicle))
            if vehicle_id is None:
                refused.append((arrival, Rejected("unregistered")))
                continue
            if isinstance(result.message, State):
                if arrival.received_us is not None:
                    states.append((vehicle_id, result.message, arrival.received_us))
                if not result.message.of_record:
                    tally.wills += 1
                    continue
            row = row_of(result, vehicle_id, arrival.received_us, lists)
            named.setdefault(name_of(row), []).append((arrival, row))
        tally.rejected = len(refused)

        self._know_lists(connection, lists)
        touched = {vehicle_id for vehicle_id, _, _ in named} | {vehicle_id for vehicle_id, _, _ in states}
        fresh = self._insert(connection, [bearers[0][1] for bearers in named.values()], touched)
        repeated: list[Bearer] = []
        for name, bearers in named.items():
            again = bearers[1:] if name in fresh else bearers
            repeated += again
            tally.duplicates += len(again)
        tally.recorded = Counter(named[name][0][1][KIND] for name in fresh)
        _note_states(connection, states)
        _note_news(connection, [named[name][0][1] for name in fresh])
        refused += _settle_repeated(connection, repeated)
        self._quarantine(connection, refused)
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

    def _know_lists(self, connection: Connection, lists: Mapping[int, list[str]]) -> None:
        missing = [{"id": key, "channels": held} for key, held in sorted(lists.items()) if key not in self._lists]
        if missing:
            connection.execute(_insert_new(connection, schema.channel_list), missing)
            self._lists |= lists.keys()

    def _insert(self, connection: Connection, rows: list[Row], touched: set[int]) -> set[Name]:
        """Insert what is new, and take its names; the names of what was. Each database in the way it is quickest in."""
        if connection.dialect.name == "sqlite":
            # The transaction holds SQLite's only lock for writing: nobody else can take these names meanwhile.
            fresh = _take(connection, rows)
            new = [row for row in rows if name_of(row) in fresh]
            if new:
                connection.exec_driver_sql(_INSERT_ROWS, sorted(new, key=key_of))
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
            newest = select(func.max(table.c.id)).scalar_subquery()
            connection.execute(delete(table).where(table.c.id <= newest - QUARANTINE_ROWS))
            for code, number in sorted(Counter(why.code for _, why in refused).items()):
                counted = upsert(connection, schema.refusal)
                connection.execute(
                    counted.on_conflict_do_update(
                        index_elements=["recorder", "code"], set_={"count": schema.refusal.c.count + number}
                    ),
                    {"recorder": self._name, "code": code, "count": number},
                )

    def _count(self, connection: Connection, tally: Tally) -> None:
        table, now = schema.recorder_stats, now_us()
        counts = {
            "recorded": tally.recorded.total(),
            "duplicates": tally.duplicates,
            "rejected": tally.rejected,
            "wills": tally.wills,
        }
        changed = connection.execute(
            update(table)
            .where(table.c.recorder == self._name)
            .values({table.c[name]: table.c[name] + number for name, number in counts.items()} | {table.c.last_us: now})
        )
        if changed.rowcount == 0:
            connection.execute(insert(table).values(recorder=self._name, last_us=now, **counts))


def _take(connection: Connection, rows: list[Row]) -> set[Name]:
    """Take the names of rows; those that were free."""
    wanted: dict[seq_ranges.Life, set[int]] = {}
    for vehicle_id, boot, seq in map(name_of, rows):
        wanted.setdefault((vehicle_id, boot), set()).add(seq)
    if not wanted:
        return set()
    return {(*life, seq) for life, seqs in seq_ranges.take(connection, wanted).items() for seq in seqs}


def _settle_repeated(connection: Connection, repeated: Sequence[Bearer]) -> list[tuple[Arrival, Rejected]]:
    """Keep the earliest receipt of each repeated message; hand back those that contradict the first."""
    if not repeated:
        return []
    refused, dated = [], dict[int, int]()
    held = _held(connection, {key_of(row) for _, row in repeated})
    elsewhere = _elsewhere(connection, [row for _, row in repeated if key_of(row) not in held])
    earliest: dict[Key, tuple[int | None, int | None]] = {}
    for arrival, row in repeated:
        key = key_of(row)
        if key in held and says_the_same(row, held[key]):
            known = earliest.get(key, (held[key][RECEIVED], held[key][SENT]))
            earliest[key] = min(known, (row[RECEIVED], row[SENT]), key=_nulls_last)
        elif key in held or name_of(row) in elsewhere:
            refused.append((arrival, Rejected("contradiction")))
    for key, (received_us, sent_us) in sorted(earliest.items()):
        if (received_us, sent_us) != (held[key][RECEIVED], held[key][SENT]):
            for table in (schema.message, schema.thinned):
                mine = [column == value for column, value in zip(table.primary_key.columns, key, strict=True)]
                connection.execute(update(table).where(*mine).values(received_us=received_us, sent_us=sent_us))
            was_us = _believable_us(key[1], held[key][SENT], held[key][RECEIVED])
            dated[key[0]] = max(was_us, dated.get(key[0], was_us))
    for vehicle_id, was_us in sorted(dated.items()):
        _date_again(connection, vehicle_id, was_us)
    return refused


def _held(connection: Connection, keys: set[Key]) -> dict[Key, Row]:
    """The rows of these keys that are held, in full or thinned."""
    found: dict[Key, Row] = {}
    columns = ", ".join(COLUMNS)
    for table in ("message", "thinned"):
        if connection.dialect.name == "sqlite":
            one = f"SELECT {columns} FROM {table} WHERE vehicle_id = ? AND at_us = ? AND boot = ? AND seq = ?"
            rows: Sequence[Any] = [row for key in keys for row in connection.exec_driver_sql(one, key)]
        else:
            rows = connection.exec_driver_sql(
                f"SELECT {columns} FROM unnest(%s::integer[], %s::bigint[], %s::varchar[], %s::bigint[])"
                f" AS wanted(vehicle_id, at_us, boot, seq) JOIN {table} USING (vehicle_id, at_us, boot, seq)",
                arrays(zip(*keys, strict=True)),
            ).all()
        found |= {key_of(tuple(row)): tuple(row) for row in rows}
    return found


def _elsewhere(connection: Connection, rows: list[Row]) -> set[Name]:
    """Of taken names that are not held at the time their row says: those of messages with another time.

    The others were thinned away: a row of a time that is still held in full cannot be one of them.
    """
    if not rows:
        return set()
    archive = schema.archive
    kept = select(archive.c.vehicle_id, archive.c.since_us).where(archive.c.vehicle_id.in_({row[0] for row in rows}))
    since: dict[int, int] = dict(connection.execute(kept).all())
    found = {name_of(row) for row in rows if key_of(row)[1] >= since.get(row[0], LONG_AGO_US)}
    old: dict[seq_ranges.Life, list[int]] = {}
    for vehicle_id, boot, seq in {name_of(row) for row in rows} - found:
        old.setdefault((vehicle_id, boot), []).append(seq)
    for (vehicle_id, boot), seqs in old.items():
        for table in (schema.message, schema.thinned):
            chosen = table.c.vehicle_id == vehicle_id, table.c.boot == boot, table.c.seq.in_(seqs)
            found |= {
                (vehicle_id, boot, seq) for seq in connection.execute(select(table.c.seq).where(*chosen)).scalars()
            }
    return found


def _note_states(connection: Connection, states: Sequence[tuple[int, State, int]]) -> None:
    table = schema.vehicle
    for vehicle_id, state, received_us in states:
        newer = or_(table.c.online_received_us.is_(None), table.c.online_received_us <= received_us)
        connection.execute(
            update(table)
            .where(table.c.id == vehicle_id, newer)
            .values(online=state.online, online_received_us=received_us)
        )


def _note_news(connection: Connection, rows: Sequence[Row]) -> None:
    """Mark the vehicles that said something new, and when they were last heard."""
    heard: dict[int, int] = {}
    for row in rows:
        at_us = _believable_us(row[1], row[SENT], row[RECEIVED])
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


def _believable_us(at_us: int, sent_us: int | None, received_us: int | None) -> int:
    """When something happened at the latest: it was not received before it was sent, nor sent before it happened."""
    if received_us is None:
        return at_us
    if sent_us is not None and sent_us > received_us:
        at_us += received_us - sent_us
    return min(at_us, received_us)


def _date_again(connection: Connection, vehicle_id: int, was_us: int) -> None:
    """A vehicle's messages mean something else now that other receipts count; the latest of them was believed to be of `was_us`."""
    vehicle, heard_us = schema.vehicle, LONG_AGO_US
    mine = vehicle.c.id == vehicle_id
    if was_us < (connection.scalar(select(vehicle.c.heard_us).where(mine)) or heard_us):  # others were heard later
        connection.execute(update(vehicle).where(mine).values(revision=vehicle.c.revision + 1))
        return
    for table in (schema.message, schema.thinned):
        rows = select(table.c.at_us, table.c.sent_us, table.c.received_us).where(table.c.vehicle_id == vehicle_id)
        heard_us = max([heard_us, *(_believable_us(*row) for row in connection.execute(rows))])
    connection.execute(update(vehicle).where(mine).values(revision=vehicle.c.revision + 1, heard_us=heard_us))


_REVISE: Final = (
    "UPDATE vehicle SET revision = revision + 1, heard_us = CASE WHEN heard_us >= told.at_us THEN heard_us ELSE told.at_us END"
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
        names_ = [name for _, name in of_fleet]
        for first in range(0, len(names_), _LOOKED_UP):
            mine = table.c.fleet == fleet, table.c.vehicle.in_(names_[first : first + _LOOKED_UP])
            for id_, name in connection.execute(select(table.c.id, table.c.vehicle).where(*mine)):
                found[fleet, name] = id_
    return found


def _insert_new(connection: Connection, table: Any) -> Any:
    return upsert(connection, table).on_conflict_do_nothing()


def _nulls_last(pair: tuple[int | None, int | None]) -> tuple[bool, int, bool, int]:
    received_us, sent_us = pair
    return received_us is None, received_us or 0, sent_us is None, sent_us or 0


_INSERT_ROWS: Final = f"INSERT INTO message ({', '.join(COLUMNS)}) VALUES ({', '.join('?' * len(COLUMNS))})"


@cache
def _insert_arrays() -> str:
    from sqlalchemy.dialects import postgresql  # here, since all its drivers are loaded with it

    dialect = postgresql.dialect()  # type: ignore[no-untyped-call]
    types = ", ".join(f"%s::{column.type.compile(dialect)}[]" for column in schema.message.columns)
    return (
        f"INSERT INTO message ({', '.join(COLUMNS)}) SELECT * FROM unnest({types})"
        " ON CONFLICT DO NOTHING RETURNING vehicle_id, at_us, boot, seq"
    )
