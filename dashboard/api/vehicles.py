"""Vehicles and their line lists."""

import hashlib
from typing import Any

import msgspec
from flask import request

from analytics.pipeline import vehicle_summary
from analytics.pipeline.vehicle_summary import PRIORITIES
from dashboard import accounts, change_log
from dashboard.api import shapes
from dashboard.api.part import Part
from dashboard.api.shapes import refuse
from dashboard.queries import lists
from dashboard.queries.vehicle import setup as setup_of
from dashboard.web.database import engine
from ingest import registry_files, times
from ingest.bounds import unseen
from ingest.database import reachable, writing
from ingest.registry import unknown
from ingest.setups import Setup
from ingest.times import rfc3339

vehicles = Part("vehicles", __name__, description="Vehicles and their line lists")


@vehicles.get("/vehicles")
@vehicles.arguments(shapes.AskedVehicles, **shapes.QUERY)
@vehicles.response(200, shapes.listed(shapes.Vehicle))
def list_vehicles(asked: dict[str, Any]) -> dict[str, Any]:
    """Vehicles, by fleet and name."""
    chosen = lists.Chosen(asked.get("fleet", ""), asked.get("vehicle", ""), asked.get("depot", ""))
    after = shapes.from_cursor(asked.get("cursor"), str, str)
    part = lists.vehicles(engine(), chosen, asked.get("need", ""), after, asked["limit"])
    return {"items": [_listed(row) for row in part.rows], "next": part.next and shapes.to_cursor(part.next)}


def _listed(row: Any) -> dict[str, Any]:
    names = ("fleet", "vehicle", "unit", "vehicle_class", "depot", "timezone", "level_pct", "findings_open")
    return {name: getattr(row, name) for name in names} | {
        "need": PRIORITIES[row.need],
        "due_early": None if row.due_early_us is None else rfc3339(row.due_early_us),
        "heard_at": None if row.heard_us is None else rfc3339(row.heard_us),
    }


@vehicles.get("/vehicles/<fleet>/<vehicle>")
@vehicles.response(200, shapes.Setup)
def get_vehicle(fleet: str, vehicle: str) -> Any:
    """The set-up of a vehicle that is in force, with its line list; its entity tag goes into `If-Match` of a change."""
    found = setup_of(engine(), fleet, vehicle)
    if found is None:
        refuse(404, unknown(f"{fleet}/{vehicle}"))
    return _shown(found), 200, {"ETag": f'"{_tag(found)}"'}


@vehicles.put("/vehicles/<fleet>/<vehicle>")
@vehicles.arguments(shapes.Setup)
@vehicles.response(200, shapes.Setup)
def put_vehicle(said: dict[str, Any], fleet: str, vehicle: str) -> Any:
    """Register a vehicle, or give it another set-up from `valid_from` or from now on; a lead's matter.

    With `If-Match` only where the set-up in force is still the one that was read.
    """
    who = accounts.need_lead()
    if said["hand_points"] is None:
        held = setup_of(engine(), fleet, vehicle)
        said["hand_points"] = [] if held is None else msgspec.to_builtins(held.hand_points)
    wanted = _setup(said, fleet, vehicle)
    now_us = times.now_us()
    with reachable(engine()), writing(engine()) as connection:
        before = setup_of(engine(), fleet, vehicle)
        if request.if_match and (before is None or _tag(before) not in request.if_match):
            refuse(412, "somebody has changed it meanwhile; read it again")
        if vehicle_summary.keep(connection, [wanted], now_us).changed:
            change_log.log_change(connection, who.name, f"{fleet}/{vehicle} registered by a program", now_us)
    found = setup_of(engine(), fleet, vehicle) or wanted
    return _shown(found), 200, {"ETag": f'"{_tag(found)}"'}


def _setup(said: dict[str, Any], fleet: str, vehicle: str) -> Setup:
    """A set-up out of what a program says. Ends the request where it cannot be."""
    for what, name in (("lines", "line"), ("hand_points", "number")):
        numbers = [one[name] for one in said[what]]
        twice = next((n for n in numbers if numbers.count(n) > 1), None)
        if twice is not None:
            refuse(422, f"{what}: {name} {twice} is there twice")
    if said["controller"] != bool(said["lines"]):
        refuse(422, "lines: a vehicle with a controller has at least one, one without has none")
    if any((point["grams"] is None) == (point["strokes"] is None) for point in said["hand_points"]):
        refuse(422, "hand_points: each has grams or strokes, one of the two")
    for part in (said, *said["lines"], *said["hand_points"]):
        if (wrong := unseen(part.items())) is not None:
            refuse(422, wrong)
    since = said.pop("valid_from")
    values = said | {
        "fleet": fleet,
        "vehicle": vehicle,
        "lines": sorted(said["lines"], key=lambda line: int(line["line"])),
        "hand_points": sorted(said["hand_points"], key=lambda point: int(point["number"])),
        "valid_from_us": None if since is None else times.microseconds(since),
    }
    try:
        setup = msgspec.convert(values, Setup)
        registry_files.check(setup)
    except ValueError as error:
        refuse(422, f"{error}".replace("`", ""))
    return setup


def _shown(setup: Setup) -> dict[str, Any]:
    values: dict[str, Any] = {
        name: getattr(setup, name) for name in Setup.__struct_fields__ if not name.endswith("_us")
    }
    since = setup.valid_from_us
    return values | {"valid_from": None if since is None else times.instant(since)}


def _tag(setup: Setup) -> str:
    return hashlib.sha256(msgspec.json.encode(setup)).hexdigest()[:32]
