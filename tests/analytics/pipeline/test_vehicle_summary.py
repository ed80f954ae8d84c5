"""Registering vehicles, and listing who they are."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, event, func, select

from analytics.pipeline import vehicle_summary
from ingest import database, registry, schema
from ingest.registry import Registered
from tests.helpers.registry_rows import LINE, POINT, VEHICLE, write

NUMBER = 520  # more than are kept at once
UNCHANGED: Mapping[str, str] = {}


def register(
    engine: Engine, folder: Path, now_us: int, change: Mapping[str, str] = UNCHANGED, number: int = NUMBER
) -> Registered:
    """Register so many vehicles with two lines and a point greased by hand each."""
    names = [f"v{n:03d}" for n in range(number)]
    lines = [LINE | {"vehicle": name, "line": line} for name in names for line in ("1", "2")]
    points = [POINT | {"vehicle": name} for name in names]
    write(folder, [VEHICLE | {"vehicle": name, **change} for name in names], lines, points)
    with database.writing(engine) as connection:
        return vehicle_summary.register(connection, folder, now_us)


def test_many_vehicles_are_registered_changed_and_listed_as_one_is(engine: Engine, tmp_path: Path) -> None:
    """A new set-up beside the old one, or in the place of that of the same time; each vehicle has news once."""
    since = {"valid_from": "2026-03-01T00:00:00Z"}
    assert len(register(engine, tmp_path, 1_000).changed) == NUMBER
    assert not register(engine, tmp_path, 2_000).changed
    assert len(register(engine, tmp_path, 3_000, since | {"interval_min": "30"}).changed) == NUMBER
    assert len(register(engine, tmp_path, 4_000, since | {"interval_min": "40", "depot": "Mill"}).changed) == NUMBER
    with engine.connect() as connection:
        vehicles = registry.read_vehicles(connection)
        listed = connection.execute(select(schema.vehicle_summary.c.depot, func.count()).group_by("depot")).all()
        assert {row.revision for row in connection.execute(select(schema.vehicle.c.revision))} == {3}
        for table, of_each in ((schema.line, 4), (schema.hand_point, 2)):
            assert connection.scalar(select(func.count()).select_from(table)) == of_each * NUMBER
    assert len(vehicles) == NUMBER
    for vehicle in vehicles:
        assert [setup.interval_min for setup in vehicle.setups] == [20, 40]
        assert [[line.line for line in setup.lines] for setup in vehicle.setups] == [[1, 2]] * 2
        assert [len(setup.hand_points) for setup in vehicle.setups] == [1, 1]
    # What holds from March on is still to come at the beginning of 1970.
    assert listed == [("Quarry", NUMBER)]


def test_what_an_analysis_found_stays_when_a_set_up_changes(engine: Engine, tmp_path: Path) -> None:
    """Only who the vehicle is is written anew."""
    table = schema.vehicle_summary
    register(engine, tmp_path, 1_000, number=1)
    with engine.begin() as connection:
        connection.execute(table.update().values(need=0, level_pct=40.0, sold=True))
    register(engine, tmp_path, 2_000, {"unit": "renamed"}, number=1)
    with engine.connect() as connection:
        row = connection.execute(select(table.c.unit, table.c.need, table.c.level_pct, table.c.sold)).one()
    assert tuple(row) == ("renamed", 0, 40.0, True)


@pytest.mark.parametrize("change", [{}, {"interval_min": "30"}])
def test_a_large_fleet_takes_few_statements(engine: Engine, tmp_path: Path, change: dict[str, str]) -> None:
    """None for each vehicle, and none with a parameter for each of them: PostgreSQL takes 65,535."""
    told = list[tuple[int, bool]]()

    def count(_c: Any, _k: Any, _statement: str, parameters: Any, _context: Any, executemany: bool) -> None:
        told.append((0 if executemany else len(parameters), executemany))

    if change:
        register(engine, tmp_path, 1_000)
    event.listen(engine, "before_cursor_execute", count)
    done = register(engine, tmp_path, 2_000, change)
    event.remove(engine, "before_cursor_execute", count)
    assert len(done.changed) == NUMBER
    assert len(told) <= 50
    assert max(parameters for parameters, _ in told) <= 501
