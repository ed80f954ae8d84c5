"""Whether the results that are kept are the answer to a question, and reading them: then nobody has to analyse anything."""

from functools import cache
from importlib.metadata import version

from sqlalchemy import Connection, and_, func, select

from analytics.fills import Fill
from analytics.findings import Finding, from_row
from analytics.refills import Refill
from ingest import schema


@cache
def program() -> str:
    """The version of this program."""
    return version("tallow")


def fleet_revision(connection: Connection) -> int:
    """A number that grows with whatever is recorded of any vehicle."""
    return int(connection.scalar(select(func.sum(schema.vehicle.c.revision))) or 0)


def count_current(connection: Connection, as_of_us: int) -> int | None:
    """How many vehicles are registered, where the results kept of all of them are as of that time, made by this version of the program,
    and have seen all that is recorded of every vehicle; None where those of any are not, or where no vehicle is
    registered and messages of some time are no longer kept in full."""
    setup, vehicle, analysis = schema.setup, schema.vehicle, schema.analysis
    current = (
        analysis.c.vehicle_id == vehicle.c.id,
        analysis.c.as_of_us == as_of_us,
        analysis.c.revision == vehicle.c.revision,
        analysis.c.fleet_revision == fleet_revision(connection),
        analysis.c.made_by == program(),
    )
    registered, found = connection.execute(
        select(func.count(vehicle.c.id), func.count(analysis.c.vehicle_id))
        .select_from(vehicle)
        .outerjoin(analysis, and_(*current))
        .where(select(setup.c.id).where(setup.c.vehicle_id == vehicle.c.id).exists())
    ).one()
    if not registered and connection.execute(select(schema.archive.c.vehicle_id).limit(1)).first() is not None:
        return None
    return int(registered) if registered == found else None


def read_refills(connection: Connection) -> list[tuple[str, str, str, Refill]]:
    """(fleet, vehicle, timezone, refill forecast) of all that are kept."""
    summary, analysis = schema.vehicle_summary, schema.analysis
    rows = connection.execute(
        select(summary.c.fleet, summary.c.vehicle, summary.c.timezone, analysis.c.refill)
        .join(analysis, analysis.c.vehicle_id == summary.c.vehicle_id)
        .order_by(summary.c.fleet, summary.c.vehicle)
    )
    return [(fleet, vehicle, zone, Refill.from_row(row)) for fleet, vehicle, zone, row in rows]


def read_fills(connection: Connection) -> list[tuple[str, str, str, Fill]] | None:
    """(fleet, vehicle, timezone, fill) of all that are kept; None where those of any vehicle are not."""
    summary, analysis = schema.vehicle_summary, schema.analysis
    rows = connection.execute(
        select(summary.c.fleet, summary.c.vehicle, summary.c.timezone, analysis.c.fills)
        .join(analysis, analysis.c.vehicle_id == summary.c.vehicle_id)
        .order_by(summary.c.fleet, summary.c.vehicle)
    ).all()
    if any(row.fills is None for row in rows):
        return None
    return [(row.fleet, row.vehicle, row.timezone, Fill(**fill)) for row in rows for fill in row.fills]


def read_findings(connection: Connection) -> list[tuple[str, str, Finding]]:
    """(fleet, vehicle, finding) of all that are kept, as an analysis gives them."""
    finding, vehicle = schema.finding, schema.vehicle
    names = (
        "kind",
        "channel",
        "lines",
        "began_us",
        "detected_us",
        "ended_us",
        "severity",
        "summary",
        "said",
        "evidence",
    )
    rows = connection.execute(
        select(vehicle.c.fleet, vehicle.c.vehicle, *(finding.c[name] for name in names))
        .join(vehicle, vehicle.c.id == finding.c.vehicle_id)
        .order_by(vehicle.c.fleet, vehicle.c.vehicle, finding.c.id)
    )
    return [(row["fleet"], row["vehicle"], from_row(row)) for row in rows.mappings()]
