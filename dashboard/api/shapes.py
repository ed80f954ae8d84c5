"""What goes in and out, as the document describes it: names, types and units."""

import base64
import json
import re
from typing import Any, Final, NoReturn

from flask_smorest import abort
from marshmallow import EXCLUDE, RAISE, Schema, ValidationError, fields, validate

from analytics.alarms.states import State
from analytics.kinds import ALARM_KINDS, FINDING_KINDS, SEVERITIES
from analytics.pipeline.vehicle_summary import PRIORITIES
from ingest.bounds import STORABLE
from ingest.work import FOUND, KINDS

MOST_ROWS: Final = 500
QUERY: Final[dict[str, Any]] = {"location": "query", "unknown": RAISE}  # a word that is not known is a mistake
NAME: Final = r"^[A-Za-z0-9_-]{1,64}$"
_STATES: Final = list(State.__args__)  # type: ignore[attr-defined]


class Told(Schema):
    """An answer, or what may be sent back as it was answered: fields that are not known are ignored."""

    class Meta:
        """So that programs may send what they were told."""

        unknown = EXCLUDE


class Said(Schema):
    """A question or an order; what it does not know it refuses."""


def time(**more: Any) -> fields.AwareDateTime:
    """A moment by RFC 3339, UTC."""
    return fields.AwareDateTime(format="iso", **more)


def said_time(**more: Any) -> fields.String:
    """A moment in an answer, as it is written already."""
    return fields.String(metadata={"format": "date-time"}, **more)


def _storable(words: str) -> None:
    if not re.match(STORABLE, words):
        raise ValidationError("it holds characters that cannot be kept")


def text(most: int, least: int = 0, **more: Any) -> fields.String:
    """Words that can be kept."""
    return fields.String(validate=[validate.Length(least, most), _storable], **more)


def positive(**more: Any) -> fields.Float:
    """A measure as the registry takes it (`bounds.Positive`)."""
    return fields.Float(validate=validate.Range(0.001, 1e9), **more)


class Asked(Said):
    """How every list may be asked for."""

    cursor = fields.String(metadata={"description": "`next` of the list before"}, validate=validate.Length(max=1000))
    limit = fields.Integer(load_default=100, validate=validate.Range(1, MOST_ROWS))
    fleet = fields.String(validate=validate.Regexp(NAME))
    vehicle = fields.String(validate=validate.Regexp(NAME))


class AskedVehicles(Asked):
    """Vehicles, chosen."""

    depot = text(256)
    need = fields.String(validate=validate.OneOf(PRIORITIES))


class AskedFindings(Asked):
    """Findings, chosen."""

    kind = fields.String(validate=validate.OneOf(list(FINDING_KINDS)))
    open = fields.Boolean(metadata={"description": "those that last, or those that ended"})


class AskedAlarms(Asked):
    """Alarms, chosen."""

    kind = fields.String(validate=validate.OneOf(list(ALARM_KINDS)))
    state = fields.String(validate=validate.OneOf(_STATES))


class Line(Told):
    """A line of a line list."""

    line = fields.Integer(required=True, validate=validate.Range(1, 9999))
    bundle = text(256, load_default="")
    point = text(256, 1, required=True)
    channel = text(64, 1, required=True, allow_none=True)
    dose_cm3 = positive(required=True)
    length_m = positive(required=True)
    bore_mm = positive(required=True)
    critical = fields.Boolean(load_default=False)


class HandPoint(Told):
    """A point greased by hand, by the columns of the registry's file: due after `every` hours, kilometres or days."""

    number = fields.Integer(required=True, validate=validate.Range(1, 9999))
    point = text(256, 1, required=True)
    every = positive(required=True)
    unit = fields.String(required=True, validate=validate.OneOf(["h", "km", "d"]))
    grams = positive(load_default=None, allow_none=True)
    strokes = positive(load_default=None, allow_none=True)
    grease = text(256, load_default="")
    critical = fields.Boolean(load_default=False)


