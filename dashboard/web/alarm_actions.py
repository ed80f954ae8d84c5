"""What people do about alarms from a page: acknowledge, shelve, record the work that answers them."""

from collections.abc import Sequence
from typing import Any, Final
from uuid import uuid4

from sqlalchemy import Engine, select

from analytics.alarms import records
from analytics.alarms.states import Transition
from analytics.kinds import ALARM_KINDS
from dashboard import accounts
from dashboard.queries import alarms
from dashboard.web.work_records import ASKS
from ingest import registry, schema, times, work_records
from ingest import work as works
from ingest.database import reachable, writing
from ingest.errors import Problem

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
            (found,) = registry.read_vehicles(connection, id_)
            one = {
                "key": uuid4().hex,
                "kind": kind,
                "at_us": now_us,
                "by": accounts.name_of_actor(by),
                "note": note,
                **what,
            }
            work_records.record(connection, id_, found.setups, works.work_of(one), now_us)
    return len(said)


def assignees(database: Engine) -> list[str]:
    """Whom whoever asks may give an alarm to: those who may deal with alarms and see what the asker sees, or a part of it."""
    me = accounts.current_person.get()

    def share(mine: tuple[str, ...], theirs: tuple[str, ...]) -> bool:
        return not mine or not theirs or bool(set(mine) & set(theirs))

    with database.connect() as connection:
        people = accounts.people(connection)
    return [
        one.name
        for one in people
        if one.may("technician") and share(me.fleets, one.fleets) and share(me.depots, one.depots)
    ]


def assign(database: Engine, numbers: Sequence[int], to: str, by: str) -> None:
    """Give alarms to a person, all or none. Raises Problem, also where whoever asks may not."""
    accounts.need("technician")
    known = assignees(database)
    if to and known and to not in known:
        raise Problem(f"{to} is nobody who deals with these alarms")
    with reachable(database), writing(database) as connection:
        alarms.need_seen(connection, numbers)
        records.assign(connection, numbers, to.strip()[:128], accounts.name_of_actor(by), times.now_us())


def act(database: Engine, numbers: Sequence[int], transition: Transition) -> None:
    """Do something to alarms, all or none. Raises Problem, also where whoever asks may not."""
    accounts.need("technician")
    with reachable(database), writing(database) as connection:
        alarms.need_seen(connection, numbers)
        records.act(connection, numbers, transition)
