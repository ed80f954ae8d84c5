"""Messages that come again: the earliest receipt counts, and one that says something else than the first is refused."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, select, update

from ingest import schema, seq_ranges
from ingest.database import arrays
from ingest.messages import METER_BOOT
from ingest.rows import COLUMNS, RECEIVED, SENT, Key, Name, Row, believable_us, key_of, name_of, says_the_same
from ingest.times import LONG_AGO_US


def settle(connection: Connection, repeated: Sequence[tuple[int, Row]]) -> list[int]:
    """Keep the earliest receipt of each repeated message; the numbers beside the rows that contradict the first."""
    if not repeated:
        return []
    contradictions, dated = list[int](), dict[int, int]()
    held = _held(connection, {key_of(row) for _, row in repeated})
    elsewhere = _elsewhere(connection, [row for _, row in repeated if key_of(row) not in held])
    earliest: dict[Key, tuple[int | None, int | None]] = {}
    for number, row in repeated:
        key = key_of(row)
        if key in held and says_the_same(row, held[key]):
            known = earliest.get(key, (held[key][RECEIVED], held[key][SENT]))
            earliest[key] = min(known, (row[RECEIVED], row[SENT]), key=_nulls_last)
        elif key in held or name_of(row) in elsewhere:
            contradictions.append(number)
    for key, (received_us, sent_us) in sorted(earliest.items()):
        if (received_us, sent_us) != (held[key][RECEIVED], held[key][SENT]):
            for table in (schema.message, schema.thinned):
                mine = [column == value for column, value in zip(table.primary_key.columns, key, strict=True)]
                connection.execute(update(table).where(*mine).values(received_us=received_us, sent_us=sent_us))
            was_us = believable_us(key[1], held[key][SENT], held[key][RECEIVED])
            dated[key[0]] = max(was_us, dated.get(key[0], was_us))
    for vehicle_id, was_us in sorted(dated.items()):
        _date_again(connection, vehicle_id, was_us)
    return contradictions


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


def _date_again(connection: Connection, vehicle_id: int, was_us: int) -> None:
    """A vehicle's messages mean something else now that other receipts count; the latest of them was believed to be of `was_us`."""
    vehicle, heard_us = schema.vehicle, LONG_AGO_US
    mine = vehicle.c.id == vehicle_id
    if was_us < (connection.scalar(select(vehicle.c.heard_us).where(mine)) or heard_us):  # others were heard later
        connection.execute(update(vehicle).where(mine).values(revision=vehicle.c.revision + 1))
        return
    for table in (schema.message, schema.thinned):
        said = table.c.vehicle_id == vehicle_id, ~table.c.boot.startswith(METER_BOOT)
        rows = select(table.c.at_us, table.c.sent_us, table.c.received_us).where(*said)
        heard_us = max([heard_us, *(believable_us(*row) for row in connection.execute(rows))])
    connection.execute(update(vehicle).where(mine).values(revision=vehicle.c.revision + 1, heard_us=heard_us))


def _nulls_last(pair: tuple[int | None, int | None]) -> tuple[bool, int, bool, int]:
    received_us, sent_us = pair
    return received_us is None, received_us or 0, sent_us is None, sent_us or 0
