"""The refill round of a depot."""

from dataclasses import dataclass
from datetime import date, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy import Engine, select

from analytics.findings import Finding, from_row, urgency
from analytics.planning.rounds import Visit, plan, refill_need
from analytics.vehicle.refill import Refill
from dashboard.queries.scope import read_vehicles, vehicles_at
from ingest import schema, times
from ingest.times import instant
from ingest.work_records import read_work


@dataclass(frozen=True)
class Round:
    """Visits to a depot within a horizon; `today` is the depot's, `undated` vehicles have no refill date."""

    depot: str
    today: date
    visits: tuple[Visit, ...]
    beside: dict[tuple[str, str], tuple[Finding, ...]]  # (fleet, vehicle) -> what else is open there
    undated: tuple[str, ...]


def read_round(
    engine: Engine, depot: str, horizon_days: int, limit: int | None, worth: float, workdays: frozenset[int], at_us: int
) -> Round:
    """The refill round of a depot by the newest analysis. Raises ValueError where the limit leaves somebody out."""
    analysis, finding = schema.analysis, schema.finding
    with engine.connect() as connection:
        mine = {
            one.id: one.in_force(times.now_us()) for one in read_vehicles(connection, vehicles_at(connection, depot))
        }
        refills = connection.execute(
            select(analysis.c.vehicle_id, analysis.c.refill, analysis.c.as_of_us).where(
                analysis.c.vehicle_id.in_(list(mine))
            )
        ).all()
        done = read_work(connection, list(mine))
        rows = connection.execute(
            select(finding).where(finding.c.vehicle_id.in_(list(mine)), finding.c.ended_us.is_(None))
        ).mappings()
        open_: dict[tuple[str, str], list[Finding]] = {}
        for row in rows:
            if row["kind"] != "low_level":  # the visit itself
                its = mine[row["vehicle_id"]]
                open_.setdefault((its.fleet, its.vehicle), []).append(from_row(row))
    wanted, undated = [], []
    for id_, kept, seen_us in refills:
        refill = Refill.from_row(kept)
        if any(work.kind == "filled" and work.at_us > seen_us for work in done.get(id_, ())):
            continue  # ticked off since
        need = refill_need(refill, mine[id_], at_us)
        if need is None and refill.state == "unknown":
            undated.append(mine[id_].unit)
        elif need is not None and need.early_days <= horizon_days:
            wanted.append(need)
    zone = ZoneInfo(next(iter(mine.values())).timezone) if mine else ZoneInfo("UTC")
    today = instant(at_us).astimezone(zone).date()
    visits = plan(wanted, worth, limit, lambda day: (today + timedelta(days=day)).weekday() in workdays)
    return Round(
        depot,
        today,
        tuple(visits),
        {who: tuple(sorted(found, key=urgency)) for who, found in open_.items()},
        tuple(sorted(undated)),
    )