class Setup(Told):
    """How a vehicle's system is set up, by the columns of the registry's files."""

    fleet = fields.String(dump_only=True)
    vehicle = fields.String(dump_only=True)
    unit = text(256, 1, required=True)
    vehicle_class = text(256, required=True, data_key="class")
    depot = text(256, 1, required=True)
    timezone = text(64, required=True)
    commissioned = fields.Date(required=True, allow_none=True)
    feed = fields.String(required=True, validate=validate.OneOf(["direct", "progressive", "injector"]))
    reservoir_l = positive(required=True)
    low_mark_pct = fields.Float(required=True, validate=validate.Range(0, 100))
    interval_min = positive(required=True)
    run_s = positive(required=True)
    relief_kpa = positive(required=True)
    grease = text(256, required=True)
    nlgi = text(8, required=True)
    level = fields.String(load_default="percent", validate=validate.OneOf(["percent", "switch", "none"]))
    confirmation = fields.Boolean(load_default=None, allow_none=True)
    nominal_v = fields.Float(load_default=None, allow_none=True)
    valid_from = time(load_default=None, allow_none=True)
    lines = fields.List(fields.Nested(Line), required=True, validate=validate.Length(0, 100))
    controller = fields.Boolean(load_default=True, metadata={
        "description": "false: no automatic system and no lines; what is said of reservoir, pump and timer means nothing"})  # fmt: skip
    hand_points = fields.List(fields.Nested(HandPoint), load_default=None, allow_none=True, validate=validate.Length(max=100), metadata={
        "description": "points greased by hand; left out or null: as before"})  # fmt: skip


class Vehicle(Told):
    """A vehicle as lists show it."""

    fleet = fields.String(required=True)
    vehicle = fields.String(required=True)
    unit = fields.String(required=True)
    vehicle_class = fields.String(required=True, data_key="class")
    depot = fields.String(required=True)
    timezone = fields.String(required=True)
    need = fields.String(required=True, metadata={"description": f"worst first: {', '.join(PRIORITIES)}"})
    findings_open = fields.Integer(required=True, allow_none=True)
    level_pct = fields.Float(required=True, allow_none=True)
    due_early = said_time(required=True, allow_none=True)
    heard_at = said_time(required=True, allow_none=True)


class Finding(Told):
    """A finding, as the command line prints it."""

    fleet = fields.String(required=True)
    vehicle = fields.String(required=True)
    kind = fields.String(required=True)
    channel = fields.String(required=True, allow_none=True)
    lines = fields.List(fields.Integer(), required=True)
    began_at = said_time(required=True)
    detected_at = said_time(required=True)
    ended_at = said_time(required=True, allow_none=True)
    severity = fields.String(required=True, validate=validate.OneOf(SEVERITIES))
    summary = fields.String(required=True)
    evidence = fields.Dict(required=True)


class Refill(Told):
    """A refill forecast, as the command line prints it."""

    fleet = fields.String(required=True)
    vehicle = fields.String(required=True)
    as_of = said_time(required=True)
    level_pct = fields.Float(required=True, allow_none=True)
    low_mark_pct = fields.Float(required=True)
    due_early = said_time(required=True, allow_none=True)
    due_expected = said_time(required=True, allow_none=True)
    due_late = said_time(required=True, allow_none=True)
    litres_to_full = fields.Float(required=True, allow_none=True)
    cm3_per_cycle = fields.Float(required=True, allow_none=True)
    cycles_per_day = fields.Float(required=True, allow_none=True)
    state = fields.String(required=True)
    reason = fields.String(required=True, allow_none=True)
    basis = fields.String(required=True, allow_none=True)


class Fill(Told):
    """A fill seen in the level readings, as the command line prints it."""

    fleet = fields.String(required=True)
    vehicle = fields.String(required=True)
    at = said_time(required=True)
    detected_at = said_time(required=True)
    from_pct = fields.Float(required=True)
    to_pct = fields.Float(required=True)
    litres = fields.Float(required=True)


class Step(Told):
    """What happened to an alarm."""

    at = said_time(required=True)
    event = fields.String(required=True)
    state = fields.String(required=True)
    who = fields.String(required=True)
    why = fields.String(required=True)
    until = said_time(required=True, allow_none=True)


class Alarm(Told):
    """An alarm by IEC 62682."""

    number = fields.Integer(required=True)
    fleet = fields.String(required=True)
    vehicle = fields.String(required=True)
    unit = fields.String(required=True)
    depot = fields.String(required=True)
    kind = fields.String(required=True)
    channel = fields.String(required=True, allow_none=True)
    lines = fields.List(fields.Integer(), required=True)
    severity = fields.String(required=True)
    state = fields.String(required=True, validate=validate.OneOf(_STATES))
    summary = fields.String(required=True)
    raised_at = said_time(required=True)
    began_at = said_time(required=True)
    ended_at = said_time(required=True, allow_none=True)


class AlarmWithHistory(Alarm):
    """An alarm, and what happened to it."""

    history = fields.List(fields.Nested(Step), required=True)


