"""Parts to have and how long things last, as people and programs read it."""

import importlib
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from plotly.utils import PlotlyJSONEncoder
from sqlalchemy import Engine, insert, update

from analytics.account.lives import FAILURES
from analytics.pipeline import vehicle_summary
from dashboard.accounts import Person, acting_as
from dashboard.exports import parts as words
from dashboard.figures import theme
from dashboard.queries.lives import lasting, read_lives
from dashboard.queries.scope import Scope
from dashboard.web.app import create_app
from ingest import database, registry, schema, work_records
from ingest.times import DAY_US, read_time
from ingest.work import work_of
from tests.dashboard.test_command import tallow
from tests.helpers.databases import sqlite_at
from tests.helpers.registry_rows import LINE, VEHICLE, write

NOW_US = read_time("2026-05-01T00:00:00Z")
DAYS, HOURS = 100, 1000.0  # that each was watched for; fitted 6 days before


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Engine]:
    """Ten vehicles, five at each of two depots, with a kingpin and a boom pin each: of each kingpin at Quarry three were blocked, of
    each at Wharf one, the first of each after 200 h, for a day; one at Quarry is blocked again now."""
    folder = tmp_path_factory.mktemp("parts")
    engine = sqlite_at(folder / "tallow.db")
    vehicles, lines = [], []
    for n in range(10):
        own = {"vehicle": f"v{n}"}
        vehicles.append(
            VEHICLE | own | {"depot": "Quarry" if n < 5 else "Wharf", "fleet": "f", "commissioned": "2026-01-15"}
        )
        lines += [LINE | own, LINE | own | {"line": "2", "point": "boom pin", "channel": "p2"}]
    with database.writing(engine) as connection:
        vehicle_summary.register(connection, write(folder, vehicles, lines), 0)
        connection.execute(update(schema.vehicle_summary).values(watched_days=DAYS, watched_h=HOURS, use_l_a_day=0.1))
        for n in range(10):
            id_ = registry.find(connection, f"v{n}").id
            row = {"vehicle_id": id_, "as_of_us": NOW_US, "revision": 1, "refill": {}, "notes": []}
            connection.execute(insert(schema.analysis).values(row))
            for at_h in (200.0, 400.0, 600.0) if n < 5 else (200.0,):
                connection.execute(insert(schema.finding).values(found(id_, at_h, lasts=False)))
        connection.execute(insert(schema.finding).values(found(registry.find(connection, "v0").id, 900.0, lasts=True)))
    yield engine
    engine.dispose()


def found(vehicle_id: int, at_h: float, *, lasts: bool) -> dict[str, Any]:
    """A blocked kingpin after so many hours of watch, over a day later."""
    began_us = NOW_US - int((HOURS - at_h) / HOURS * DAYS * DAY_US)
    return {
        "vehicle_id": vehicle_id, "kind": "blocked_line", "channel": "p1", "lines": [1], "began_us": began_us, "detected_us": began_us,
        "ended_us": None if lasts else began_us + DAY_US, "severity": "plan", "summary": "", "evidence": {}, "watched_h": at_h,
    }  # fmt: skip


def test_lives_begin_with_fitting_and_repair(fleet: Engine) -> None:
    """Of a kingpin at Quarry: 0 to 200 h, and from the repair 10 h later on 190, 190 and 390 h, the last of which has not failed; of the
    one that is blocked again 290 h, which has. A boom pin has one life of 1,000 h."""
    with fleet.connect() as connection:
        told = read_lives(connection, NOW_US)
        first, second = registry.find(connection, "v0").id, registry.find(connection, "v1").id
    mine = told.lives[(told.lives["what"] == "blocked_line")]

    def lives_of(vehicle: int, channel: str) -> list[tuple[float, float, int]]:
        rows = mine[(mine["vehicle_id"] == vehicle) & (mine["channel"] == channel)]
        return [(float(a), round(float(b), 6), int(c)) for a, b, c in rows[["entry_h", "exit_h", "failed"]].to_numpy()]

    assert lives_of(second, "p1") == [(0, 200, 1), (0, 190, 1), (0, 190, 1), (0, 390, 0)]
    assert lives_of(first, "p1") == [(0, 200, 1), (0, 190, 1), (0, 190, 1), (0, 290, 1)]
    assert lives_of(first, "p2") == [(0, 1000, 0)]
    blocked = told.cells[told.cells["what"] == "blocked_line"]
    assert int(blocked["failures"].sum()) == 5 * 3 + 5 + 1
    assert float(blocked["hours"].sum()) == 10 * 2 * HOURS
    assert set(told.parts["what"]) == {"blocked_line", "open_line", "missed_cycles", "under_delivery"}


