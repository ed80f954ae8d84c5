"""Work that was done, recorded and read."""

from typing import Any

import msgspec

from dashboard import accounts
from dashboard.api import shapes
from dashboard.api.part import Part
from dashboard.api.shapes import refuse
from dashboard.queries.vehicle import records
from dashboard.queries.vehicle import setup as setup_of
from dashboard.web.database import engine
from ingest import registry, times, work_records
from ingest.database import reachable, writing
from ingest.errors import Problem, Unusable
from ingest.work import Work, work_of

work = Part("work", __name__, description="Work that was done")


@work.get("/vehicles/<fleet>/<vehicle>/work")
@work.response(200, shapes.Work(many=True))
def get_work(fleet: str, vehicle: str) -> list[dict[str, Any]]:
    """What was recorded of a vehicle, by the time of the work; what does not stand any more included."""
    _need_seen(fleet, vehicle)
    return [_told(kept.work, stands=kept.stands) for kept in records(engine(), fleet, vehicle)]


@work.post("/vehicles/<fleet>/<vehicle>/work")
@work.arguments(shapes.Work)
@work.response(201, shapes.Work)
def post_work(said: dict[str, Any], fleet: str, vehicle: str) -> dict[str, Any]:
    """Record work, in the name of the person for whom the program acts; the same record again is recorded once."""
    person = accounts.need("technician")
    _need_seen(fleet, vehicle)
    above_full, about = said.pop("above_full"), said.pop("about", None)
    if about:
        said["about"] = about | {"began_us": times.microseconds(about.pop("began_at"))}
    try:
        one = work_of(said | {"by": person.name, "at_us": times.microseconds(said.pop("at"))})
        with reachable(engine()), writing(engine()) as connection:
            found = registry.find(connection, f"{fleet}/{vehicle}")
            work_records.record(connection, found.id, found.setups, one, times.now_us(), above_full=above_full)
    except Unusable:
        raise
    except Problem as problem:
        refuse(422, f"{problem}")
    return _told(one, stands=not one.withdrawn)


def _need_seen(fleet: str, vehicle: str) -> None:
    if setup_of(engine(), fleet, vehicle) is None:
        refuse(404, registry.unknown(f"{fleet}/{vehicle}"))


def _told(one: Work, *, stands: bool) -> dict[str, Any]:
    values: dict[str, Any] = msgspec.structs.asdict(one)
    if one.about is not None:
        values["about"] = msgspec.structs.asdict(one.about) | {"began_at": times.instant(one.about.began_us)}
    return values | {"at": times.instant(values.pop("at_us")), "stands": stands}
