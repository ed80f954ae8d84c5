"""Alarms and their transitions in the database."""

from collections.abc import Collection
from dataclasses import replace
from typing import Any, Final

from sqlalchemy import BindParameter, Connection, Select, Update, bindparam, insert, select, update

from analytics import findings
from analytics.alarms import depots, outbox, wording
from analytics.alarms.evaluate import PROGRAM, Alarm, Change, Sight, alarm_of, changed, judge
from analytics.alarms.refill_due import refill_trouble
from analytics.alarms.states import Transition
from analytics.kinds import ALARM_KINDS, REFILL_DUE
from analytics.refills import Refill
from ingest import schema
from ingest.errors import Problem
from ingest.languages.saying import parts_of
from ingest.registry import read_vehicles
from ingest.setups import Setup
from ingest.times import DAY_US, HOUR_US, now_us
from ingest.work import why_away
from ingest.work_records import read_work

_SPEAKS_US: Final = 6 * HOUR_US


_KEPT_DAYS: Final = 120  # so long an alarm that is over may turn out to go on


def _statements() -> tuple[Select[Any], Select[Any], Select[Any], Update, Select[Any]]:
    """Those that are asked with each piece of news of a `vehicle`, made once: its newest results, locked, and their findings; its alarms
    that are not over since `kept_since`, locked; that they were looked at; those that wait for somebody as it moves `to` a depot."""
    analysis, finding, alarm, who = schema.analysis, schema.finding, schema.alarm, schema.vehicle_summary
    vehicle: BindParameter[int] = bindparam("vehicle")
    results = select(analysis.c.refill, analysis.c.filled_us, analysis.c.commissioning)
    lasts = (alarm.c.state != "normal") | (alarm.c.ended_us > bindparam("kept_since"))
    mine = select(alarm).where(alarm.c.vehicle_id == vehicle, lasts).order_by(alarm.c.raised_us, alarm.c.id)
    moves = select(alarm, who.c.depot).join(who, who.c.vehicle_id == alarm.c.vehicle_id)
    waits = alarm.c.vehicle_id == vehicle, alarm.c.state == "unacknowledged", who.c.depot != bindparam("to")
    return (
        results.where(analysis.c.vehicle_id == vehicle).with_for_update(),
        select(finding).where(finding.c.vehicle_id == vehicle).order_by(finding.c.began_us),
        mine.with_for_update(),
        update(analysis).where(analysis.c.vehicle_id == vehicle),
        moves.where(*waits),
    )


_NEWEST, _FOUND, _HELD, _LOOKED_AT, _MOVES = _statements()


def bring_up(connection: Connection, vehicle_id: int, now_us: int) -> int:
    """Bring a vehicle's alarms up to its newest results and the time, within the caller's transaction; how many changed."""
    asked = {"vehicle": vehicle_id, "kept_since": now_us - _KEPT_DAYS * DAY_US}
    row = connection.execute(_NEWEST, asked).one_or_none()
    if row is None:
        return 0
    found = connection.execute(_FOUND, asked)
    held = [alarm_of(r) for r in connection.execute(_HELD, asked)]
    (vehicle,) = read_vehicles(connection, vehicle_id)
    setup = vehicle.in_force(now_us)
    work, depot = read_work(connection, vehicle_id).get(vehicle_id, ()), depots.depot(connection, setup.depot)
    told = any(a.kind == REFILL_DUE and a.condition.active for a in held)
    forecast = Refill.from_row(row.refill)
    refill, from_us = refill_trouble(setup, forecast, row.filled_us, depot.lead_us, now_us, told=told)
    sight = Sight(
        tuple(findings.from_row(r) for r in found.mappings()), refill, row.filled_us, why_away(work),
        bool(row.commissioning and row.commissioning["state"] == "running"), from_us, forecast.state != "unknown", work,
    )  # fmt: skip
    changes, due_us = judge(held, sight, now_us)
    for change in changes:
        _keep(connection, vehicle_id, setup, change, now_us)
    connection.execute(_LOOKED_AT, {"vehicle": vehicle_id, "alarms_due_us": due_us})
    return len(changes)


