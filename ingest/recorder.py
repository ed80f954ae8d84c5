"""Recording batches of messages: each in one transaction, idempotent, nothing dropped silently."""

import hashlib
import json
import time
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, Final

import msgspec
import numpy as np
from sqlalchemy import Connection, Engine, bindparam, case, delete, func, insert, or_, select, tuple_, update
from sqlalchemy.dialects import postgresql, sqlite

from ingest import schema
from ingest.messages import (
    MAX_PAYLOAD_BYTES,
    Arrival,
    Cycle,
    Decoded,
    Fault,
    Ignition,
    Level,
    Rejected,
    State,
    decode,
    microseconds,
)
from ingest.store import writing

# Quarantine keeps so many; the oldest go first, their count stays.
QUARANTINE_ROWS: Final = 10_000


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


Name = tuple[int, str, int]  # vehicle id, boot, seq


class Recorder:
    """Records batches of arrivals, each in one transaction; safe to repeat with the same arrivals."""

    def __init__(self, engine: Engine, name: str) -> None:
        self._engine = engine
        self._name = name
        self._vehicles: dict[tuple[str, str], int] = {}
        self._lists: set[int] = set()

    def record(self, arrivals: Sequence[Arrival]) -> Tally:
        """Commit a batch; when this returns, it is safe. Raises sqlalchemy.exc.DBAPIError, then nothing is recorded."""
        try:
            with writing(self._engine) as connection:
                return self._record(connection, arrivals)
        except BaseException:
            # What was looked up may have been rolled back with the rest.
            self._vehicles.clear()
            self._lists.clear()
            raise

    def _record(self, connection: Connection, arrivals: Sequence[Arrival]) -> Tally:
        tally = Tally()
        refused: list[tuple[Arrival, Rejected]] = []
        named: dict[Name, list[tuple[Arrival, dict[str, Any]]]] = {}
        decoded = [(arrival, decode(arrival)) for arrival in arrivals]
        self._know_vehicles(connection, {(d.fleet, d.vehicle) for _, d in decoded if isinstance(d, Decoded)})
        lists: dict[int, list[str]] = {}
        for arrival, result in decoded:
            if isinstance(result, Rejected):
                refused.append((arrival, result))
                continue
            vehicle_id = self._vehicles[result.fleet, result.vehicle]
            if isinstance(result.message, State):
                self._note_state(connection, vehicle_id, result.message, arrival.received_us)
                if not result.message.of_record:
                    tally.wills += 1
                    continue
            row = _row(result, vehicle_id, arrival.received_us, lists)
            named.setdefault((vehicle_id, row["boot"], row["seq"]), []).append((arrival, row))
        tally.rejected = len(refused)

        self._know_lists(connection, lists)
        fresh = self._insert(connection, [bearers[0][1] for bearers in named.values()])
        repeated: dict[Name, list[tuple[Arrival, dict[str, Any]]]] = {}
        for name, bearers in named.items():
            again = bearers[1:] if name in fresh else bearers
            if again:
                repeated[name] = again
                tally.duplicates += len(again)
        for name in fresh:
            tally.recorded[named[name][0][1]["kind"]] += 1
        refused += self._settle_repeated(connection, repeated)
        self._quarantine(connection, refused)
        self._count(connection, tally)
        self._note_news(connection, [named[name][0][1] for name in fresh])
        return tally

    def _know_vehicles(self, connection: Connection, names: set[tuple[str, str]]) -> None:
        missing = sorted(names - self._vehicles.keys())
        if not missing:
            return
        self._vehicles |= know_vehicles(connection, missing)

    def _know_lists(self, connection: Connection, lists: Mapping[int, list[str]]) -> None:
        missing = [{"id": key, "channels": names} for key, names in lists.items() if key not in self._lists]
        if missing:
            connection.execute(_insert_new(connection, schema.channel_list), missing)
            self._lists |= lists.keys()

    def _insert(self, connection: Connection, rows: list[dict[str, Any]]) -> set[Name]:
        """Insert what is new; the names of what was. Each database is spoken to in the way that it is quickest in."""
        if not rows:
            return set()
        if connection.dialect.name == "postgresql":
            columns = zip(*(row.values() for row in rows), strict=True)
            return {
                (vehicle_id, boot, seq)
                for vehicle_id, boot, seq in connection.exec_driver_sql(_INSERT_ARRAYS, tuple(map(list, columns)))
            }
        # The transaction holds SQLite's only lock for writing: nobody else can take these names meanwhile.
        held = _held(connection, [_name(row) for row in rows])
        new = [row for row in rows if _name(row) not in held]
        if new:
            connection.exec_driver_sql(_INSERT_ROWS, [tuple(row.values()) for row in new])
        return {_name(row) for row in new}

    def _settle_repeated(
        self,
        connection: Connection,
        repeated: Mapping[Name, list[tuple[Arrival, dict[str, Any]]]],
    ) -> list[tuple[Arrival, Rejected]]:
        """Keep the earliest receipt of each repeated message; hand back those that contradict the first."""
        table, refused, dated = schema.message, [], set[int]()
        names = list(repeated)
        for start in range(0, len(names), 500):
            chosen = tuple_(table.c.vehicle_id, table.c.boot, table.c.seq).in_(names[start : start + 500])
            held = connection.execute(
                select(
                    table.c.vehicle_id,
                    table.c.boot,
                    table.c.seq,
                    table.c.digest,
                    table.c.sent_us,
                    table.c.received_us,
                ).where(chosen)
            ).all()
            for vehicle_id, boot, seq, digest, sent_us, received_us in held:
                earliest = (received_us, sent_us)
                for arrival, row in repeated[vehicle_id, boot, seq]:
                    if row["digest"] != digest:
                        refused.append((arrival, Rejected("contradiction")))
                    else:
                        earliest = min(earliest, (row["received_us"], row["sent_us"]), key=_nulls_last)
                if earliest != (received_us, sent_us):
                    connection.execute(
                        update(table)
                        .where(table.c.vehicle_id == vehicle_id, table.c.boot == boot, table.c.seq == seq)
                        .values(received_us=earliest[0], sent_us=earliest[1])
                    )
                    dated.add(vehicle_id)
        for vehicle_id in sorted(dated):
            _date_again(connection, vehicle_id)
        return refused

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
                counted = _upsert(connection, schema.refusal)
                connection.execute(
                    counted.on_conflict_do_update(
                        index_elements=["recorder", "code"], set_={"count": schema.refusal.c.count + number}
                    ),
                    {"recorder": self._name, "code": code, "count": number},
                )

    def _note_state(self, connection: Connection, vehicle_id: int, state: State, received_us: int | None) -> None:
        if received_us is None:
            return
        table = schema.vehicle
        newer = or_(table.c.online_received_us.is_(None), table.c.online_received_us <= received_us)
        connection.execute(
            update(table)
            .where(table.c.id == vehicle_id, newer)
            .values(online=state.online, online_received_us=received_us)
        )

    def _count(self, connection: Connection, tally: Tally) -> None:
        table, now = schema.intake, time.time_ns() // 1000
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

    def _note_news(self, connection: Connection, rows: list[dict[str, Any]]) -> None:
        """Mark the vehicles that said something new, and when they were last heard."""
        heard: dict[int, int] = {}
        for row in rows:
            at_us = _believable_us(row["at_us"], row["sent_us"], row["received_us"])
            heard[row["vehicle_id"]] = max(at_us, heard.get(row["vehicle_id"], at_us))
        if heard:
            # In one order everywhere: two recorders never wait in a ring.
            told = [{"who": vehicle_id, "at": at_us} for vehicle_id, at_us in sorted(heard.items())]
            connection.execute(_NEWS, told)


