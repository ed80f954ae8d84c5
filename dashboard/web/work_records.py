"""The address that takes work records in.

The page sends records by itself (`assets/work.js`), not by a callback: one that is made where there is no signal is kept on
the phone and sent later, under the key it got there, so that it counts once.
"""

from collections.abc import Sequence
from datetime import datetime
from typing import Any, Final
from uuid import uuid4
from zoneinfo import ZoneInfo

from flask import Flask, request
from sqlalchemy import Engine, select

from analytics.kinds import ALARM_KINDS
from dashboard import accounts
from dashboard.queries import alarms
from ingest import registry, schema, times, work_records
from ingest import work as works
from ingest.database import reachable, writing
from ingest.errors import Problem, Unusable
from ingest.setups import in_force
from ingest.times import microseconds

LARGEST_BYTES: Final = 16_384


# What a form asks for, by kind of work.
ASKS: Final[dict[str, tuple[str, ...]]] = {
    "filled": ("litres", "to_pct"),
    "line_mended": ("lines",),
    "greased_by_hand": ("lines",),
    "timer_set": ("interval_min", "run_s"),
    "sensor_replaced": ("channel",),
    "moved": ("depot",),
}


# What may be recorded for several alarms at once: kinds that need nothing said but what each alarm says itself.
FOR_SEVERAL: Final = (
    "filled", "line_mended", "bled", "sensor_replaced", "greased_by_hand", "controller_swapped", "in_workshop", "laid_up", "back",
)  # fmt: skip


def record_for(database: Engine, numbers: Sequence[int], kind: str, by: str, note: str) -> int:
    """Record work that answers alarms, all or nothing, and the same for a vehicle once, however many of its alarms it answers; how
    many records.

    Lines and sensors are those of the alarm; a reservoir was filled up to the full mark. Raises Problem.
    """
    accounts.need("technician")
    if kind not in FOR_SEVERAL:
        raise Problem("choose what was done")
    now_us, table, said = times.now_us(), schema.alarm, dict[tuple[Any, ...], dict[str, Any]]()
    with reachable(database), writing(database) as connection:
        alarms.need_seen(connection, numbers)
        for alarm in connection.execute(select(table).where(table.c.id.in_(numbers)).order_by(table.c.id)).all():
            what: dict[str, Any] = {"lines": alarm.lines} if "lines" in ASKS.get(kind, ()) else {}
            if kind in ("line_mended", "greased_by_hand") and not alarm.lines:
                raise Problem(f"{ALARM_KINDS[alarm.kind].title.lower()} is about no line: choose alarms of lines only")
            if kind == "sensor_replaced":
                if alarm.kind not in ("level_sensor", "pressure_sensor"):
                    raise Problem(
                        f"{ALARM_KINDS[alarm.kind].title.lower()} is about no sensor: choose alarms of sensors only"
                    )
                what = {"channel": alarm.channel}
            if kind == "filled":
                what = {"to_pct": 100}
            said.setdefault((alarm.vehicle_id, str(what)), what)
        for (id_, _), what in sorted(said.items()):  # in the order in which recorders take vehicles
            ((_, setups),) = registry.read_setups(connection, id_).values()
            one = {
                "key": uuid4().hex,
                "kind": kind,
                "at_us": now_us,
                "by": accounts.name_of_actor(by),
                "note": note,
                **what,
            }
            work_records.record(connection, id_, setups, works.work_of(one), now_us)
    return len(said)


def take_records(server: Flask, database: Engine) -> None:
    """Give an application the address that takes records in."""

    @server.post("/work/<fleet>/<vehicle>")
    def take(fleet: str, vehicle: str) -> tuple[dict[str, str], int]:
        return _take(database, fleet, vehicle)


def _take(database: Engine, fleet: str, vehicle: str) -> tuple[dict[str, str], int]:
    if not request.is_json:
        return {"problem": "a record is JSON"}, 403
    if (request.content_length or 0) > LARGEST_BYTES:
        return {"problem": "a record is at most 16 KiB"}, 413
    said = request.get_json(silent=True)
    if not isinstance(said, dict):
        return {"problem": "a record is one JSON object"}, 400
    try:
        accounts.need("technician")
        by, name = str(said.get("by") or ""), accounts.current_person.get().name
        with reachable(database), writing(database) as connection:
            if by and name and by != name:  # kept on a device that several share
                if by in {one.name for one in accounts.people(connection)}:
                    return {"problem": f"{by} recorded this, and {name} is signed in"}, 409
                said["note"] = f"{said.get('note') or ''} (by {by})".strip()
            said["by"] = accounts.name_of_actor(by)
            id_, setups = registry.find(connection, f"{fleet}/{vehicle}")
            setup = in_force(setups, times.now_us())
            if not accounts.sees(setup):
                raise Problem(registry.unknown(f"{fleet}/{vehicle}"))
            local = said.pop("at_local", None)
            if local:
                said["at_us"] = _moment(str(local), setup.timezone)
            work_records.record(connection, id_, setups, works.work_of(said), times.now_us())
    except Problem as problem:
        return {"problem": str(problem)}, 503 if isinstance(problem, Unusable) else 400
    return {}, 200


def _moment(text: str, timezone: str) -> int:
    try:
        return microseconds(datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(timezone)))
    except ValueError:
        raise Problem(f"{text!r} is no date and time") from None