def due(connection: Connection, now_us: int) -> list[int]:
    """The vehicles whose alarms have to be looked at, by results that speak of now: somebody may have asked for those of the past."""
    table = schema.analysis
    wanted = table.c.alarms_due_us <= now_us, table.c.as_of_us.between(now_us - _SPEAKS_US, now_us + _SPEAKS_US)
    return list(connection.execute(select(table.c.vehicle_id).where(*wanted)).scalars())


def act(connection: Connection, numbers: Collection[int], transition: Transition) -> None:
    """What a person does to alarms, all or none. Raises Problem."""
    table = schema.alarm
    owners: dict[int, int] = dict(
        connection.execute(select(table.c.id, table.c.vehicle_id).where(table.c.id.in_(numbers))).all()
    )
    # By vehicle: two who do so at once never wait in a ring.
    for number in sorted(set(numbers), key=lambda number: (owners.get(number, 0), number)):
        _act(connection, number, transition)


def assign(connection: Connection, numbers: Collection[int], to: str, who: str, at_us: int) -> None:
    """Say who is to deal with alarms, all or none; nobody where `to` is empty. Their states stay. Raises Problem."""
    table = schema.alarm
    if not who.strip():
        raise Problem("say who does it")
    rows = connection.execute(select(table).where(table.c.id.in_(numbers)).order_by(table.c.id).with_for_update()).all()
    for row in rows:
        if row.state == "normal":
            raise Problem(f"alarm {row.id} is over")
        step = {
            "alarm_id": row.id, "number": row.transitions + 1, "at_us": at_us, "event": "assign", "state": row.state, "who": who,
            "why": f"to {to}" if to else "to nobody",
        }  # fmt: skip
        connection.execute(insert(schema.transition).values(**step))
        values = {"assigned_to": to or None, "transitions": row.transitions + 1}
        connection.execute(update(table).where(table.c.id == row.id).values(**values))


def give_up(connection: Connection, who: str, at_us: int) -> None:
    """Give the alarms of somebody who deals with none any more to nobody, so that others see that they are to be dealt with."""
    table = schema.alarm
    theirs = table.c.assigned_to == who
    standing = connection.execute(select(table.c.id).where(theirs, table.c.state != "normal")).scalars().all()
    assign(connection, standing, "", PROGRAM, at_us)
    connection.execute(update(table).where(theirs).values(assigned_to=None))


def withdraw(connection: Connection, number: int, who: str, why: str, at_us: int) -> None:
    """Say that nobody is asked to deal with an alarm any more, which may be over. Its state stays."""
    table = schema.alarm
    row = connection.execute(select(table).where(table.c.id == number).with_for_update()).one()
    step = {
        "alarm_id": number, "number": row.transitions + 1, "at_us": at_us, "event": "withdraw", "state": row.state, "who": who,
        "why": why,
    }  # fmt: skip
    connection.execute(insert(schema.transition).values(**step))
    values = {"assigned_to": None, "transitions": row.transitions + 1}
    connection.execute(update(table).where(table.c.id == number).values(**values))


def _act(connection: Connection, number: int, transition: Transition) -> None:
    table, analysis = schema.alarm, schema.analysis
    # Who looks at a vehicle's alarms locks its results first, and so does who changes one.
    owner = select(table.c.vehicle_id).where(table.c.id == number).scalar_subquery()
    connection.execute(select(analysis.c.vehicle_id).where(analysis.c.vehicle_id == owner).with_for_update())
    row = connection.execute(select(table).where(table.c.id == number).with_for_update()).one_or_none()
    if row is None:
        raise Problem(f"there is no alarm {number}; tallow alarms lists them")
    if not transition.who.strip():
        raise Problem("say who does it")
    try:
        change = changed(alarm_of(row), transition)
    except Problem as problem:
        raise Problem(f"alarm {number} cannot be changed so: {problem}") from None
    (vehicle,) = read_vehicles(connection, row.vehicle_id)
    _keep(connection, row.vehicle_id, vehicle.in_force(transition.at_us), change, transition.at_us)
    # What hides it, and when it comes back, is looked at with the next pass.
    connection.execute(update(analysis).where(analysis.c.vehicle_id == row.vehicle_id).values(alarms_due_us=0))