def _believable_us(at_us: int, sent_us: int | None, received_us: int | None) -> int:
    """When something happened at the latest: it was not received before it was sent, nor sent before it happened."""
    if received_us is None:
        return at_us
    if sent_us is not None and sent_us > received_us:
        at_us += received_us - sent_us
    return min(at_us, received_us)


def _date_again(connection: Connection, vehicle_id: int) -> None:
    """A vehicle's messages mean something else now that other receipts count."""
    table, vehicle = schema.message, schema.vehicle
    rows = connection.execute(
        select(table.c.at_us, table.c.sent_us, table.c.received_us).where(table.c.vehicle_id == vehicle_id)
    )
    heard_us = max(_believable_us(at_us, sent_us, received_us) for at_us, sent_us, received_us in rows)
    connection.execute(
        update(vehicle).where(vehicle.c.id == vehicle_id).values(news=vehicle.c.news + 1, heard_us=heard_us)
    )


_NEWS: Final = (
    update(schema.vehicle)
    .where(schema.vehicle.c.id == bindparam("who"))
    .values(
        news=schema.vehicle.c.news + 1,
        heard_us=case((schema.vehicle.c.heard_us >= bindparam("at"), schema.vehicle.c.heard_us), else_=bindparam("at")),
    )
)


def know_vehicles(connection: Connection, names: Sequence[tuple[str, str]]) -> dict[tuple[str, str], int]:
    """The ids of vehicles by (fleet, vehicle); those not known yet are made."""
    table = schema.vehicle
    connection.execute(
        _insert_new(connection, table),
        [{"fleet": fleet, "vehicle": name, "news": 0} for fleet, name in names],
    )
    wanted, found = set(names), {}
    for id_, fleet, name in connection.execute(select(table.c.id, table.c.fleet, table.c.vehicle)):
        if (fleet, name) in wanted:
            found[fleet, name] = id_
    return found


