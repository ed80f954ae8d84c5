"""What the analysis found: findings, refill forecasts, fills."""

from typing import Any

from dashboard.api import shapes
from dashboard.api.part import Part
from dashboard.api.shapes import refuse
from dashboard.queries import lists
from dashboard.queries.vehicle import vehicle_result
from dashboard.web.database import engine
from ingest.registry import unknown

results = Part("results", __name__, description="What the analysis found")


@results.get("/findings")
@results.arguments(shapes.AskedFindings, **shapes.QUERY)
@results.response(200, shapes.listed(shapes.Finding))
def get_findings(asked: dict[str, Any]) -> dict[str, Any]:
    """Findings by vehicle, kind, channel and time."""
    chosen = lists.Chosen(asked.get("fleet", ""), asked.get("vehicle", ""))
    after = shapes.from_cursor(asked.get("cursor"), int, str, str, int)
    part = lists.findings(engine(), chosen, asked.get("kind", ""), asked.get("open"), after, asked["limit"])
    told = [finding.as_json(fleet, vehicle) for finding, fleet, vehicle in part.rows]
    return {"items": told, "next": part.next and shapes.to_cursor(part.next)}


@results.get("/refills")
@results.arguments(shapes.Asked, **shapes.QUERY)
@results.response(200, shapes.listed(shapes.Refill))
def get_refills(asked: dict[str, Any]) -> dict[str, Any]:
    """The newest refill forecasts by vehicle, of those analysed."""
    chosen = lists.Chosen(asked.get("fleet", ""), asked.get("vehicle", ""))
    part = lists.refills(engine(), chosen, shapes.from_cursor(asked.get("cursor"), str, str), asked["limit"])
    told = [refill.as_json(fleet, vehicle) for refill, fleet, vehicle in part.rows]
    return {"items": told, "next": part.next and shapes.to_cursor(part.next)}


@results.get("/vehicles/<fleet>/<vehicle>/fills")
@results.response(200, shapes.Fill(many=True))
def get_fills(fleet: str, vehicle: str) -> list[dict[str, Any]]:
    """The fills seen in the level readings of a vehicle, up to now."""
    result = vehicle_result(engine(), fleet, vehicle)
    if result is None:
        refuse(404, unknown(f"{fleet}/{vehicle}"))
    return [fill.as_json(fleet, vehicle) for fill in result.fills]
