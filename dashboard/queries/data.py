"""Whether the data can be trusted."""

from dataclasses import dataclass
from typing import Any, NamedTuple

from sqlalchemy import Engine, Text, cast, func, select
from sqlalchemy.exc import DBAPIError

from analytics.findings import Finding, from_row
from analytics.kinds import DATA_KINDS
from dashboard.queries.scope import count_unregistered, visible
from ingest import quarantine, schema, times, totals
from ingest.languages.saying import of_json
from ingest.rivals import Rival, rivals


class Who(NamedTuple):
    """A vehicle as lists name it."""

    fleet: str
    vehicle: str
    unit: str
    depot: str


@dataclass(frozen=True)
class DataState:
    """Whether the data can be trusted: what was recorded and when, when each recorder last committed and which of them others of their
    name fight, when the watch last looked, refusals by reason, findings and notes about the data by vehicle, and how past refill dates
    held (None: nobody has looked yet)."""

    recorded: int
    duplicates: int
    newest_us: int | None
    unregistered: int
    recorders: dict[str, int]
    rivals: dict[str, Rival]
    looked_us: int | None
    refused: list[tuple[str, int, int]]
    findings: list[tuple[Who, Finding]]
    notes: list[tuple[Who, str]]
    backtest: dict[str, Any] | None
    backtest_us: int | None


MOST_LISTED = 200  # vehicles of each list


def data_state(engine: Engine) -> DataState:
    """What the *Data* page shows; nothing of it is counted message by message."""
    analysis, finding, looked, intake = schema.analysis, schema.finding, schema.backtest, schema.recorder_stats
    table = schema.vehicle_summary
    named = (table.c.fleet, table.c.vehicle, table.c.unit, table.c.depot)
    with engine.connect() as connection:
        found: list[tuple[Who, Finding]] = []
        for kind in DATA_KINDS:
            rows = connection.execute(
                select(finding, *(column.label(f"who_{column.name}") for column in named))
                .join(table, table.c.vehicle_id == finding.c.vehicle_id)
                .where(finding.c.ended_us.is_(None), finding.c.kind == kind, ~table.c.sold, *visible(table))
                .order_by(finding.c.began_us)
                .limit(MOST_LISTED)
            ).mappings()
            found += [(Who(*(row[f"who_{name}"] for name in Who._fields)), from_row(row)) for row in rows]
        noted = connection.execute(
            select(*named, analysis.c.notes)
            .join(analysis, analysis.c.vehicle_id == table.c.vehicle_id)
            .where(cast(analysis.c.notes, Text) != "[]", ~table.c.sold, *visible(table))
            .limit(MOST_LISTED)
        ).all()
        told = connection.execute(select(looked).order_by(looked.c.made_us.desc()).limit(1)).one_or_none()
        recorded, duplicates = connection.execute(
            select(func.coalesce(func.sum(intake.c.recorded), 0), func.coalesce(func.sum(intake.c.duplicates), 0))
        ).one()
        return DataState(
            int(recorded), int(duplicates), totals.newest_at_us(connection) or None, count_unregistered(connection),
            totals.recorders(connection), rivals(connection, times.now_us()),
            connection.scalar(select(func.max(analysis.c.as_of_us))), quarantine.counts(connection), found,
            [(Who(*row[:4]), of_json(note) or "") for row in noted for note in row.notes],
            None if told is None else told.detail, None if told is None else told.made_us,
        )  # fmt: skip


def alive(engine: Engine) -> dict[str, Any]:
    """Seconds since a recorder last committed and since the watch last looked; None before the first."""
    now = times.now_us()
    try:
        with engine.connect() as connection:
            recorded_us = max(totals.recorders(connection).values(), default=None)
            looked_us = connection.scalar(select(func.max(schema.analysis.c.as_of_us)))
    except DBAPIError:
        return {"alive": False}
    ages = {"recorded_s": recorded_us, "looked_s": looked_us}
    return {"alive": True} | {name: None if us is None else max(0, now - us) / 1e6 for name, us in ages.items()}
