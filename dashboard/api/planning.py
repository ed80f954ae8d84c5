"""What is to be done, to have and to expect: points greased by hand, parts, what wears, prices, greases; and evidence over a span."""

from dataclasses import asdict
from typing import Any

from dashboard import accounts
from dashboard.api import planning_shapes as told
from dashboard.api import shapes
from dashboard.api.part import Part
from dashboard.api.shapes import refuse
from dashboard.exports import evidence as of_evidence
from dashboard.exports import greases as of_greases
from dashboard.exports import hand as of_hand
from dashboard.exports import parts as of_parts
from dashboard.exports import wear as of_wear
from dashboard.queries import greases, hand, lives, prices, wear
from dashboard.queries.evidence import read_evidence
from dashboard.queries.scope import Scope
from dashboard.queries.vehicle import setup as setup_of
from dashboard.web.database import engine
from ingest import times
from ingest.errors import Problem, Unusable
from ingest.registry import unknown
from ingest.times import instant

planning = Part("planning", __name__, description="What is to be done, to have and to expect")


def _within(asked: dict[str, Any]) -> Scope:
    return Scope(asked.get("fleet", ""), asked.get("depot", ""))


@planning.get("/hand-points")
@planning.arguments(told.AskedHandPoints, **shapes.QUERY)
@planning.response(200, shapes.listed(told.HandDue))
def get_hand_points(asked: dict[str, Any]) -> dict[str, Any]:
    """Points greased by hand and when each is due, by vehicle and number. They are ticked off as work: `points_greased`."""
    after = shapes.from_cursor(asked.get("cursor"), str, str, int) or ["", "", 0]
    found = [
        (key, one)
        for one in hand.hand_points(engine(), times.now_us(), _within(asked))
        for key in [[one.fleet, one.vehicle, one.number]]
        if key > after
        and asked.get("vehicle", one.vehicle) == one.vehicle
        and asked.get("state", one.state) == one.state
    ]
    found.sort(key=lambda one: one[0])
    part = found[: asked["limit"]]
    further = shapes.to_cursor(part[-1][0]) if len(found) > len(part) else None
    return {"items": [of_hand.as_object(one) for _, one in part], "next": further}


@planning.get("/parts")
@planning.arguments(told.AskedParts, **shapes.QUERY)
@planning.response(200, told.Parts)
def get_parts(asked: dict[str, Any]) -> dict[str, Any]:
    """Parts to have by depot, what fails more often, and how long things last: worked out anew every ten minutes at most."""
    found = lives.lasting(engine(), _within(asked), times.now_us(), asked["by"], asked["days"])
    return of_parts.as_object(found, asked["days"])


@planning.get("/wear")
@planning.arguments(told.AskedScope, **shapes.QUERY)
@planning.response(200, told.Trend(many=True))
def get_wear(asked: dict[str, Any]) -> list[dict[str, Any]]:
    """What worsens slowly, the first to pass its limit first, 500 at most."""
    found = wear.wearing(engine(), _within(asked), shapes.MOST_ROWS)
    return [of_wear.as_object(one) | {"worsens": True} for one in found]


@planning.get("/vehicles/<fleet>/<vehicle>/wear")
@planning.response(200, told.Trend(many=True))
def get_trends(fleet: str, vehicle: str) -> list[dict[str, Any]]:
    """All slow trends of a vehicle, what worsens first."""
    setup = setup_of(engine(), fleet, vehicle)
    if setup is None:
        refuse(404, unknown(f"{fleet}/{vehicle}"))
    who = {"fleet": fleet, "vehicle": vehicle, "unit": setup.unit, "depot": setup.depot, "timezone": setup.timezone}
    return [
        of_wear.as_object(wear.Wearing(**who, points=(), trend=one)) | {"worsens": one.worsens}
        for one in wear.trends_of(engine(), fleet, vehicle)
    ]


@planning.get("/prices")
@planning.response(200, told.Prices)
def get_prices() -> dict[str, Any]:
    """What leads said that hours and dry points cost; a lead's to read (scope `set-up`), as it is a lead's to say."""
    accounts.need_lead()
    with engine().connect() as connection:
        rate, found = prices.read_rate(connection), prices.read_prices(connection)
    return {
        "currency": rate and rate.currency,
        "work_an_hour": rate and rate.work,
        "standstill_an_hour": rate and rate.standstill,
        "prices": [asdict(one) for one in found],
    }


@planning.get("/money-at-risk")
@planning.arguments(told.AskedScope, **shapes.QUERY)
@planning.response(200, told.Risk(many=True))
def get_money(asked: dict[str, Any]) -> list[dict[str, Any]]:
    """The vehicles with most money at risk, 500 at most; nothing without prices."""
    with engine().connect() as connection:
        priced = prices.read_priced(connection)
        found = [] if priced is None else prices.at_risk(connection, priced, _within(asked))
    return [
        {"fleet": one.fleet, "vehicle": one.vehicle, "unit": one.unit, "depot": one.depot, "currency": priced and priced.currency,
         "money_at_risk": round(one.at_risk.money, 2), "points_not_known": one.at_risk.unknown}
        for one in found
    ]  # fmt: skip


@planning.get("/greases")
@planning.arguments(told.AskedScope, **shapes.QUERY)
@planning.response(200, told.GreasePlan)
def get_greases(asked: dict[str, Any]) -> dict[str, Any]:
    """The greases of the list, and what has to be changed before which week, by the temperatures that the readings show."""
    with engine().connect() as connection:
        listed = greases.read_greases(connection)
        season = greases.read_season(connection, _within(asked), instant(times.now_us()).date())
    return of_greases.as_object(season) | {"greases": [asdict(one) for one in listed]}


@planning.get("/vehicles/<fleet>/<vehicle>/evidence")
@planning.arguments(told.AskedEvidence, **shapes.QUERY)
@planning.response(200, told.Evidence)
def get_evidence(asked: dict[str, Any], fleet: str, vehicle: str) -> dict[str, Any]:
    """What stands for a point or a pump over a span of days by the depot's clock."""
    if setup_of(engine(), fleet, vehicle) is None:
        refuse(404, unknown(f"{fleet}/{vehicle}"))
    try:
        found = read_evidence(engine(), fleet, vehicle, asked.get("line"), asked["first"], asked["last"])
    except Unusable:
        raise
    except Problem as problem:
        refuse(422, f"{problem}")
    return of_evidence.as_object(found)
