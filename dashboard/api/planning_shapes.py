"""What of plans and prospects goes in and out, as the document describes it: hand points, parts, wear, prices, greases, evidence."""

from datetime import date

from marshmallow import fields, validate

from analytics.account.lives import DIMENSIONS
from analytics.account.parts import DAYS
from dashboard.api.shapes import NAME, Asked, Said, Told, said_time, text
from dashboard.exports.wear import LATEST
from dashboard.queries.hand import STATES

_PERCENT_1000_H = {"description": "percent in 1,000 ignition hours; `_low` and `_high` are 95 % limits"}


class AskedScope(Said):
    """What of the fleet is asked about."""

    fleet = fields.String(validate=validate.Regexp(NAME))
    depot = text(256)


class AskedHandPoints(Asked):
    """Points greased by hand, chosen."""

    depot = text(256)
    state = fields.String(validate=validate.OneOf(STATES))


class HandDue(Told):
    """A point greased by hand and when it is due; `since` is in its `interval_unit` (h, km, d). What is not known is null."""

    fleet = fields.String(required=True)
    vehicle = fields.String(required=True)
    unit = fields.String(required=True)
    depot = fields.String(required=True)
    number = fields.Integer(required=True)
    point = fields.String(required=True)
    critical = fields.Boolean(required=True)
    every = fields.Float(required=True)
    interval_unit = fields.String(required=True)
    grams = fields.Float(required=True, allow_none=True)
    strokes = fields.Float(required=True, allow_none=True)
    grease = fields.String(required=True, allow_none=True)
    since = fields.Float(required=True, allow_none=True)
    hours_since_grease = fields.Float(required=True, allow_none=True)
    greased_at = said_time(required=True, allow_none=True)
    read_at = said_time(required=True, allow_none=True)
    due_at = said_time(required=True, allow_none=True)
    state = fields.String(required=True, validate=validate.OneOf(STATES))
    reason = fields.String(required=True, allow_none=True, metadata={"description": "why no date is known"})


class AskedParts(AskedScope):
    """Parts to have, and by what lives are compared."""

    days = fields.Integer(load_default=DAYS, validate=validate.Range(1, 365))
    by = fields.String(load_default="point", validate=validate.OneOf(list(DIMENSIONS)))


class Part(Told):
    """What to have of a part at a depot: expected to be needed, and enough nine times in ten; null where too little has failed to say."""

    depot = fields.String(required=True)
    part = fields.String(required=True)
    unit = fields.String(required=True)
    expected = fields.Float(required=True, allow_none=True)
    enough = fields.Float(required=True, allow_none=True)
    failed_now = fields.Float(required=True, allow_none=True)
    by_trend = fields.Float(required=True, allow_none=True)


class Curve(Told):
    """How long things last: the share that reaches an age, with 95 % limits; lists of equal length."""

    what = fields.String(required=True)
    group = fields.String(required=True)
    parts = fields.Integer(required=True)
    failures = fields.Integer(required=True)
    from_ignition_hours = fields.Float(required=True)
    ignition_hours = fields.List(fields.Float(), required=True)
    share = fields.List(fields.Float(), required=True)
    low = fields.List(fields.Float(allow_none=True), required=True)
    high = fields.List(fields.Float(allow_none=True), required=True)


class Parts(Told):
    """Parts to have, what fails more often, how long things last."""

    days = fields.Float(required=True)
    vehicles = fields.Integer(required=True)
    parts = fields.List(fields.Nested(Part), required=True)
    failures = fields.Dict(keys=fields.String(), values=fields.Integer(), required=True)
    more_often = fields.List(fields.Dict(), required=True)
    same_age = fields.List(fields.Dict(), required=True)
    lives = fields.List(fields.Nested(Curve), required=True)