def _keep(connection: Connection, vehicle_id: int, setup: Setup, change: Change, now_us: int) -> None:
    table, alarm, condition = schema.alarm, change.alarm, change.alarm.condition
    transitions = alarm.transitions + len(change.steps)
    values = {
        "vehicle_id": vehicle_id, "kind": alarm.kind, "channel": alarm.channel, "lines": list(alarm.lines),
        "severity": alarm.severity, "summary": alarm.summary, "said": parts_of(alarm.summary), "evidence": dict(alarm.evidence),
        "began_us": alarm.began_us,
        "ended_us": alarm.ended_us, "raised_us": alarm.raised_us, "active": condition.active,
        "acknowledged": condition.acknowledged, "shelved_until_us": condition.shelved_until_us,
        "suppressed_why": condition.suppressed_why, "out_of_service": condition.out_of_service, "state": alarm.state,
        "changed_us": now_us if change.steps else alarm.changed_us,
        "transitions": transitions,
    }  # fmt: skip
    if any(step.event == "occur" for step, _ in change.steps):
        values["raised_us"] = now_us
    if alarm.id is None:
        number = connection.execute(insert(table).values(**values).returning(table.c.id)).scalar_one()
    else:
        number = alarm.id
        connection.execute(update(table).where(table.c.id == number).values(**values))
    if not change.steps:
        return
    connection.execute(
        insert(schema.transition),
        [
            {"alarm_id": number, "number": alarm.transitions + n, "at_us": step.at_us, "event": step.event, "state": state,
             "who": step.who, "why": step.why, "until_us": step.until_us}
            for n, (step, state) in enumerate(change.steps, 1)
        ],
    )  # fmt: skip
    now = replace(alarm, id=number, transitions=transitions)
    outbox.announce(connection, setup, _told(now, change.steps[-1][0].event), now_us)


def tell_of_move(connection: Connection, vehicle_id: int, setup: Setup, now_us: int) -> None:
    """Tell those who hear of the depot that a vehicle moves to of what waits for somebody; before it is listed there."""
    for row in connection.execute(_MOVES, {"vehicle": vehicle_id, "to": setup.depot}).all():
        outbox.announce(connection, setup, _told(alarm_of(row), "moved"), now_us, moved_from=row.depot)


def _told(alarm: Alarm, event: str = "") -> wording.Told:
    since_us = alarm.raised_us if alarm.kind == REFILL_DUE else alarm.began_us
    return wording.Told(
        alarm.id or 0, alarm.transitions, event, alarm.state, ALARM_KINDS[alarm.kind], alarm.kind, alarm.channel, alarm.lines,
        alarm.severity, alarm.summary, since_us, int(alarm.evidence.get("critical_points") or 0),
    )  # fmt: skip


def open_at(connection: Connection, depot: str) -> list[tuple[Setup, wording.Told]]:
    """What stands and is in sight at a depot, and what is over but not acknowledged."""
    table, who = schema.alarm, schema.vehicle_summary
    rows = connection.execute(
        select(table)
        .join(who, who.c.vehicle_id == table.c.vehicle_id)
        .where(who.c.depot == depot, table.c.state.in_(("unacknowledged", "returned", "acknowledged")))
    ).all()
    setups = {one.id: one.in_force(now_us()) for one in read_vehicles(connection, {row.vehicle_id for row in rows})}
    return [(setups[row.vehicle_id], _told(alarm_of(row))) for row in rows]
