"""Analysing a database: results are kept as a whole, and only what has news is looked at again."""

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from sqlalchemy import Engine, select

from analytics.pipeline import results, vehicle_summary
from analytics.pipeline.results import Wanting
from analytics.pipeline.workers import Workers
from dashboard.accounts import OPERATOR, acting_as
from dashboard.queries import fleet, vehicle
from ingest import database, schema
from ingest.recorder import Recorder
from simulators.fleet import write_registry
from simulators.scenario import Trouble
from tests.helpers.vehicles import END_H, END_US, arrivals, demo


def analyse(engine: Engine, as_of_us: int, stale_us: int | None = None) -> int:
    pool, wanting = Workers(lambda: ThreadPoolExecutor(1)), None if stale_us is None else Wanting(stale_us)
    return len(list(results.renew(engine, lambda: as_of_us, pool, lambda done, of: None, wanting)))


@pytest.mark.usefixtures("in_this_process")
def test_results_are_kept_and_replaced(engine: Engine, tmp_path: Path) -> None:
    """On both databases: findings, forecast, fills and days of each vehicle; made new without remains."""
    write_registry(demo(), END_H, tmp_path)
    with database.writing(engine) as connection:
        vehicle_summary.register(connection, tmp_path, 0)
    everything = arrivals("HS-101", (Trouble("blocked_line", 12, None, line=5, ratio=4.0),), days=30)
    Recorder(engine, "test").record(everything[:-5])
    assert analyse(engine, END_US - 20 * 86_400_000_000) == 25
    assert analyse(engine, END_US) == 25
    with engine.connect() as connection:
        kinds = connection.execute(select(schema.finding.c.kind)).scalars().all()
        assert sorted(kinds) == ["blocked_line", *["silent"] * 24]  # the others were never heard
        assert len(connection.execute(select(schema.analysis)).all()) == 25
    with acting_as(OPERATOR):
        (row, *_) = fleet.fleet(engine).rows
        result = vehicle.vehicle_result(engine, "harrowmere-stone", "HS-101")
    assert (row.vehicle, row.need) == ("HS-101", "act_now")
    assert result is not None
    assert result.findings[0].kind == "blocked_line"

    hour_us = 3_600_000_000
    assert analyse(engine, END_US + 1, stale_us=hour_us) == 0
    Recorder(engine, "test").record(everything[-5:])
    assert analyse(engine, END_US + 2, stale_us=hour_us) == 1
    assert analyse(engine, END_US + 2 * hour_us, stale_us=hour_us) == 25