Trend = Told.from_dict(
    {
        "fleet": fields.String(required=True),
        "vehicle": fields.String(required=True),
        "what": fields.String(required=True, validate=validate.OneOf(list(LATEST))),
        "channel": fields.String(required=True, allow_none=True, metadata={"description": "null: the pump"}),
        "lines": fields.List(fields.Integer(), required=True),
        "ignition_hours": fields.Float(required=True),
        "percent_per_1000_h": fields.Float(required=True, metadata=_PERCENT_1000_H),
        "percent_low": fields.Float(required=True),
        "percent_high": fields.Float(required=True),
        "changed_percent": fields.Float(required=True),
        "baseline": fields.String(required=True),
        **{name: fields.Float() for name in LATEST.values()},
        "worsens": fields.Boolean(required=True),
        "passes_early": said_time(required=True, allow_none=True),
        "passes_expected": said_time(required=True, allow_none=True),
    },
    name="Trend",
)


class Price(Told):
    """What a dry point of a kind costs."""

    point_kind = fields.String(required=True)
    part = fields.Float(required=True)
    work_h = fields.Float(required=True)
    standstill_h = fields.Float(required=True)
    dry_life_h = fields.Float(required=True)


class Prices(Told):
    """What leads said; nothing is assumed."""

    currency = fields.String(required=True, allow_none=True)
    work_an_hour = fields.Float(required=True, allow_none=True)
    standstill_an_hour = fields.Float(required=True, allow_none=True)
    prices = fields.List(fields.Nested(Price), required=True)


class Risk(Told):
    """Money at risk on a vehicle, a model; of so many of its dry points nobody knows since when."""

    fleet = fields.String(required=True)
    vehicle = fields.String(required=True)
    unit = fields.String(required=True)
    depot = fields.String(required=True)
    currency = fields.String(required=True)
    money_at_risk = fields.Float(required=True)
    points_not_known = fields.Integer(required=True)


class Grease(Told):
    """A grease of the list."""

    name = fields.String(required=True)
    nlgi = fields.String(required=True)
    thickener = fields.String(required=True)
    lowest_c = fields.Float(required=True)


class Change(Told):
    """A grease that gets too stiff at a depot, and what to fill instead before which day; null where the list has none."""

    depot = fields.String(required=True)
    grease = fields.String(required=True)
    before = fields.String(required=True, metadata={"format": "date"})
    low_c = fields.Float(required=True)
    coldest_c = fields.Float(required=True)
    instead = fields.String(required=True, allow_none=True)
    units = fields.List(fields.String(), required=True)


class NotListed(Told):
    """A grease that vehicles take and the list lacks."""

    depot = fields.String(required=True)
    grease = fields.String(required=True)


class GreasePlan(Told):
    """The greases of the list, and what has to be changed before it gets cold; `known_weeks` by depot."""

    greases = fields.List(fields.Nested(Grease), required=True)
    changes = fields.List(fields.Nested(Change), required=True)
    not_listed = fields.List(fields.Nested(NotListed), required=True)
    known_weeks = fields.Dict(keys=fields.String(), values=fields.Integer(), required=True)


class AskedEvidence(Said):
    """A span, and a line or the pump with all of its lines."""

    first = fields.Date(required=True, validate=validate.Range(date(1970, 1, 1), date(9998, 12, 31)))
    last = fields.Date(required=True, validate=validate.Range(date(1970, 1, 1), date(9998, 12, 31)))
    line = fields.Integer(validate=validate.Range(1, 9999))


class Evidence(Told):
    """What stands for a point or a pump over a span, with hashes over the records that it rests on."""

    fleet = fields.String(required=True)
    vehicle = fields.String(required=True)
    line = fields.Integer(required=True, allow_none=True)
    first = fields.String(required=True, metadata={"format": "date"})
    last = fields.String(required=True, metadata={"format": "date"})
    planned = fields.Float(required=True)
    arrived = fields.Float(required=True)
    failed = fields.Float(required=True)
    days = fields.List(fields.Dict(), required=True)
    gaps = fields.List(fields.Dict(), required=True)
    findings = fields.List(fields.String(), required=True)
    alarms = fields.List(fields.Dict(), required=True)
    work = fields.List(fields.Dict(), required=True)
    messages = fields.Dict(required=True)
    lost = fields.Integer(required=True, allow_none=True)
    thinned = fields.Integer(required=True)
    days_without_messages = fields.Integer(required=True)
    nothing_heard_since = fields.String(required=True, allow_none=True, metadata={"format": "date-time"})
    digests = fields.Dict(keys=fields.String(), values=fields.String(), required=True)
    digest = fields.String(required=True)
