"""Whether every point got its grease."""

from typing import Any

from dashboard.api import account_shapes, shapes
from dashboard.api.part import Part
from dashboard.api.shapes import refuse
from dashboard.exports.account import as_object
from dashboard.queries import account as accounts
from dashboard.queries.scope import Scope
from dashboard.queries.vehicle import setup as setup_of
from dashboard.web.database import engine
from ingest.registry import unknown

account = Part("account", __name__, description="Whether every point got its grease")


@account.get("/account")
@account.arguments(account_shapes.AskedAccount, **shapes.QUERY)
@account.response(200, account_shapes.Account)
def get_account(asked: dict[str, Any]) -> dict[str, Any]:
    """A month: doses planned, surely arrived, surely not and not proven, with the trend, by group, and the points that got least."""
    within = Scope(asked.get("fleet", ""), asked.get("depot", ""))
    known = accounts.months(engine(), within)
    month = asked.get("month") or (known[0] if known else "")
    if month not in known:
        refuse(404, f"nothing is accounted for{month and f' in {month}'}; there is: {', '.join(known) or 'nothing'}")
    return as_object(engine(), month, within)


@account.get("/vehicles/<fleet>/<vehicle>/doses")
@account.arguments(account_shapes.AskedDoses, **shapes.QUERY)
@account.response(200, account_shapes.GreasedDay(many=True))
def get_doses(asked: dict[str, Any], fleet: str, vehicle: str) -> list[dict[str, Any]]:
    """A month of a vehicle by day and line; nothing where nothing was planned."""
    if setup_of(engine(), fleet, vehicle) is None:
        refuse(404, unknown(f"{fleet}/{vehicle}"))
    return accounts.rows_of(accounts.days_of(engine(), fleet, vehicle, asked["month"]))