def test_parts_and_comparisons(fleet: Engine) -> None:
    """Kingpins failed 21 times in 10,000 h, boom pins never in as many, where ten should have: half a failure. Quarry's five kingpins
    run 900 h more in 90 days; one is blocked now. Quarry's are 3.2 times as often blocked as Wharf's: 16 to 5."""
    told = lasting(fleet, Scope(depot="Quarry"), NOW_US)
    assert told.vehicles == 5
    fitting = next(one for one in told.needs if one.part == "fitting")
    assert fitting.depot == "Quarry"
    assert fitting.now == 1.0
    # Kingpins, of which one is blocked, and boom pins; of broken lines nobody knows.
    assert fitting.expected == pytest.approx(1 + 4 * -np.expm1(-21 / 1e4 * 900) + 5 * -np.expm1(-0.5 / 1e4 * 900))
    assert (fitting.enough, words.expected(fitting)[:9]) == (None, "at least ")
    grease = next(one for one in told.needs if one.unit == "l")
    assert (grease.part, grease.expected) == ("lithium EP, NLGI 2", pytest.approx(45.0))
    (more,) = (one for one in told.more_often if one.where == (("point", "kingpin"), ("depot", "Quarry")))
    assert more.ratio == pytest.approx(3.2)
    assert "kingpin, depot Quarry: 3.2 times as often" in words.sentence(more)
    course = told.curves["blocked_line"][0]
    assert (course.group, course.failures, course.from_h) == ("all", 21, 0.0)
    # Of twenty lines and the repaired ones, ten fail at 190 h and ten at 200.
    assert 0 < course.at(np.array([250.0]))[0] < 1
    with acting_as(Person(1, "a", "viewer", fleets=("g",))):
        assert lasting(fleet, Scope(), NOW_US).vehicles == 0


def test_amounts_of_little_do_not_contradict_each_other() -> None:
    """Tube is had in metres: less than one is told as such, whatever it is of."""
    assert [words.amount(value, "m") for value in (0.0, 0.01, 0.3, 1.0, 1.2)] == [
        "0 m",
        "below 1 m",
        "below 1 m",
        "1 m",
        "2 m",
    ]
    assert [words.amount(value, "") for value in (0.0, 0.01, 0.3, 4.0)] == ["0", "below 0.05", "0.3", "4"]


def test_nobody_counts_what_was_nothing(fleet: Engine) -> None:
    """A finding of which somebody said that nothing was wrong is no failure."""
    with fleet.connect() as connection, connection.begin() as undone:
        vehicle = registry.find(connection, "v9")
        about = {"kind": "blocked_line", "channel": "p1", "began_us": found(vehicle.id, 200.0, lasts=False)["began_us"]}
        record = work_of(
            {"key": "k", "kind": "looked_at", "by": "b", "at_us": NOW_US, "found": "nothing", "about": about}
        )
        work_records.record(connection, vehicle.id, vehicle.setups, record, NOW_US)
        cells = read_lives(connection, NOW_US).cells
        assert int(cells["failures"][cells["what"] == "blocked_line"].sum()) == 20
        undone.rollback()


def test_page_and_command(fleet: Engine, tmp_path: Path) -> None:
    """The page says it for each way to fail; the command as text, JSON and CSV; an empty database says what is missing."""
    create_app(fleet)
    page = importlib.import_module("dashboard.pages.parts")
    for what in FAILURES:
        shown = json.dumps(
            page.body(lasting(fleet, Scope(), NOW_US), what, "depot", theme.template_of("light")), cls=PlotlyJSONEncoder
        )
        assert "Parts to have, next 90 days" in shown
        assert ("too few to say how long it lasts" in shown) == (what != "blocked_line")
    empty = lasting(sqlite_at(tmp_path / "empty.db"), Scope(), NOW_US)
    assert words.NOTHING in json.dumps(page.body(empty, "open_line", "depot", "light"), cls=PlotlyJSONEncoder)
    url = database.address(fleet)
    told = json.loads(tallow("parts", "--json", database=url).stdout)
    assert told["failures"]["blocked_line"] == 21
    assert told["more_often"][0]["failures"] >= 5
    assert words.need_table(lasting(fleet, Scope(), NOW_US).needs)[0]["part"] == "fitting"
    text = tallow("parts", "--depot", "Quarry", database=url).stdout
    assert "Quarry, fitting: expected at least " in text
    assert "Quarry: too few failures so far to say how much is needed of: pumping element; tube, 4 mm bore." in text
    assert words.PARTS_MEANING in text


def test_nothing_is_known_of_an_empty_database(engine: Engine) -> None:
    """On either kind of database."""
    told = lasting(engine, Scope(), NOW_US)
    assert (told.vehicles, told.needs, told.more_often) == (0, [], [])
