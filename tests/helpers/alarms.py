"""A fleet whose findings a test names, and its alarms."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Connection, Engine, insert, select

from analytics.alarms import records
from analytics.findings import Finding
from analytics.kinds import ALARM_KINDS
from analytics.refills import Refill
from ingest import database, schema
from ingest.languages.saying import parts_of
from ingest.times import DAY_US
from simulators.fleet import write_registry
from tests.helpers.databases import sqlite_at
from tests.helpers.vehicles import END_H, demo, with_registry

NOW = 20_000 * DAY_US


def finding(
    kind: str, began: float = -2, ended: float | None = None, channel: str | None = None, **more: Any
) -> Finding:
    """A finding that began so many days from now."""
    values: dict[str, Any] = {"severity": ALARM_KINDS[kind].severity, "summary": kind, "evidence": {}}
    at_us = NOW + int(began * DAY_US)
    return Finding(
        kind, channel, (), at_us, at_us, None if ended is None else NOW + int(ended * DAY_US), **(values | more)
    )


REFILL = Refill(
    as_of_us=NOW, level_pct=30.0, low_mark_pct=15.0, due_early_us=None, due_expected_us=None, due_late_us=None, litres_to_full=1.4,
    cm3_per_cycle=4.0, sound_cm3_per_cycle=4.0, cycles_per_day=10.0, state="ok", reason=None,
)  # fmt: skip


@pytest.fixture
def fleet(engine: Engine, tmp_path: Path) -> Engine:
    """A database with the demo's registry, and HS-102 analysed: a line is blocked and the reservoir is low."""
    write_registry(demo(), END_H, tmp_path)
    if engine.dialect.name == "sqlite":
        engine.dispose()
        file = Path(engine.url.database or "")
        file.unlink()
        sqlite_at(file, _with_fleet).dispose()
    else:
        _with_fleet(engine)
    return engine


def _with_fleet(engine: Engine) -> None:
    with_registry(engine)
    with database.writing(engine) as connection:
        put(connection, finding("low_level"), finding("blocked_line", channel="p05"))


def vehicle_id(connection: Connection, name: str = "HS-102") -> int:
    """The number of a vehicle."""
    return int(connection.execute(select(schema.vehicle.c.id).where(schema.vehicle.c.vehicle == name)).scalar_one())


def all_analysed(connection: Connection, at_us: int) -> None:
    """Every vehicle has results of a time."""
    unknown = replace(REFILL, level_pct=None, litres_to_full=None, state="unknown", reason="x")
    known = set(connection.execute(select(schema.analysis.c.vehicle_id)).scalars())
    for id_ in set(connection.execute(select(schema.vehicle.c.id)).scalars()) - known:
        values = {"as_of_us": at_us, "revision": 0, "refill": unknown.to_row(), "notes": []}
        connection.execute(insert(schema.analysis).values(vehicle_id=id_, **values))
    connection.execute(schema.analysis.update().values(as_of_us=at_us))


def put(connection: Connection, *found: Finding, name: str = "HS-102") -> None:
    """Make these the newest findings of a vehicle."""
    id_ = vehicle_id(connection, name)
    connection.execute(schema.finding.delete().where(schema.finding.c.vehicle_id == id_))
    if connection.scalar(select(schema.analysis.c.vehicle_id).where(schema.analysis.c.vehicle_id == id_)) is None:
        unknown = replace(REFILL, level_pct=None, litres_to_full=None, state="unknown", reason="x")
        connection.execute(
            insert(schema.analysis).values(
                vehicle_id=id_, as_of_us=NOW, revision=0, refill=unknown.to_row(), notes=[],
            )
        )  # fmt: skip
    for f in found:
        values = {"lines": list(f.lines), "evidence": dict(f.evidence), "said": parts_of(f.summary)}
        names = ("kind", "channel", "began_us", "detected_us", "ended_us", "severity", "summary")
        connection.execute(insert(schema.finding).values(vehicle_id=id_, **{n: getattr(f, n) for n in names}, **values))


def bring_up(engine: Engine, days: float = 0) -> int:
    """A pass over HS-102."""
    with database.writing(engine) as connection:
        return records.bring_up(connection, vehicle_id(connection), NOW + int(days * DAY_US))
