"""The address that takes work records in.

The page sends records by itself (`assets/work.js`), not by a callback: one that is made where there is no signal is kept on
the phone and sent later, under the key it got there, so that it counts once.
"""

from typing import Final

from flask import Flask, request
from sqlalchemy import Engine

from dashboard import accounts
from ingest import registry, times, work_records
from ingest import work as works
from ingest.database import reachable, writing
from ingest.errors import Problem, Unusable

LARGEST_BYTES: Final = 16_384


# What a form asks for, by kind of work.
ASKS: Final[dict[str, tuple[str, ...]]] = {
    "filled": ("litres", "to_pct", "grease"),
    "line_mended": ("lines",),
    "greased_by_hand": ("lines",),
    "timer_set": ("interval_min", "run_s"),
    "sensor_replaced": ("channel",),
    "moved": ("depot",),
    "points_greased": ("points",),
    "meter_read": ("engine_h", "odometer_km", "new_meter"),
}


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
            if by and name and by != name:
                if accounts.is_of_another(connection, by):
                    return {"problem": f"{by} recorded this, and {name} is signed in"}, 409
                said["note"] = f"{said.get('note') or ''} (by {by})".strip()
            said["by"] = accounts.name_of_actor(by)
            found = registry.find(connection, f"{fleet}/{vehicle}")
            setup = found.in_force(times.now_us())
            if not accounts.sees(setup):
                raise Problem(registry.unknown(f"{fleet}/{vehicle}"))
            local = said.pop("at_local", None)
            if local:
                said["at_us"] = _moment(str(local), setup.timezone)
            elif isinstance(said.get("at_us"), int):  # by the clock of the device, which in a demo is this machine's
                said["at_us"] = times.shown_us(said["at_us"])
            work_records.record(
                connection,
                found.id,
                found.setups,
                works.work_of(said),
                times.now_us(),
                above_full=said.get("above_full") is True,
            )
    except Problem as problem:
        return {"problem": str(problem)}, 503 if isinstance(problem, Unusable) else 400
    return {}, 200


def _moment(text: str, timezone: str) -> int:
    try:
        return times.read_local(text, timezone)
    except ValueError:
        raise Problem(f"{text!r} is no date and time") from None
