"""Alarms, and what people do about them."""

from typing import Any

from analytics.alarms.evaluate import Alarm
from analytics.alarms.states import Transition
from dashboard import accounts
from dashboard.api import shapes
from dashboard.api.part import Part
from dashboard.api.shapes import refuse
from dashboard.exports.csv import step_json
from dashboard.queries import alarms as queries
from dashboard.queries import lists
from dashboard.web import alarm_actions
from dashboard.web.database import engine
from ingest import times

alarms = Part("alarms", __name__, description="Alarms, and what people do about them")


@alarms.get("/alarms")
@alarms.arguments(shapes.AskedAlarms, **shapes.QUERY)
@alarms.response(200, shapes.listed(shapes.Alarm))
def get_alarms(asked: dict[str, Any]) -> dict[str, Any]:
    """Alarms by number, past ones included."""
    chosen = lists.Chosen(asked.get("fleet", ""), asked.get("vehicle", ""))
    after = shapes.from_cursor(asked.get("cursor"), int)
    part = lists.alarms(engine(), chosen, asked.get("kind", ""), asked.get("state", ""), after, asked["limit"])
    return {"items": [_told(*row) for row in part.rows], "next": part.next and shapes.to_cursor(part.next)}


@alarms.get("/alarms/<int:number>")
@alarms.response(200, shapes.AlarmWithHistory)
def get_alarm(number: int) -> dict[str, Any]:
    """One alarm, and what happened to it."""
    return _one(number)


@alarms.post("/alarms/<int:number>/acknowledge")
@alarms.arguments(shapes.Acknowledged)
@alarms.response(200, shapes.AlarmWithHistory)
def acknowledge(said: dict[str, Any], number: int) -> dict[str, Any]:
    """Take note of an alarm, in the name of the person for whom the program acts."""
    return _act(number, Transition("acknowledge", times.now_us(), _who(), said["why"]))


@alarms.post("/alarms/<int:number>/shelve")
@alarms.arguments(shapes.Shelved)
@alarms.response(200, shapes.AlarmWithHistory)
def shelve(said: dict[str, Any], number: int) -> dict[str, Any]:
    """Put an alarm out of sight until a time, for a reason."""
    until_us = times.microseconds(said["until"])
    return _act(number, Transition("shelve", times.now_us(), _who(), said["why"], until_us))


@alarms.post("/alarms/<int:number>/unshelve")
@alarms.response(200, shapes.AlarmWithHistory)
def unshelve(number: int) -> dict[str, Any]:
    """Bring a shelved alarm back."""
    return _act(number, Transition("unshelve", times.now_us(), _who()))


def _who() -> str:
    return accounts.need("technician").name


def _act(number: int, transition: Transition) -> dict[str, Any]:
    _one(number)
    alarm_actions.act(engine(), [number], transition)
    return _one(number)


def _one(number: int) -> dict[str, Any]:
    """An alarm that whoever asks may see. Ends the request where there is none."""
    found = lists.alarms(engine(), lists.Chosen(), "", "", [number - 1], 1).rows if number < 2**31 else []
    if not found or found[0][0].id != number:
        refuse(404, f"there is no alarm {number}")
    return _told(*found[0]) | {"history": [step_json(step) for step in queries.transitions(engine(), number)]}


def _told(alarm: Alarm, whose: Any) -> dict[str, Any]:
    return {
        "number": alarm.id, "fleet": whose.fleet, "vehicle": whose.vehicle, "unit": whose.unit, "depot": whose.depot,
        "kind": alarm.kind, "channel": alarm.channel, "lines": list(alarm.lines), "severity": alarm.severity,
        "state": alarm.state, "summary": alarm.summary, "raised_at": times.rfc3339(alarm.raised_us),
        "began_at": times.rfc3339(alarm.began_us),
        "ended_at": None if alarm.ended_us is None else times.rfc3339(alarm.ended_us),
    }  # fmt: skip