def _upsert(connection: Connection, table: Any) -> Any:
    return (sqlite if connection.dialect.name == "sqlite" else postgresql).insert(table)


def _insert_new(connection: Connection, table: Any) -> Any:
    return _upsert(connection, table).on_conflict_do_nothing()


def _name(row: Mapping[str, Any]) -> Name:
    return row["vehicle_id"], row["boot"], row["seq"]


def _held(connection: Connection, names: Sequence[Name]) -> set[Name]:
    """Those of the names that are recorded already."""
    wanted: dict[tuple[int, str], list[int]] = {}
    for vehicle_id, boot, seq in names:
        wanted.setdefault((vehicle_id, boot), []).append(seq)
    found: set[Name] = set()
    for (vehicle_id, boot), seqs in wanted.items():
        listed = ",".join(map(str, seqs))
        rows = connection.exec_driver_sql(
            f"SELECT seq FROM message WHERE vehicle_id = ? AND boot = ? AND seq IN ({listed})", (vehicle_id, boot)
        )
        found.update((vehicle_id, boot, seq) for (seq,) in rows)
    return found


def _nulls_last(pair: tuple[int | None, int | None]) -> tuple[bool, int, bool, int]:
    received_us, sent_us = pair
    return received_us is None, received_us or 0, sent_us is None, sent_us or 0


def _row(decoded: Decoded, vehicle_id: int, received_us: int | None, lists: dict[int, list[str]]) -> dict[str, Any]:
    """A message as a row; names of channels go into `lists`, keyed by their hash."""
    m = decoded.message
    row: dict[str, Any] = dict.fromkeys(_COLUMNS)
    row |= {"kind": decoded.kind, "at_us": microseconds(m.at) if m.at else None, "engine_h": m.engine_h}
    match m:
        case Cycle():
            row |= {"cycle_no": m.cycle_no, "run_s": m.run_s, "manual": m.manual, "complete": m.complete}
            row |= {"temp_c": m.temp_c, "supply_v": m.supply_v}
            row["peak_list"], row["peak_kpa"] = _vector(m.peak_kpa, lists)
            if m.rest_kpa:
                row["rest_list"], row["rest_kpa"] = _vector(m.rest_kpa, lists)
            if m.trace:
                row["trace"] = msgspec.msgpack.encode(dict(sorted(m.trace.items())))
        case Level():
            row |= {"level_pct": m.level_pct, "temp_c": m.temp_c, "tilt_deg": m.tilt_deg}
        case Fault():
            row |= {"code": m.code, "active": m.active, "channel": m.channel, "value": m.value}
        case Ignition():
            row["ignition_on"] = m.on
        case State():
            row |= {"online": m.online, "firmware": m.firmware}
    said = hashlib.blake2b(msgspec.msgpack.encode([v for v in row.items() if v[1] is not None]), digest_size=8).digest()
    row |= {"digest": int.from_bytes(said, "little", signed=True), "vehicle_id": vehicle_id}
    row |= {"boot": m.boot or "0", "seq": m.seq, "received_us": received_us}
    row["sent_us"] = microseconds(m.sent_at) if m.sent_at else None
    return row


_COLUMNS: Final = [f"{column.name}" for column in schema.message.columns]
_INSERT_ROWS: Final = f"INSERT INTO message ({', '.join(_COLUMNS)}) VALUES ({', '.join('?' * len(_COLUMNS))})"
_POSTGRESQL: Final = postgresql.dialect()  # type: ignore[no-untyped-call]
_ARRAYS: Final = ", ".join(f"%s::{column.type.compile(_POSTGRESQL)}[]" for column in schema.message.columns)
_INSERT_ARRAYS: Final = (
    f"INSERT INTO message ({', '.join(_COLUMNS)}) SELECT * FROM unnest({_ARRAYS})"
    " ON CONFLICT DO NOTHING RETURNING vehicle_id, boot, seq"
)


@lru_cache(4096)
def _list_key(names: tuple[str, ...]) -> int:
    digest = hashlib.blake2b(json.dumps(names).encode(), digest_size=8).digest()
    return int.from_bytes(digest, "little", signed=True)


def _vector(readings: Mapping[str, float | None], lists: dict[int, list[str]]) -> tuple[int, bytes]:
    # A channel without a reading is the same whether it says null or is absent.
    names = sorted(name for name, reading in readings.items() if reading is not None)
    key = _list_key(tuple(names))
    lists[key] = names
    return key, np.array([readings[name] for name in names], "<f4").tobytes()
