"""Vehicles whose analysis fails, or waits: what stands there is not known, however few alarms they have."""

from typing import Any, Final

from sqlalchemy import ColumnElement, Select, func, select

from ingest import schema
from ingest.times import DAY_US

_LEFT_US: Final = DAY_US  # every vehicle is analysed once an hour, however large the fleet is


def is_old(now_us: int) -> ColumnElement[bool]:
    """Whether a vehicle of `vehicle_summary`, with what there is of it in `analysis`, has results of more than a day ago, or none and was
    there then."""
    analysis, setup = schema.analysis, schema.setup
    registered = select(func.min(setup.c.registered_us)).where(
        setup.c.vehicle_id == schema.vehicle_summary.c.vehicle_id
    )
    return func.coalesce(analysis.c.as_of_us, registered.scalar_subquery()) < now_us - _LEFT_US


def not_analysed(now_us: int, *mine: ColumnElement[bool]) -> Select[Any]:
    """(fleet, vehicle, unit) of those of a choice that were not analysed for a day."""
    who, analysis = schema.vehicle_summary, schema.analysis
    asked = select(who.c.fleet, who.c.vehicle, who.c.unit).select_from(who)
    asked = asked.outerjoin(analysis, analysis.c.vehicle_id == who.c.vehicle_id)
    return asked.where(~who.c.sold, is_old(now_us), *mine).order_by(who.c.unit)
