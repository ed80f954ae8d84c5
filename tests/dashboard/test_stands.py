"""Who stands at a depot joins its rounds, where somebody asked for that."""

import importlib
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, select

from analytics.alarms import depots
from dashboard.accounts import Person, acting_as
from dashboard.queries.rounds import due_by_depot, read_round
from dashboard.queries.scope import EVERYTHING
from dashboard.web.app import create_app
from ingest import database, schema, stands
from ingest.errors import Problem
from ingest.formats.iso15143 import Seen
from ingest.times import DAY_US, HOUR_US
from tests.helpers.alarms import NOW, fleet, vehicle_id

__all__ = ["fleet"]

HOME, AWAY = "Skarvholm Quarry", "Estuary Wharf"
WHARF = (60.3913, 5.3221)
DAYS = frozenset(range(5))


@pytest.fixture
def database_url(tmp_path: Path) -> str:
    """One kind of database is enough here."""
    return f"sqlite:///{tmp_path / 'tallow.db'}"


@pytest.fixture
def due(fleet: Engine) -> Engine:
    """HS-102 asks for a fill within days."""
    with database.writing(fleet) as connection:
        id_ = vehicle_id(connection)
        kept = dict(
            connection.scalar(select(schema.analysis.c.refill).where(schema.analysis.c.vehicle_id == id_)) or {}
        )
        kept |= {
            "level_pct": 20.0,
            "litres_to_full": 1.6,
            "state": "soon",
            "reason": None,
            "cm3_per_cycle": 4.0,
            "cycles_per_day": 10.0,
        }
        kept |= {
            name: NOW + days * DAY_US
            for name, days in (("due_early_us", 2), ("due_expected_us", 4), ("due_late_us", 6))
        }
        connection.execute(schema.analysis.update().where(schema.analysis.c.vehicle_id == id_).values(refill=kept))
        who = schema.vehicle_summary
        connection.execute(who.update().where(who.c.vehicle_id == id_).values(due_early_us=NOW + 2 * DAY_US))
    return fleet


def visited(engine: Engine, depot: str) -> list[str]:
    """The vehicles of a depot's round."""
    told = read_round(engine, depot, 28, None, 0.4, DAYS, NOW)
    return [stop.need.vehicle for visit in told.visits for stop in visit.stops]


def see(engine: Engine, *hours: float) -> None:
    """HS-102 is seen at the wharf."""
    with database.writing(engine) as connection:
        stands.note(
            connection, [Seen("harrowmere-stone", "HS-102", NOW + int(h * HOUR_US), *WHARF) for h in hours], NOW
        )


def want(engine: Engine, position: str) -> None:
    """Say where the wharf is."""
    with database.writing(engine) as connection:
        depots.keep_depot(connection, depots.wished(depots.depot(connection, AWAY), None, None, None, None, position))


def test_a_vehicle_is_filled_where_it_stands(due: Engine) -> None:
    """Off by default; who drives past is no guest; the round says whose it is; it ends with the wish, or two weeks later."""
    see(due, -9, -5)
    assert (visited(due, HOME), visited(due, AWAY)) == (["HS-102"], [])
    want(due, f"{WHARF[0]},{WHARF[1]},300")
    see(due, -4)
    assert (visited(due, HOME), visited(due, AWAY)) == (["HS-102"], [])
    see(due, -1)
    assert (visited(due, HOME), visited(due, AWAY)) == ([], ["HS-102"])
    told = read_round(due, AWAY, 28, None, 0.4, DAYS, NOW)
    assert told.visiting == {("harrowmere-stone", "HS-102"): HOME}
    counts = {one.depot: one.in_7_days for one in due_by_depot(due, EVERYTHING, NOW)}
    assert (counts.get(AWAY), counts[HOME]) == (1, 0)
    later = {one.depot: one.in_7_days for one in due_by_depot(due, EVERYTHING, NOW + 15 * DAY_US)}
    assert later[HOME] >= 1
    with acting_as(Person(7, "neighbour", "technician", depots=(AWAY,))):
        assert visited(due, AWAY) == []  # whose vehicle it is does not change with where it stands
    want(due, "none")
    assert (visited(due, HOME), visited(due, AWAY)) == (["HS-102"], [])
    with due.connect() as connection:
        assert AWAY not in connection.execute(select(schema.stood.c.depot)).scalars().all()


@pytest.mark.parametrize(
    ("said", "why"),
    [("here", "is no position"), ("1", "is no position"), ("91,0", "latitude"), ("0,181", "latitude"), ("0,0,10", "radius"),
     ("0,0,9e9", "radius"),
     ("1,2,3,4", "is no position"), ("nan,0", "is no position")],
)  # fmt: skip
def test_a_position_that_is_none_is_one_clear_line(engine: Engine, said: str, why: str) -> None:
    """Nothing is kept."""
    with pytest.raises(Problem, match=why):
        want(engine, said)


@pytest.fixture
def page(due: Engine) -> Iterator[Any]:
    """The page of rounds."""
    with create_app(due).server.app_context():
        yield importlib.import_module("dashboard.pages.rounds")


def test_the_page_says_whose_it_is(due: Engine, page: Any) -> None:
    """Below its name."""
    want(due, f"{WHARF[0]},{WHARF[1]}")
    see(due, -4, -1)
    told = page.body(read_round(due, AWAY, 28, None, 0.4, DAYS, NOW), 28)
    assert f"of {HOME}, stands here" in json.dumps(told, default=lambda one: one.to_plotly_json())
