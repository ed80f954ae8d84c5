"""Work to and from the workshop's program, by CSV files in a folder: requests out, completions in, both by the alarm's number.

`requests/alarm-NUMBER.csv` is one request; the alarm is assigned to the workshop once the file is there, so that a pass that is broken
off writes the same file again. Whatever takes requests goes by the number. `withdrawn/alarm-NUMBER.csv` says that an alarm ended before
anybody recorded work for its request; the alarm is then given to nobody, and requested anew should it go on. `completions/*.csv` has a row
an alarm: an order number alone says that it is taken on, `done_at` that work was done, which becomes one work record for each request. An
alarm that is raised again after that is requested again.
"""

import os
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import msgspec
from sqlalchemy import Connection, Engine, func, select

from analytics.alarms import records
from analytics.findings import CAUTION
from analytics.kinds import ALARM_KINDS, REFILL_DUE, Severity, severity_rank
from dashboard.exports.csv import alarm_table, csv_text
from dashboard.queries import alarms
from dashboard.queries.alarms import WORKSHOP_KEY, AlarmRow
from ingest import registry, schema, work_records
from ingest.database import reachable, writing
from ingest.errors import Problem, Unusable
from ingest.spreadsheets import Table, read_table, with_point
from ingest.times import now_us, read_local, read_time, rfc3339
from ingest.work import Work, work_of

COLUMNS: Final = (
    "alarm", "order", "done_at", "by", "kind", "lines", "litres", "to_pct", "grease", "found", "cause", "note",
)  # fmt: skip
_STANDING: Final = ("unacknowledged", "acknowledged")
_OF_LINES: Final = ("line_mended", "greased_by_hand")
_MOST: Final = 100_000
_ENDED: Final = "the alarm ended by itself"
_SETTLED_S: Final = 5.0  # a file that was changed since may not be whole yet


@dataclass
class Pass:
    """What one look into the folder did; `refused` are lines for people."""

    requested: int = 0
    withdrawn: int = 0
    ordered: int = 0
    done: int = 0
    before: int = 0  # rows that had been taken before
    refused: list[str] = field(default_factory=list)


def exchange(engine: Engine, folder: Path, name: str, depot: str = "", least: Severity = "plan") -> Pass:
    """Write requests for alarms that stand, are given to nobody, or were raised again after work, and are at least so severe, and withdraw
    those for alarms that ended; take what came back before. Refill dates are a matter of rounds and are not requested. Raises Problem."""
    told = Pass()
    if not folder.is_dir():  # a name that is mistyped would ask nobody for anything, and assign the alarms all the same
        raise Problem(f"{folder} is not a folder; make it first, where the workshop's program looks")
    try:
        for part in ("requests", "withdrawn", "completions/taken", "completions/refused"):
            (folder / part).mkdir(parents=True, exist_ok=True)
        for path in sorted((folder / "completions").glob("*.csv")):
            try:
                table = _read(path)
            except Problem as problem:  # the others are taken all the same
                told.refused.append(f"{problem}; take it out of {path.parent}, or put it right")
                continue
            if table is not None:
                _take(engine, path, table, name, depot, told)
        for row in alarms.over_and_given(engine, name, depot):
            _withdraw(engine, folder, row, name)
            told.withdrawn += 1
        again = {row.alarm.id for row in alarms.raised_since_done(engine, name, depot)}
        for row in alarms.alarms(engine, depot, most=_MOST):
            wanted = row.alarm.kind != REFILL_DUE and severity_rank(row.alarm.severity) <= severity_rank(least)
            if wanted and row.alarm.state in _STANDING and (not row.assigned_to or row.alarm.id in again):
                _request(engine, folder, row, name)
                told.requested += 1
    except OSError as error:
        raise Problem(f"{error.filename or folder} cannot be used: {error.strerror}") from None
    return told


def _request(engine: Engine, folder: Path, row: AlarmRow, name: str) -> None:
    (told,) = alarm_table([row])
    texts = {column: "" if value is None else str(value) for column, value in told.items()}
    texts |= {"title": ALARM_KINDS[row.alarm.kind].title, "caution": CAUTION}
    _write(folder / "requests" / f"alarm-{row.alarm.id}.csv", texts)
    (folder / "withdrawn" / f"alarm-{row.alarm.id}.csv").unlink(missing_ok=True)
    with reachable(engine), writing(engine) as connection:
        records.assign(connection, [row.alarm.id or 0], name, name, now_us())


def _withdraw(engine: Engine, folder: Path, row: AlarmRow, name: str) -> None:
    """Say that a request needs nobody any more. Whoever took the file already goes by the number."""
    order = (row.assigned_to or "").partition(", order ")[2]
    ended_us = row.alarm.ended_us or row.alarm.changed_us
    texts = {"alarm": str(row.alarm.id), "order": order, "ended": rfc3339(ended_us), "why": _ENDED}
    texts |= {"fleet": row.fleet, "vehicle": row.vehicle, "unit": row.unit, "depot": row.depot}
    _write(folder / "withdrawn" / f"alarm-{row.alarm.id}.csv", texts)
    (folder / "requests" / f"alarm-{row.alarm.id}.csv").unlink(missing_ok=True)
    why = f"{name}{f', order {order}' if order else ''}: {_ENDED}"
    with reachable(engine), writing(engine) as connection:
        records.withdraw(connection, row.alarm.id or 0, name, why, now_us())


def _write(path: Path, texts: dict[str, str]) -> None:
    """One row, there as a whole or not at all."""
    part = path.with_suffix(".part")
    with part.open("w", encoding="utf-8", newline="") as file:
        file.write(csv_text([texts], "alarm"))
        file.flush()
        os.fsync(file.fileno())
    part.replace(path)


