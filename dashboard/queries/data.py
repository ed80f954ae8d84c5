"""Whether the data can be trusted."""

from dataclasses import dataclass
from typing import Any, NamedTuple

from sqlalchemy import Engine, Text, cast, func, select
from sqlalchemy.exc import DBAPIError

from analytics.findings import Finding, from_row
from analytics.kinds import DATA_KINDS
from dashboard.queries.scope import EVERYTHING, Scope, count_unregistered, within
from ingest import listening, quarantine, schema, times, totals
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
    name fight, when the watch last looked, refusals by reason, findings and notes about the data by vehicle, how past refill dates
    held (None: nobody has looked yet), how many findings of each kind and vehicles with notes there are, listed or not, and whether an
    ingester is known to listen."""

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
    numbers: dict[str, int]
    noted: int
    listened: bool


MOST_LISTED = 200  # vehicles of each list


def data_state(engine: Engine, most: int | None = MOST_LISTED, scope: Scope = EVERYTHING) -> DataState:
    """What the *Data* page shows, with so many vehicles of a scope in each list (None: all); nothing of it is counted message by message.
    What comes in and how past dates held are of all."""
    analysis, finding, looked, intake = schema.analysis, schema.finding, schema.backtest, schema.recorder_stats
    table = schema.vehicle_summary
    named = (table.c.fleet, table.c.vehicle, table.c.unit, table.c.depot)
    with engine.connect() as connection:
        mine = ~table.c.sold, *within(table, scope)
        found: list[tuple[Who, Finding]] = []
        counted = connection.execute(
            select(finding.c.kind, func.count())
            .join(table, table.c.vehicle_id == finding.c.vehicle_id)
            .where(finding.c.ended_us.is_(None), finding.c.kind.in_(DATA_KINDS), *mine)
            .group_by(finding.c.kind)
        )
        numbers: dict[str, int] = dict.fromkeys(DATA_KINDS, 0) | dict(counted.all())
        for kind in DATA_KINDS:
            rows = connection.execute(
                select(finding, *(column.label(f"who_{column.name}") for column in named))
                .join(table, table.c.vehicle_id == finding.c.vehicle_id)
                .where(finding.c.ended_us.is_(None), finding.c.kind == kind, *mine)
                .order_by(finding.c.began_us)
                .limit(most)
            ).mappings()
            found += [(Who(*(row[f"who_{name}"] for name in Who._fields)), from_row(row)) for row in rows]
        with_notes = (
            select(*named, analysis.c.notes)
            .join(analysis, analysis.c.vehicle_id == table.c.vehicle_id)
            .where(cast(analysis.c.notes, Text) != "[]", *mine)
        )
        noted = connection.execute(with_notes.order_by(table.c.fleet, table.c.vehicle).limit(most)).all()
        of_noted = connection.scalar(with_notes.with_only_columns(func.count())) or 0
        told = connection.execute(select(looked).order_by(looked.c.made_us.desc()).limit(1)).one_or_none()
        recorded, duplicates = connection.execute(
            select(func.coalesce(func.sum(intake.c.recorded), 0), func.coalesce(func.sum(intake.c.duplicates), 0))
        ).one()
        return DataState(
            int(recorded), int(duplicates), totals.newest_at_us(connection) or None, count_unregistered(connection),
            totals.recorders(connection), rivals(connection, times.now_us()),
            connection.scalar(select(func.max(analysis.c.as_of_us))), quarantine.counts(connection), found,
            [(Who(*row[:4]), of_json(note) or "") for row in noted for note in row.notes],
            None if told is None else told.detail, None if told is None else told.made_us, numbers, of_noted,
            listening.is_listened(connection),
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
