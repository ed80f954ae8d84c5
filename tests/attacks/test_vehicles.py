"""Whatever can be recorded of a vehicle is analysed and kept: one whose analysis raises shows what was true once."""

import tempfile
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import fields, is_dataclass
from math import isfinite
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine

from analytics.pipeline import results
from analytics.pipeline.tasks import outcome_of, tasks_of
from ingest import database, registry, work_records
from ingest.errors import Problem
from ingest.recorder import Recorder
from ingest.work import work_of
from tests.helpers.databases import sqlite_at
from tests.helpers.odd_vehicles import NOW_US, odd_vehicle


@pytest.fixture
def engine() -> Iterator[Engine]:
    """One database for all tries: they are sisters."""
    with tempfile.TemporaryDirectory() as folder:
        made = sqlite_at(Path(folder) / "tallow.db")
        yield made
        made.dispose()


def unsaid(value: Any, where: str = "") -> Iterator[str]:
    """Where an answer holds what is no number: what is not known is None."""
    if isinstance(value, float) and not isfinite(value):
        yield where
    elif is_dataclass(value):
        for field in fields(value):
            yield from unsaid(getattr(value, field.name), f"{where}.{field.name}")
    elif isinstance(value, (list, tuple, dict)):
        for one in value.values() if isinstance(value, dict) else value:
            yield from unsaid(one, where)


def is_analysed(engine: Engine, seed: int) -> None:
    """The vehicle of a number, as far as it can be recorded, has an outcome that can be kept."""
    name = f"v{seed}"
    odd = odd_vehicle(seed, name)
    with database.writing(engine) as connection:
        for setup in odd.setups:
            registry.keep(connection, [setup], setup.registered_us or NOW_US)
        vehicle = registry.find(connection, f"f/{name}")
    Recorder(engine, "test").record(odd.sent)
    for said in odd.work:
        with suppress(Problem), database.writing(engine) as connection:
            vehicle = registry.find(connection, f"f/{name}")
            work_records.record(connection, vehicle.id, vehicle.setups, work_of(said), NOW_US, above_full=True)
    with engine.connect() as connection:
        (task,) = tasks_of(connection, database.address(engine), odd.as_of_us, [vehicle.id])
    outcome = outcome_of(task)
    assert list(unsaid(outcome)) == []
    with database.writing(engine) as connection:
        results.keep(connection, outcome)


@settings(max_examples=8, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.integers(0, 2**32))
def test_any_vehicle_is_analysed(engine: Engine, seed: int) -> None:
    """Some of them."""
    is_analysed(engine, seed)


@pytest.mark.long
@settings(max_examples=1500, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.integers(0, 2**32))
def test_any_of_many_vehicles_is_analysed(engine: Engine, seed: int) -> None:
    """The same, many times."""
    is_analysed(engine, seed)
