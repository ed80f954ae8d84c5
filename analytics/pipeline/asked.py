"""What was answered to questions of some time, kept so that the next command that asks of that time need not analyse anew."""

from collections.abc import Collection
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Final

from sqlalchemy import Connection, Engine, delete, func, insert, select
from sqlalchemy.exc import DBAPIError

from analytics.fills import Fill
from analytics.findings import Finding
from analytics.pipeline.kept import fleet_revision, program
from analytics.refills import Refill
from ingest import schema
from ingest.database import writing

if TYPE_CHECKING:
    from analytics.pipeline.tasks import Outcome

_MOST_TIMES: Final = 60  # asked of that are kept: one a week for a year
_MOST_ROWS: Final = 50_000  # vehicles of all of them


@dataclass(frozen=True)
class Answer:
    """What an analysis says of one vehicle, as commands print it."""

    fleet: str
    vehicle: str
    timezone: str
    findings: tuple[Finding, ...]
    refill: Refill
    fills: tuple[Fill, ...]

    def as_json(self) -> dict[str, Any]:
        """As it is kept."""
        return {
            "fleet": self.fleet,
            "vehicle": self.vehicle,
            "timezone": self.timezone,
            "findings": [asdict(finding) for finding in self.findings],
            "refill": self.refill.to_row(),
            "fills": [asdict(fill) for fill in self.fills],
        }


def from_json(kept: Any) -> Answer:
    """What `as_json` wrote."""
    findings = (Finding(**{**one, "lines": tuple(one["lines"])}) for one in kept["findings"])
    fills = tuple(Fill(**fill) for fill in kept["fills"])
    refill = Refill.from_row(kept["refill"])
    return Answer(kept["fleet"], kept["vehicle"], kept["timezone"], tuple(findings), refill, fills)


def answer_of(outcome: "Outcome") -> Answer:
    """What is printed of an outcome."""
    setup = outcome.setup
    return Answer(setup.fleet, setup.vehicle, setup.timezone, outcome.findings, outcome.refill, outcome.fills)


def read(connection: Connection, as_of_us: int) -> list[Answer] | None:
    """The answers of that time, by fleet and vehicle; None where they are not kept, or where anything was recorded since."""
    table, setup = schema.asked, schema.setup
    still = (
        table.c.as_of_us == as_of_us,
        table.c.fleet_revision == fleet_revision(connection),
        table.c.made_by == program(),
    )
    rows = connection.execute(select(table.c.answer).where(*still).order_by(table.c.place)).scalars().all()
    registered = connection.scalar(select(func.count(setup.c.vehicle_id.distinct())))
    return [from_json(row) for row in rows] if rows and len(rows) == registered else None


def keep(engine: Engine, as_of_us: int, outcomes: "Collection[Outcome]") -> None:
    """Keep the answers of a time, in place of the oldest where there are too many. Of a database in which nothing may be written they
    are not kept."""
    from analytics.pipeline import checkpoints  # here, since it loads what only an analysis needs

    table = schema.asked
    rows = [
        {
            "as_of_us": as_of_us, "place": place, "answer": answer_of(one).as_json(), "fleet_revision": one.fleet_revision,
            "made_by": program(),
        }
        for place, one in enumerate(outcomes)
    ]  # fmt: skip
    if not 0 < len(rows) <= _MOST_ROWS:
        return
    try:
        with writing(engine) as connection:
            connection.execute(delete(table).where(table.c.as_of_us == as_of_us))
            newer = func.max(table.c.fleet_revision).desc(), table.c.as_of_us.desc()
            times = connection.execute(
                select(table.c.as_of_us, func.count()).group_by(table.c.as_of_us).order_by(*newer)
            ).all()
            left, old = _MOST_ROWS - len(rows), list[int]()
            for n, (at_us, number) in enumerate(times):
                left -= number
                if left < 0 or n >= _MOST_TIMES - 1:
                    old.append(at_us)
            connection.execute(delete(table).where(table.c.as_of_us.in_(old)))
            connection.execute(insert(table), rows)
            for one in outcomes:
                checkpoints.add(connection, one.vehicle_id, one.checkpoints or ())
    except DBAPIError:
        return
