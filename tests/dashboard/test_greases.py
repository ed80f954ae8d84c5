"""Greases, the seasonal plan and the warning of a mixture, as people and programs read them."""

import importlib
import json
from datetime import date
from pathlib import Path

import pytest
from plotly.utils import PlotlyJSONEncoder
from sqlalchemy import Engine

from analytics.pipeline import vehicle_summary
from analytics.pipeline.account import keep_cold_weeks
from analytics.planning.greases import Grease
from dashboard.accounts import Person, acting_as
from dashboard.exports import greases as words
from dashboard.queries.greases import (
    changes_of,
    drop_grease,
    keep_grease,
    mixed,
    named,
    read_greases,
    read_season,
    warnings,
)
from dashboard.queries.scope import EVERYTHING
from dashboard.web.app import create_app
from ingest import database, registry
from ingest.errors import Problem
from ingest.times import read_time
from ingest.work import work_of
from tests.dashboard.test_command import tallow
from tests.helpers.registry_rows import LINE, VEHICLE, write

TODAY = date(2026, 11, 4)
HELD = Grease(name="lithium EP", nlgi="2", thickener="lithium", lowest_c=-15.0)
SOFTER = Grease(name="lithium EP", nlgi="1", thickener="lithium", lowest_c=-25.0)
OTHER = Grease(name="PU 2", nlgi="2", thickener="polyurea", lowest_c=-30.0)


def filled(engine: Engine, folder: Path) -> Engine:
    """Two vehicles at a cold depot and one of another fleet at a depot of which nothing was read."""
    names = [{"vehicle": "v1"}, {"vehicle": "v2"}, {"vehicle": "v3", "fleet": "g", "depot": "Wharf"}]
    lines = [LINE | {"vehicle": own["vehicle"], "fleet": own.get("fleet", "f")} for own in names]
    with database.writing(engine) as connection:
        vehicle_summary.register(connection, write(folder, [VEHICLE | own for own in names], lines), 0)
        for name, low in (("v1", -16.0), ("v2", -20.0)):
            keep_cold_weeks(connection, registry.find(connection, name).id, {"49": low, "30": 9.0})
        keep_cold_weeks(connection, registry.find(connection, "v1").id, {"49": -16.0})  # week 30 stays
        for one in (HELD, SOFTER, OTHER):
            keep_grease(connection, one)
    return engine


def test_season(engine: Engine, tmp_path: Path) -> None:
    """At Quarry week 49 has -18 in the middle of two vehicles; at Wharf nobody knows; of another fleet nothing is seen."""
    filled(engine, tmp_path)
    with engine.connect() as connection:
        told = read_season(connection, EVERYTHING, TODAY)
        (row,) = told.rows
        assert (row.depot, row.change.low_c, row.change.before, row.change.instead) == (
            "Quarry",
            -18.0,
            date(2026, 11, 30),
            SOFTER,
        )
        assert len(row.units) == 2
        assert told.known_weeks == {"Quarry": 1, "Wharf": 0}
        assert "fill lithium EP, NLGI 1 instead" in words.season(row)
        assert "Wharf: the cold of 0 of 26 weeks is known." in words.unknown(told)
        assert set(changes_of(connection, "Quarry", TODAY)) == {"lithium EP, NLGI 2"}
        with acting_as(Person(1, "a", "viewer", fleets=("g",))):
            assert read_season(connection, EVERYTHING, TODAY).rows == ()
    with database.writing(engine) as connection:
        drop_grease(connection, "Lithium EP, NLGI 2")
        with pytest.raises(Problem, match="no grease"):
            drop_grease(connection, "lithium EP, NLGI 2")
        assert read_season(connection, EVERYTHING, TODAY).unlisted == (
            ("Quarry", "lithium EP, NLGI 2"),
            ("Wharf", "lithium EP, NLGI 2"),
        )


def test_a_fill_of_another_thickener_is_warned_of(engine: Engine, tmp_path: Path) -> None:
    """Of polyurea on lithium; then of lithium on polyurea; not of lithium on lithium, nor of what is not on the list."""
    filled(engine, tmp_path)

    def fill(key: str, grease: str, at_us: int) -> object:
        return work_of({"key": key, "kind": "filled", "by": "b", "at_us": at_us, "litres": 1.0, "grease": grease})

    work = [
        fill("a", "lithium EP", 1),
        fill("b", "PU 2", 2),
        fill("c", "lithium EP, nlgi 1", 3),
        fill("d", "unheard of", 4),
    ]
    with engine.connect() as connection:
        setups = registry.find(connection, "v1").setups
        told = mixed(connection, setups, work)  # type: ignore[arg-type]
        assert set(told) == {"b", "c"}
        assert "PU 2, NLGI 2 (polyurea) on lithium EP, NLGI 2 (lithium): incompatible" in told["b"]
        before = warnings(connection, setups, work[:1])  # type: ignore[arg-type]
        assert before["lithium EP, NLGI 1"] == ""
        assert "incompatible" in before["PU 2, NLGI 2"]
        assert "incompatible" in warnings(connection, setups, work[:2])["lithium EP, NLGI 1"]  # type: ignore[arg-type]
        assert named("lithium ep", read_greases(connection)) is None  # two have that name
        assert named("PU 2", read_greases(connection)) == OTHER


def test_pages_and_commands(tmp_path: Path) -> None:
    """The lists and the plan; a record of a fill on another thickener says so at once; without greases it is said what to do."""
    url = f"sqlite:///{tmp_path / 'tallow.db'}"
    engine = filled(database.open_database(url), tmp_path)
    assert "polyurea, pumpable down to -30 °C" in tallow("grease", "list", database=url).stdout
    told = json.loads(tallow("grease", "plan", "--json", database=url).stdout)
    assert told["known_weeks"]["Wharf"] == 0
    said = tallow("work", "v1", "filled", "--litres", "1", "--grease", "PU 2", "--by", "b", database=url).stdout
    assert "Warning: PU 2, NLGI 2 (polyurea) on lithium EP, NLGI 2" in said
    app = create_app(engine)
    set_up = importlib.import_module("dashboard.pages.set_up.greases")
    page = importlib.import_module("dashboard.pages.grease")
    with app.server.app_context():
        assert "polyurea" in json.dumps(set_up.grease_rows(), cls=PlotlyJSONEncoder)
        shown = json.dumps(page.before_the_cold(EVERYTHING, read_time("2026-11-04T12:00:00Z")), cls=PlotlyJSONEncoder)
        assert "before 30 Nov 2026 (week 49, cold nights -18" in shown
        with database.writing(engine) as connection:
            for one in (HELD, SOFTER, OTHER):
                drop_grease(connection, one.called)
        assert words.NO_GREASES in json.dumps(page.before_the_cold(EVERYTHING, 0), cls=PlotlyJSONEncoder)