def _read(path: Path) -> Table | None:
    """What a file holds; None where it may not be whole yet. Raises Problem."""
    try:
        changed_s = path.stat().st_mtime
    except OSError as error:
        raise Problem(f"{path.name} cannot be read: {error.strerror}") from None
    return read_table(path, COLUMNS) if time.time() - changed_s >= _SETTLED_S else None


def _take(engine: Engine, path: Path, table: Table, name: str, depot: str, told: Pass) -> None:
    """Take one file; it is moved away once all of it is recorded or refused."""
    refused: list[tuple[Mapping[str, str], int, str]] = [({}, number, why) for number, why in table.wrong]
    unknown = [column for column in table.columns if column not in COLUMNS]
    if "alarm" not in table.columns or unknown:
        why = f"columns are {', '.join(COLUMNS)}" + (f"; {unknown[0]!r} is none" if unknown else "; alarm is missing")
        refused.append(({}, 1, why))
    else:
        with reachable(engine), writing(engine) as connection:
            for number, cells in table.rows:
                try:
                    _row(connection, cells, name, depot, told)
                except Unusable:
                    raise
                except Problem as problem:
                    refused.append((cells, number, str(problem)))
    place = "refused" if refused else "taken"
    if refused:
        told.refused += [f"{path.name}:{number}: {why}" for _, number, why in refused]
        rows = [{column: cells.get(column, "") for column in COLUMNS} | {"why": why} for cells, _, why in refused]
        reasons = path.parent / "refused" / f"{path.stem}.why.csv"
        reasons.write_text(csv_text(rows, "alarm"), "utf-8")
    to = path.parent / place / path.name
    path.replace(to if not to.exists() else to.with_name(f"{path.stem}-{now_us()}.csv"))


def _row(connection: Connection, cells: Mapping[str, str], name: str, depot: str, told: Pass) -> None:
    """Record one row, of an alarm of this depot where one is named. Raises Problem."""
    text = cells["alarm"]
    number = int(text) if text.isascii() and text.isdigit() and len(text) < 10 else 0
    alarm = connection.execute(select(schema.alarm).where(schema.alarm.c.id == number)).one_or_none()
    if alarm is None or not alarms.seen(connection, number):
        raise Problem(f"there is no alarm {text!r}")
    (vehicle,) = registry.read_vehicles(connection, alarm.vehicle_id)
    # What was requested before the vehicle moved is answered by whom it was requested from.
    if depot and depot not in {vehicle.in_force(at_us).depot for at_us in (alarm.raised_us, now_us())}:
        raise Problem(f"alarm {number} is none of depot {depot!r}; hand it in where that of its vehicle is exchanged")
    said = {column: cells.get(column, "") for column in COLUMNS}
    if not said["done_at"]:
        if not said["order"]:
            raise Problem("say the order, or when it was done (done_at)")
        to = f"{name}, order {said['order']}"[:128]
        if alarm.assigned_to == to:
            told.before += 1
        else:
            records.assign(connection, [number], to, name, now_us())
            told.ordered += 1
        return
    values = _values(said, alarm, name, vehicle.in_force(now_us()).timezone)
    for key in _keys(connection, number, name):  # of what was answered before, this row may be sent again
        kept = connection.scalar(select(schema.work.c.detail).where(schema.work.c.key == key))
        if kept is not None and msgspec.convert(kept, Work) == work_of(values | {"key": key}):
            told.before += 1
            return
    work = work_of(values | {"key": key})
    work_records.record(connection, vehicle.id, vehicle.setups, work, now_us())
    told.done += 1


def _keys(connection: Connection, number: int, name: str) -> list[str]:
    """What the records for an alarm are called, one for each time that it was requested, oldest first."""
    step = schema.transition
    asked = step.c.alarm_id == number, step.c.event == "assign", step.c.who == name, step.c.why == f"to {name}"
    times_asked = connection.scalar(select(func.count()).where(*asked)) or 0
    return [f"{WORKSHOP_KEY}{number}", *(f"{WORKSHOP_KEY}{number}-{n}" for n in range(2, times_asked + 1))]


def _values(said: Mapping[str, str], alarm: Any, name: str, timezone: str) -> dict[str, Any]:
    """What a row says of the work, as `work.work_of` takes it; lines and sensors are those of the alarm where it names none."""
    kind = said["kind"] or "looked_at"
    lines = [part.strip() for part in said["lines"].replace(";", ",").split(",") if part.strip()]
    numbers = {column: with_point(said[column]) for column in ("litres", "to_pct") if said[column]}
    about = {"kind": alarm.kind, "channel": alarm.channel, "began_us": alarm.began_us}
    note = "; ".join(part for part in (f"order {said['order']}" if said["order"] else "", said["note"]) if part)
    return {
        "kind": kind,
        "at_us": _moment(said["done_at"], timezone),
        "by": said["by"] or name,
        "lines": lines or (alarm.lines if kind in _OF_LINES else []),
        "channel": alarm.channel if kind == "sensor_replaced" else None,
        "grease": said["grease"] or None,
        "found": said["found"] or None,
        "cause": said["cause"] or None,
        "about": about if said["found"] else None,
        "note": note,
        **numbers,
    }


def _moment(text: str, timezone: str) -> int:
    """RFC 3339, or the depot's own clock where there is no offset. Raises Problem."""
    try:
        return read_time(text)
    except ValueError:
        pass
    try:
        return read_local(text, timezone)
    except ValueError:
        raise Problem(f"done_at {text!r} is no date and time; write 2026-03-01 06:00 or 2026-03-01T06:00:00Z") from None