class Acknowledged(Said):
    """That somebody takes note of an alarm."""

    why = text(1000, load_default="")


class Shelved(Said):
    """That an alarm goes out of sight until a time."""

    why = text(1000, required=True)
    until = time(required=True)


class About(Told):
    """A finding or an alarm that sent somebody there, as its list names it."""

    kind = fields.String(required=True, validate=validate.OneOf(list({**FINDING_KINDS, **ALARM_KINDS})))
    channel = text(64, 1, load_default=None, allow_none=True)
    began_at = time(required=True)


class Work(Told):
    """Work that was done, by whom."""

    key = fields.String(required=True, validate=validate.Regexp(NAME), metadata={
        "description": "given by whoever records it: the same record sent again is one"})  # fmt: skip
    kind = fields.String(required=True, validate=validate.OneOf(list(KINDS)))
    at = time(required=True)
    by = fields.String(dump_only=True)
    lines = fields.List(fields.Integer(validate=validate.Range(1, 9999)), validate=validate.Length(max=100))
    channel = text(64, allow_none=True)
    litres = positive(allow_none=True)
    to_pct = fields.Float(allow_none=True, validate=validate.Range(0, 120))
    grease = text(1000, allow_none=True)
    interval_min = positive(allow_none=True)
    run_s = positive(allow_none=True)
    depot = text(256, allow_none=True)
    points = fields.List(fields.Integer(validate=validate.Range(1, 9999)), validate=validate.Length(max=100))
    engine_h = fields.Float(allow_none=True, validate=validate.Range(0, 1e7))
    odometer_km = fields.Float(allow_none=True, validate=validate.Range(0, 1e7))
    new_meter = fields.Boolean(metadata={"description": "the meter was replaced or put to zero"})
    note = text(1000)
    found = fields.String(allow_none=True, validate=validate.OneOf(list(FOUND)), metadata={
        "description": "what was there of the finding that it is about"})  # fmt: skip
    cause = text(1000, allow_none=True, metadata={"description": "what else was wrong"})
    about = fields.Nested(About, allow_none=True)
    corrects = fields.String(allow_none=True, validate=validate.Regexp(NAME))
    withdrawn = fields.Boolean()
    above_full = fields.Boolean(load_only=True, load_default=False, metadata={
        "description": "a fill above the full mark is meant"})  # fmt: skip
    stands = fields.Boolean(dump_only=True)


class Message(Said):
    """A message as a line of a log file has it."""

    topic = fields.String(required=True, validate=validate.Length(max=65_535))
    payload = fields.Dict(required=True)
    received_at = time(load_default=None, allow_none=True)


class Messages(Said):
    """Messages, in any order, some of them perhaps handed in before."""

    messages = fields.List(fields.Nested(Message), required=True, validate=validate.Length(1, 1000))


class Recorded(Told):
    """What became of messages."""

    recorded = fields.Integer(required=True)
    duplicates = fields.Integer(required=True)
    rejected = fields.Integer(required=True)


def listed(shape: type[Schema]) -> type[Schema]:
    """A list of these, a part at a time."""
    many = fields.List(fields.Nested(shape), required=True)
    further = fields.String(
        required=True, allow_none=True, metadata={"description": "cursor of what comes next; null: nothing"}
    )
    return Schema.from_dict({"items": many, "next": further}, name=f"{shape.__name__}List")


def refuse(status: int, why: str) -> NoReturn:
    """End the request, and say why."""
    abort(status, message=why)
    raise AssertionError


def to_cursor(key: list[Any]) -> str:
    """Where a list goes on."""
    return base64.urlsafe_b64encode(json.dumps(key).encode()).decode().rstrip("=")


def from_cursor(said: str | None, *types: type) -> list[Any] | None:
    """The key that `to_cursor` wrote; None where a list begins. Ends the request where it is none of ours."""
    if said is None:
        return None
    key: Any = None
    if re.fullmatch(r"[A-Za-z0-9_-]*", said):
        try:
            key = json.loads(base64.urlsafe_b64decode(said + "=" * (-len(said) % 4)))
        except ValueError:
            key = None
    fits = isinstance(key, list) and len(key) == len(types)
    if not fits or not all(type(part) is kind for part, kind in zip(key, types, strict=True)):
        refuse(422, "cursor: none that a list of this kind gave; begin without one")
    found: list[Any] = key
    if any(isinstance(part, int) and abs(part) >= 2**63 for part in found) or any(
        "\x00" in str(part) for part in found
    ):
        refuse(422, "cursor: none that a list of this kind gave; begin without one")
    return found
