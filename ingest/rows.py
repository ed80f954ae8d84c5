"""A message as a row of the table `message`: a tuple in the order of its columns."""

import hashlib
import json
import struct
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from operator import itemgetter
from typing import Any, Final

import msgspec

from ingest import schema
from ingest.messages import Cycle, Decoded, Fault, Ignition, Level, State
from ingest.times import microseconds

Row = tuple[Any, ...]
Key = tuple[int, int, str, int]  # vehicle id, at_us, boot, seq: the primary key, and the first of the columns
Name = tuple[int, str, int]  # vehicle id, boot, seq
COLUMNS: Final = tuple(f"{column.name}" for column in schema.message.columns)
RECEIVED: Final = COLUMNS.index("received_us")
SENT: Final = COLUMNS.index("sent_us")
KIND: Final = COLUMNS.index("kind")
LISTS: Final = COLUMNS.index("peak_list"), COLUMNS.index("rest_list")
NO_NUMBER: Final = 1 << 63  # from here on no list is kept by it
_TRACE: Final = COLUMNS.index("trace")
# How many columns are a kind's own.
_CYCLE, _LEVEL, _FAULT, _IGNITION, _STATE = ((None,) * width for width in (10, 2, 4, 1, 2))
# The columns that a message of a kind may fill: the others say nothing.
_COMMON: Final = range(COLUMNS.index("temp_c"))
FILLED: Final[Mapping[str, tuple[int, ...]]] = {
    "cycle": (*_COMMON, *range(COLUMNS.index("temp_c"), COLUMNS.index("level_pct"))),
    "level": (*_COMMON, COLUMNS.index("temp_c"), *range(COLUMNS.index("level_pct"), COLUMNS.index("code"))),
    "fault": (*_COMMON, *range(COLUMNS.index("code"), COLUMNS.index("ignition_on"))),
    "ignition": (*_COMMON, COLUMNS.index("ignition_on")),
    "state": (*_COMMON, *range(COLUMNS.index("online"), len(COLUMNS))),
}


def row_of(decoded: Decoded, vehicle_id: int, received_us: int | None, lists: dict[int, list[str]]) -> Row:
    """A message of record as a row; names of channels go into `lists` by their numbers, which the database may have for others."""
    m = decoded.message
    assert m.at is not None, "a will has no row"
    head = (
        vehicle_id, microseconds(m.at), m.boot or "0", m.seq,
        received_us, None if m.sent_at is None else microseconds(m.sent_at), decoded.kind, m.engine_h,
    )  # fmt: skip
    match m:
        case Cycle():
            trace = msgspec.msgpack.encode(dict(sorted(m.trace.items()))) if m.trace else None
            own = m.cycle_no, m.run_s, m.manual, m.complete, m.supply_v
            pressures = *_vector(m.peak_kpa, lists), *(_vector(m.rest_kpa, lists) if m.rest_kpa else (None, None))
            return (*head, m.temp_c, *own, *pressures, trace, *_LEVEL, *_FAULT, *_IGNITION, *_STATE)
        case Level():
            return (*head, m.temp_c, *_CYCLE, m.level_pct, m.tilt_deg, *_FAULT, *_IGNITION, *_STATE)
        case Ignition():
            return (*head, None, *_CYCLE, *_LEVEL, *_FAULT, m.on, *_STATE)
        case Fault():
            return (*head, None, *_CYCLE, *_LEVEL, m.code, m.active, m.channel, m.value, *_IGNITION, *_STATE)
        case State():
            return (*head, None, *_CYCLE, *_LEVEL, *_FAULT, *_IGNITION, m.online, m.firmware)


def renumbered(rows: list[Row], moved: Mapping[int, int]) -> list[Row]:
    """Rows whose lists of channels have the numbers by which they are kept."""
    if not moved:
        return rows

    def one(row: Row) -> Row:
        held = list(row)
        for column in LISTS:
            held[column] = moved.get(row[column], row[column])
        return tuple(held)

    return [one(row) for row in rows]


def key_of(row: Row) -> Key:
    """The primary key of a row."""
    return row[:4]


def name_of(row: Row) -> Name:
    """The name of the message in a row."""
    return row[0], row[2], row[3]


def says_the_same(row: Row, held: Row) -> bool:
    """Whether two rows of one key tell the same, receipts aside. A trace that was let go of is no difference."""
    if held[_TRACE] is None:
        row = (*row[:_TRACE], None, *row[_TRACE + 1 :])
    return row[KIND:] == held[KIND:]


def believable_us(at_us: int, sent_us: int | None, received_us: int | None) -> int:
    """When something happened at the latest: it was not received before it was sent, nor sent before it happened."""
    if received_us is None:
        return at_us
    if sent_us is not None and sent_us > received_us:
        at_us += received_us - sent_us
    return min(at_us, received_us)


@dataclass(frozen=True)
class _Shape:
    """How the readings of channels that come in one order become a vector in the order of their names."""

    key: int
    names: list[str]
    pick: Callable[[Mapping[str, float]], tuple[float, ...]]
    pack: Callable[..., bytes]


def list_number(names: list[str]) -> int:
    """The number by which a list of channels is kept where no other has it: 64 bits, so that whoever tries can make two alike."""
    digest = hashlib.blake2b(json.dumps(names).encode(), digest_size=8).digest()
    return int.from_bytes(digest, "little", signed=True)


@lru_cache(4096)
def _shape(names: tuple[str, ...]) -> _Shape:
    ordered = sorted(names)
    pick: Any = itemgetter(*ordered) if len(ordered) > 1 else lambda readings: tuple(readings.values())
    return _Shape(list_number(ordered), ordered, pick, struct.Struct(f"<{len(names)}f").pack)


def _vector(readings: Mapping[str, float | None], lists: dict[int, list[str]]) -> tuple[int, bytes]:
    # A channel without a reading is the same whether it says null or is absent.
    known: Any = readings
    if None in readings.values():
        known = {name: reading for name, reading in readings.items() if reading is not None}
    shape = _shape(tuple(known))
    key = shape.key
    while lists.setdefault(key, shape.names) != shape.names:  # of this batch another has its number
        key = max(key + 1, NO_NUMBER)
    return key, shape.pack(*shape.pick(known))
