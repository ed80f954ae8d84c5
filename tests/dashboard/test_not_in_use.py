"""Vehicles that are laid up, in the workshop or sold: found again by whoever recorded that by mistake."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from msgspec import structs
from sqlalchemy import Engine, select

from analytics.pipeline import results, vehicle_summary
from analytics.pipeline.workers import workers
from dashboard.accounts import Person, acting_as
from dashboard.queries import fleet, frame
from dashboard.queries.scope import Scope
from dashboard.queries.work import away
from dashboard.web.app import create_app
from ingest import registry, schema, times, work, work_records
from ingest.database import writing
from ingest.times import HOUR_US
from tests.dashboard.test_command import tallow
from tests.dashboard.test_pages import page
from tests.helpers.databases import sqlite_at
from tests.helpers.vehicles import END_US, with_registry

RECORDED = (
    ("HS-101", "sold"),
    ("HS-102", "laid_up"),
    ("HS-103", "in_workshop"),
    ("HS-104", "sold"),
    ("HS-104", "back"),
)


@pytest.fixture
def recorded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Engine]:
    """The demo's fleet registered, one vehicle of it sold by record, one laid up, one in the workshop, and one back again."""
    monkeypatch.setattr(times, "now_us", lambda: END_US)
    engine = sqlite_at(tmp_path / "tallow.db", with_registry)
    with writing(engine) as connection:
        for n, (name, kind) in enumerate(RECORDED):
            found = registry.find(connection, name)
            said = {"key": f"k{n}", "kind": kind, "at_us": END_US - (9 - n) * HOUR_US, "by": "R. Tarvolen"}
            work_records.record(connection, found.id, found.setups, work.work_of(said), END_US)
    with workers(1) as pool:
        list(results.renew(engine, lambda: END_US, pool, lambda done, of: None))
    yield engine
    engine.dispose()


def test_one_that_is_sold_is_found_again(recorded: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    """No list has it, but the one of those that are not in use, the search by its name, and the command; the way back is said."""
    monkeypatch.setattr(times, "now_us", lambda: END_US)
    assert "HS-101" not in {row.vehicle for row in fleet.fleet(recorded).rows}
    assert [(one.vehicle, one.work.kind) for one in away(recorded)] == [
        ("HS-103", "in_workshop"), ("HS-102", "laid_up"), ("HS-101", "sold"),
    ]  # fmt: skip
    assert ("HS-101", True) in {(one[1], one[4]) for one in frame.find(recorded, "101").vehicles}
    assert frame.find(recorded, "101").matching == 0
    client = create_app(recorded).server.test_client()
    shown = page(client, "/work")
    assert "3 vehicles are not in use" in shown
    assert "/vehicle/harrowmere-stone/HS-101#work" in shown
    assert "Back in use" in page(client, "/vehicle/harrowmere-stone/HS-101")
    told = tallow("work", "--away", database=str(recorded.url))
    assert "harrowmere-stone/HS-101  tipper 101, Skarvholm Quarry: Sold, " in told.stdout
    assert "HS-104" not in told.stdout
    assert "tallow work VEHICLE back --by NAME" in told.stdout


def test_registering_it_anew_does_not_take_it_back(recorded: Engine) -> None:
    """A fleet's sheet may hold those that are sold: until somebody records that it is back no list has it, at once as later."""
    with writing(recorded) as connection:
        for name in ("HS-101", "HS-104"):
            newest = registry.find(connection, name).newest
            moved = structs.replace(newest, depot="Elsewhere", valid_from_us=END_US)
            vehicle_summary.keep(connection, [moved], END_US)
    listed = {row.vehicle: row.depot for row in fleet.fleet(recorded).rows}
    assert "HS-101" not in listed
    assert listed["HS-104"] == "Elsewhere"


def test_it_is_taken_back(recorded: Engine) -> None:
    """By a record that it is in use, or by withdrawing the one that was wrong."""
    url = str(recorded.url)
    assert tallow("work", "HS-101", "back", "--by", "R. Tarvolen", database=url).returncode == 0
    assert tallow("work", "HS-102", "--withdraw", "k1", "--by", "R. Tarvolen", database=url).returncode == 0
    assert {one.vehicle for one in away(recorded)} == {"HS-103"}


def test_nobody_is_shown_others(recorded: Engine) -> None:
    """Of a depot, to who sees that depot."""
    with recorded.connect() as connection:
        depots = set(connection.execute(select(schema.vehicle_summary.c.depot)).scalars())
    assert away(recorded, Scope(depot="Skarvholm Quarry"))
    (other, *_) = sorted(depots - {"Skarvholm Quarry"})
    with acting_as(Person(7, "R. Tarvolen", "viewer", (), (other,))):
        assert not {one.vehicle for one in away(recorded)} & {"HS-101", "HS-102", "HS-103"}


@pytest.mark.parametrize("asked", [["work"], ["work", "HS-101", "--away"]])
def test_the_command_asks_for_one_or_the_list(recorded: Engine, asked: list[str]) -> None:
    """One clear line."""
    told = tallow(*asked, database=str(recorded.url))
    assert (told.returncode, told.stderr) == (1, "tallow: name one vehicle, or none with --away\n")
