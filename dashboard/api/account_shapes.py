"""What of the account goes in and out, as the document describes it."""

from typing import Final

from marshmallow import fields, validate

from dashboard.api.shapes import NAME, Said, Told, text
from dashboard.queries.account import GROUPS

_MONTH: Final = r"^\d{4}-(0[1-9]|1[0-2])$"


class AskedAccount(Said):
    """A month's account, of what whoever asks may see."""

    month = fields.String(validate=validate.Regexp(_MONTH), metadata={"description": "YYYY-MM; the newest by default"})
    fleet = fields.String(validate=validate.Regexp(NAME))
    depot = text(256)


class AskedDoses(Said):
    """A month of one vehicle."""

    month = fields.String(required=True, validate=validate.Regexp(_MONTH))


class Greased(Told):
    """Doses of points: planned, surely arrived, surely not, and not proven, which is neither."""

    planned = fields.Float(required=True)
    arrived = fields.Float(required=True)
    failed = fields.Float(required=True)
    not_proven = fields.Float(required=True)


class GreasedShare(Greased):
    """The same of several vehicles, in percent of what was planned: surely, and at most, if all that is not proven arrived; the limits
    (95 %) add by how much vehicles differ."""

    vehicles = fields.Integer(required=True)
    arrived_pct = fields.Float(required=True, allow_none=True)
    at_most_pct = fields.Float(required=True, allow_none=True)
    low_pct = fields.Float(required=True, allow_none=True)
    high_pct = fields.Float(required=True, allow_none=True)


class GreasedMonth(GreasedShare):
    """Of a month."""

    month = fields.String(required=True)


class GreasedWeek(GreasedShare):
    """Of a week, by the date of its Monday."""

    week = fields.String(required=True)


class GreasedGroup(GreasedShare):
    """Of those that have something in common."""

    group = fields.String(required=True)


class WorstPoints(Told):
    """Points of a vehicle of which most doses surely did not arrive; doses are those of one of them."""

    fleet = fields.String(required=True)
    vehicle = fields.String(required=True)
    unit = fields.String(required=True)
    depot = fields.String(required=True)
    lines = fields.List(fields.Integer(), required=True)
    hand_points = fields.List(
        fields.Integer(), required=True, metadata={"description": "numbers of points greased by hand"}
    )
    points = fields.List(fields.String(), required=True)
    of_lines = fields.Integer(required=True)
    critical = fields.Boolean(required=True)
    planned = fields.Float(required=True)
    arrived = fields.Float(required=True)
    failed = fields.Float(required=True)
    failed_days = fields.Integer(required=True)
    failed_pct = fields.Float(required=True)
    arrived_pct = fields.Float(required=True)


Account = Told.from_dict(
    {
        "month": fields.String(required=True),
        "fleet": fields.String(required=True, allow_none=True),
        "depot": fields.String(required=True, allow_none=True),
        "months": fields.List(fields.Nested(GreasedMonth), required=True),
        "weeks": fields.List(fields.Nested(GreasedWeek), required=True),
        **{f"by_{group}": fields.List(fields.Nested(GreasedGroup), required=True) for group in GROUPS},
        "vehicles_without_doses": fields.Integer(required=True),
        "worst_points": fields.List(fields.Nested(WorstPoints), required=True),
    },
    name="Account",
)


class GreasedDay(Greased):
    """Doses of one point on one day of its depot's calendar."""

    day = fields.String(required=True, metadata={"format": "date"})
    depot = fields.String(required=True)
    line = fields.Integer(required=True, allow_none=True)
    hand_point = fields.Integer(
        required=True, allow_none=True, metadata={"description": "greased by hand: its number; null for a line"}
    )
