"""One vehicle: its analysis, its records, its set-up."""

import traceback
from dataclasses import dataclass
from functools import lru_cache

import structlog
from sqlalchemy import Engine, func, select
from sqlalchemy.exc import DBAPIError

from analytics.pipeline.tasks import analysed, read_pasts, unanalysed
from analytics.vehicle.analysis import Result
from dashboard.queries.scope import read_vehicles, visible
from ingest import registry, remarks, schema, times
from ingest.remarks import Remark
from ingest.setups import Setup
from ingest.work import Work
from ingest.work_records import read_records, read_work

log = structlog.get_logger("tallow.vehicle")

_KEPT_RESULTS = 8


def setup(engine: Engine, fleet_name: str, vehicle: str) -> Setup | None:
    """The set-up of a vehicle; None where whoever asks sees none of that name."""
    table = schema.vehicle
    with engine.connect() as connection:
        id_ = connection.scalar(select(table.c.id).where(table.c.fleet == fleet_name, table.c.vehicle == vehicle))
        found = [] if id_ is None else read_vehicles(connection, id_)
        return found[0].in_force(times.now_us()) if found else None


_ALIKE = 200


def alike(engine: Engine, setup: Setup) -> list[Setup]:
    """Set-ups of vehicles of the same class, at most _ALIKE of them: enough to say what is usual."""
    table = schema.vehicle_summary
    chosen = table.c.vehicle_class == setup.vehicle_class, ~table.c.sold, *visible(table)
    with engine.connect() as connection:
        ids = connection.execute(
            select(table.c.vehicle_id).where(*chosen).order_by(table.c.vehicle_id).limit(_ALIKE)
        ).scalars()
        return [one.in_force(times.now_us()) for one in read_vehicles(connection, list(ids))]


def vehicle_result(engine: Engine, fleet_name: str, vehicle: str) -> Result | None:
    """The analysis of one vehicle at the present time, with its arrays; None where whoever asks sees none of that name.

    It is worked out from the messages, so that a page never shows less than is recorded; repeated only for news, when
    its kept results are made anew (its depot's calendar may have changed), or after ten minutes. Raises Unanalysed where it fails.
    """
    table, kept = schema.vehicle, schema.analysis
    with engine.connect() as connection:
        row = connection.execute(
            select(table.c.id, table.c.revision, kept.c.as_of_us)
            .outerjoin(kept, kept.c.vehicle_id == table.c.id)
            .where(table.c.fleet == fleet_name, table.c.vehicle == vehicle)
        ).one_or_none()
        if row is None or not read_vehicles(connection, row.id):
            return None
    return _analysed(engine, row.id, row.revision, row.as_of_us, times.now_us() // 600_000_000)


@lru_cache(_KEPT_RESULTS)
def _analysed(engine: Engine, vehicle_id: int, _revision: int, _kept_us: int | None, _ten_minutes: int) -> Result:
    """The analysis of a vehicle; the last three arguments say until when it holds: lists that show a newer one show no other."""
    with engine.connect() as connection:
        (found,) = registry.read_vehicles(connection, vehicle_id)
        past = read_pasts(connection, vehicle_id).get(vehicle_id)
        work = read_work(connection, vehicle_id).get(vehicle_id, ())
        try:
            (result,) = analysed(connection, found, [times.now_us()], past, work)
        except DBAPIError:
            raise
        except Exception as error:
            log.error("an analysis failed", vehicle=f"{found.fleet}/{found.name}", error=traceback.format_exc())
            raise unanalysed(found, error) from error
        return result


def looked_us(engine: Engine, fleet_name: str, vehicle: str) -> int | None:
    """Of when the kept results of a vehicle are, which lists show; None where there are none."""
    table, kept = schema.vehicle, schema.analysis
    mine = table.c.fleet == fleet_name, table.c.vehicle == vehicle
    with engine.connect() as connection:
        found: int | None = connection.scalar(
            select(kept.c.as_of_us).join(table, table.c.id == kept.c.vehicle_id).where(*mine)
        )
        return found


def news(engine: Engine, fleet_name: str, vehicle: str) -> int:
    """A number that grows with whatever is recorded of a vehicle, said of work on it, or happens to its alarms."""
    table, alarm, work, remark = schema.vehicle, schema.alarm, schema.work, schema.remark
    chosen = table.c.fleet == fleet_name, table.c.vehicle == vehicle
    steps = select(func.coalesce(func.sum(alarm.c.transitions), 0)).where(alarm.c.vehicle_id == table.c.id)
    said = select(func.count()).select_from(remark.join(work)).where(work.c.vehicle_id == table.c.id)
    with engine.connect() as connection:
        total = table.c.revision + steps.scalar_subquery() + said.scalar_subquery()
        return int(connection.scalar(select(total).where(*chosen)) or 0)


@dataclass(frozen=True)
class Record:
    """A record of work, whether it still stands, and what was said of it afterwards."""

    work: Work
    stands: bool
    remarks: tuple[Remark, ...]


def records(engine: Engine, fleet_name: str, vehicle: str) -> tuple[Record, ...]:
    """What people recorded of a vehicle, by the time of the work; nothing where whoever asks sees none of that name."""
    table = schema.vehicle
    with engine.connect() as connection:
        id_ = connection.scalar(select(table.c.id).where(table.c.fleet == fleet_name, table.c.vehicle == vehicle))
        if id_ is None or not read_vehicles(connection, id_):
            return ()
        found = read_records(connection, id_).get(id_, ())
        said = remarks.read(connection, [work.key for work, _, _ in found])
    return tuple(Record(work, stands, said.get(work.key, ())) for work, _, stands in found)
