"""Work records in the database: adding one, and reading them."""

from collections.abc import Collection
from functools import cache
from typing import Any

import msgspec
from sqlalchemy import ColumnElement, Connection, Select, bindparam, delete, insert, select, update

from ingest import schema
from ingest.depot_zone import zone_of
from ingest.errors import Problem
from ingest.setups import Setup, in_force
from ingest.times import EARLIEST_US, instant
from ingest.work import LATEST_AHEAD_US, Work, check_fill, check_meters, check_timer


def record(
    connection: Connection,
    vehicle_id: int,
    setups: tuple[Setup, ...],
    work: Work,
    now_us: int,
    *,
    above_full: bool = False,
) -> bool:
    """Keep a record of a vehicle that had these set-ups; False where it was kept before; `above_full` says that a fill above the full
    mark is meant. Raises Problem."""
    table, vehicle_name = schema.work, setups[-1].vehicle
    kept = connection.execute(select(table.c.vehicle_id, table.c.detail).where(table.c.key == work.key)).one_or_none()
    if kept is not None:
        before = msgspec.convert(kept.detail, Work)
        if kept.vehicle_id != vehicle_id or before != msgspec.structs.replace(work, timezone=before.timezone):
            raise Problem(f"record {work.key} exists and says something else; correct it with a record of its own")
        return False
    known = {line.line for setup in setups for line in setup.lines}
    unknown = sorted(set(work.lines) - known)
    if unknown:
        raise Problem(f"line {unknown[0]} is not on the line list of {vehicle_name}")
    by_hand = {point.number for setup in setups for point in setup.hand_points}
    missing = sorted(set(work.points) - by_hand)
    if missing:
        raise Problem(f"point {missing[0]} is none of the points of {vehicle_name} that are greased by hand")
    if work.channel is not None and not any(work.channel in setup.channels for setup in setups):
        raise Problem(f"channel {work.channel!r} is not on the line list of {vehicle_name}")
    if not EARLIEST_US <= work.at_us <= now_us + LATEST_AHEAD_US:
        raise Problem(f"{instant(work.at_us):%Y-%m-%d %H:%M} UTC is no time at which work can have been done")
    setup = in_force(setups, work.at_us)
    if work.kind == "filled" and not setup.controller and not work.withdrawn:
        raise Problem(f"{vehicle_name} has no reservoir: its points are greased by hand")
    check_fill(work, setup.reservoir_l, above_full=above_full)
    check_timer(work, setup.interval_min, setup.run_s)
    if work.engine_h is not None or work.odometer_km is not None:
        check_meters(work, read_work(connection, vehicle_id).get(vehicle_id, ()))
    if work.corrects is not None:
        owner = connection.scalar(select(table.c.vehicle_id).where(table.c.key == work.corrects))
        if owner != vehicle_id:
            raise Problem(f"record {work.corrects}, which is to be corrected, is none of {vehicle_name}")
        heir = None if work.withdrawn else _heir(read_records(connection, vehicle_id)[vehicle_id], work.corrects)
        if heir is not None:
            raise Problem(f"record {work.corrects} was corrected already; correct record {heir}, which stands for it")
    moves = work.kind == "moved" and work.depot and not work.withdrawn
    work = msgspec.structs.replace(work, timezone=zone_of(connection, work.depot or "", vehicle_id) if moves else None)
    values = {
        "key": work.key,
        "vehicle_id": vehicle_id,
        "at_us": work.at_us,
        "recorded_us": now_us,
        "corrects": work.corrects,
    }
    connection.execute(insert(table).values(**values, detail=msgspec.to_builtins(work)))
    vehicle = schema.vehicle
    connection.execute(update(vehicle).where(vehicle.c.id == vehicle_id).values(revision=vehicle.c.revision + 1))
    if work.found is not None or work.corrects is not None:
        _keep_verdicts(connection, vehicle_id)
    return True


def _heir(records: tuple[tuple[Work, int, bool], ...], key: str) -> str | None:
    """The record that stands in the place of another, through all corrections between them; None where none does."""
    asked = [key]
    while asked:
        key = asked.pop()
        for work, _, stands in records:
            if work.corrects == key and not work.withdrawn:
                if stands:
                    return work.key
                asked.append(work.key)
    return None


def _keep_verdicts(connection: Connection, vehicle_id: int) -> None:
    """Keep what was found there, by the records of a vehicle that stand; of several about one finding the latest."""
    table = schema.verdict
    said = {
        (one.about.kind, one.about.channel, one.about.began_us): one
        for one in read_work(connection, vehicle_id).get(vehicle_id, ())
        if one.found is not None and one.about is not None
    }
    connection.execute(delete(table).where(table.c.vehicle_id == vehicle_id))
    rows = [
        {"work_key": one.key, "vehicle_id": vehicle_id, "at_us": one.at_us, "kind": kind, "channel": channel, "began_us": began_us,
         "found": one.found, "cause": one.cause}
        for (kind, channel, began_us), one in said.items()
    ]  # fmt: skip
    if rows:
        connection.execute(insert(table), rows)


def among(column: ColumnElement[int], *, every: bool = False) -> list[ColumnElement[bool]]:
    """A condition of statements that are made once: of the vehicles of `these`, or none where it is about all."""
    return [] if every else [column.in_(bindparam("these", expanding=True))]


def these(chosen: int | Collection[int] | None) -> dict[str, list[int]]:
    """What a statement with such a condition is asked with: one vehicle, several, or (None) all."""
    if chosen is None:
        return {}
    return {"these": [chosen] if isinstance(chosen, int) else list(chosen)}


def read_records(
    connection: Connection, vehicle_id: int | Collection[int] | None = None
) -> dict[int, tuple[tuple[Work, int, bool], ...]]:
    """vehicle id -> (record, when it was made, whether it still stands), by the time of the work; corrected ones included."""
    rows = connection.execute(_records(every=vehicle_id is None), these(vehicle_id)).all()
    gone = set[str]()
    for row in sorted(rows, key=lambda row: (row.recorded_us, row.key), reverse=True):
        # A withdrawal that was itself withdrawn takes nothing back; what a correction stood for stays corrected.
        if row.corrects is not None and not (row.key in gone and row.detail.get("withdrawn")):
            gone.add(row.corrects)
    found: dict[int, list[tuple[Work, int, bool]]] = {}
    for row in rows:
        work = msgspec.convert(row.detail, Work)
        stands = row.key not in gone and not work.withdrawn
        found.setdefault(row.vehicle_id, []).append((work, row.recorded_us, stands))
    return {id_: tuple(records) for id_, records in found.items()}


@cache
def _records(*, every: bool) -> Select[Any]:
    """The query of `read_records`, made once: it is asked with each piece of news."""
    table = schema.work
    return select(table).where(*among(table.c.vehicle_id, every=every)).order_by(table.c.at_us, table.c.key)


def read_work(connection: Connection, vehicle_id: int | Collection[int] | None = None) -> dict[int, tuple[Work, ...]]:
    """vehicle id -> the work that stands, by its time; of one vehicle, or of all."""
    records = read_records(connection, vehicle_id)
    return {id_: tuple(work for work, _, stands in found if stands) for id_, found in records.items()}
