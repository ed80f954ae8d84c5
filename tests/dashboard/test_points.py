"""Points greased by hand, as people and programs read them: from files and records to the due list, rounds and the account."""

import importlib
import json
import re
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from icalendar import Calendar
from plotly.utils import PlotlyJSONEncoder
from sqlalchemy import Engine

from analytics.frames import fleet as fleet_frames
from analytics.pipeline import results, vehicle_summary, watch
from analytics.pipeline.prune import prune
from analytics.pipeline.tasks import analysed
from analytics.pipeline.vehicle_summary import FindingShown
from analytics.pipeline.workers import workers
from analytics.vehicle.line_conditions import LineCondition
from dashboard import rows as list_rows
from dashboard.accounts import OPERATOR, Person, acting_as
from dashboard.exports import hand as words
from dashboard.exports.calendar import refill_calendar, round_calendar
from dashboard.exports.csv import round_table
from dashboard.queries import account, fleet, hand, today
from dashboard.queries.rounds import due_by_depot, read_refillable, read_round
from dashboard.queries.scope import EVERYTHING, Scope
from dashboard.queries.vehicle import vehicle_result
from dashboard.web.app import create_app
from ingest import database, registry, setups, times, work_records
from ingest.languages import ENGLISH, speaking
from ingest.messages import Arrival, topic
from ingest.recorder import Recorder
from ingest.times import DAY_US, HOUR_US
from ingest.work import work_of
from ingest.work_records import read_work
from tests.dashboard.test_command import tallow
from tests.helpers.databases import sqlite_at
from tests.helpers.registry_rows import LINE, POINT, VEHICLE, write

NO_SYSTEM = dict.fromkeys(("feed", "reservoir_l", "low_mark_pct", "interval_min", "run_s", "relief_kpa"), "")
HOURS = {"interval_days": "", "interval_h": "100", "strokes": "", "grams": "20"}


def record(engine: Engine, vehicle: str, days_ago: float, now_us: int, **said: Any) -> None:
    with database.writing(engine) as connection:
        found = registry.find(connection, vehicle)
        at_us = int(now_us - days_ago * DAY_US)
        one = work_of(
            {"key": f"{vehicle}-{days_ago:g}-{said['kind']}".replace(".", "_"), "by": "R. Tarvolen", "at_us": at_us}
            | said
        )
        work_records.record(connection, found.id, found.setups, one, now_us)


@pytest.fixture(scope="module")
def engine(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Engine]:
    """A truck with a point of 30 days, greased 40 days ago; and at another depot a trailer without a controller: a critical point of 100 h
    greased 14 days ago at 1,000 h, read every week with 35 h more, and one that nobody ever greased by record."""
    folder, now_us = tmp_path_factory.mktemp("points"), times.now_us()
    engine = sqlite_at(folder / "tallow.db")
    trailer = VEHICLE | NO_SYSTEM | {"vehicle": "t1", "unit": "trailer 1", "controller": "no", "depot": "Wharf"}
    points = [
        POINT,
        POINT | HOURS | {"vehicle": "t1", "point": "pivot", "critical": "yes"},
        POINT | {"vehicle": "t1", "number": "2", "point": "ramp"},
    ]
    with database.writing(engine) as connection:
        vehicle_summary.register(
            connection, write(folder, [VEHICLE | {"controller": ""}, trailer], [LINE], points), now_us - 50 * DAY_US
        )
    record(engine, "v1", 40, now_us, kind="points_greased", points=[1])
    for weeks, engine_h in ((2, 1000.0), (1, 1035.0), (0, 1070.0)):
        record(engine, "t1", 7 * weeks + 0.01, now_us, kind="meter_read", engine_h=engine_h)
    record(engine, "t1", 14.01, now_us, kind="points_greased", points=[1])
    with workers(1) as pool:
        watch.look(engine, pool, times.now_us)
    yield engine
    engine.dispose()


def test_the_due_list_says_what_is_due_and_what_nobody_knows(engine: Engine) -> None:
    """The truck's is due for 10 days, or for as many as its calendar has; the trailer's has 70 of 100 h, 5 h a day: in six days."""
    with acting_as(OPERATOR):
        found = {(one.vehicle, one.number): one for one in hand.hand_points(engine, times.now_us())}
    truck, pivot, ramp = found["v1", 1], found["t1", 1], found["t1", 2]
    assert [one.state for one in (truck, pivot, ramp)] == ["due", "soon", "unknown"]
    assert list(found) == [("v1", 1), ("t1", 2), ("t1", 1)]
    assert (pivot.since, pivot.hours_since, pivot.critical, pivot.grease) == (70.0, 70.0, True, "lithium EP, NLGI 2")
    assert pivot.due_us is not None
    assert (pivot.due_us - times.now_us()) / DAY_US == pytest.approx(6.0, abs=0.1)
    assert words.since(ramp) == "never greased by record"
    assert words.due(ramp) == "not known: never greased by record"
    assert (words.every(truck.every, truck.interval_unit), words.amount(truck)) == ("every 30 days", "12 strokes")


def test_nothing_is_exported_of_a_system_that_is_not_there(engine: Engine) -> None:
    """What fills its set-up's columns is no reservoir of 1 litre, and no timer."""
    told = fleet_frames(str(engine.url)).vehicles.set_index("vehicle")
    assert told.loc["t1", list(setups.NO_SYSTEM)].isna().all()
    assert told.loc["v1", ["feed", "reservoir_l", "interval_min", "level"]].notna().all()


def test_a_vehicle_without_a_controller_is_neither_silent_nor_good(engine: Engine) -> None:
    """No finding, no refill, not proven; and who counts what was heard leaves it out."""
    with acting_as(OPERATOR):
        rows = {row.vehicle: row for row in fleet.fleet(engine).rows}
        told = today.read_today(engine, EVERYTHING, times.now_us())
    trailer = rows["t1"]
    assert (trailer.need, trailer.controller, trailer.heard_us) == ("not_proven", False, None)
    assert trailer.detail is not None
    assert trailer.detail.findings == ()
    assert (rows["v1"].need, trailer.detail.hand) == ("plan", (0, 1))
    with speaking(ENGLISH):
        assert list_rows.without_findings(rows["v1"]) == "1 point greased by hand is due."
        assert list_rows.without_findings(trailer) == "Nobody knows when 1 point greased by hand is due."
    assert [row.vehicle for row in told.undated] == ["v1"]
    assert (told.by_hand, [(one.depot, one.due, one.soon, one.unknown, one.critical) for one in told.points]) == (
        1,
        [("Quarry", 1, 0, 0, 0), ("Wharf", 0, 1, 1, 0)],
    )


def test_a_critical_point_that_is_due_is_said_wherever_it_is_counted(engine: Engine) -> None:
    """A week later the pivot is due, by the pace of its meter: on the first page, on its vehicle's and in the report."""
    later_us = times.now_us() + 8 * DAY_US
    create_app(engine)
    said = "Steering or braking depends on 1 of those that are due."
    with acting_as(OPERATOR), speaking(ENGLISH), engine.connect() as connection:
        counts = hand.counted(connection, EVERYTHING, later_us)
        assert [(one.depot, one.due, one.critical) for one in counts] == [("Quarry", 1, 0), ("Wharf", 1, 1)]
        shown = importlib.import_module("dashboard.pages.today").points(counts, EVERYTHING)
        assert json.dumps(shown, cls=PlotlyJSONEncoder).count(said) == 1
        (pivot,) = (one for one in hand.read_hand(connection, EVERYTHING, later_us) if one.critical)
        assert words.date_or_why(pivot).startswith("since about ")
        (trailer,) = registry.read_vehicles(connection, pivot.vehicle_id)
        (result,) = analysed(
            connection, trailer, [later_us], None, read_work(connection, pivot.vehicle_id)[pivot.vehicle_id]
        )
    cause = json.dumps(
        importlib.import_module("dashboard.pages.vehicle.cause").cause(result, []), cls=PlotlyJSONEncoder
    )
    for text in ("1 point greased by hand is due.", said, "Nobody knows when 1 point greased by hand is due."):
        assert text in cause


def test_the_fleets_row_names_a_critical_point_that_is_due(engine: Engine, tmp_path: Path) -> None:
    """A week later: with whatever else there is to say of the vehicle, in the fleet's list and on the first page."""
    later_us = times.now_us() + 8 * DAY_US
    copy = tmp_path / "later.db"
    with closing(sqlite3.connect(str(engine.url.database))) as connection:
        connection.execute(f"VACUUM INTO '{copy}'")
    later = sqlite_at(copy)
    with workers(1) as pool:
        list(results.renew(later, lambda: later_us, pool, lambda done, of: None))
    create_app(engine)
    page = importlib.import_module("dashboard.pages.fleet")
    said = "Grease by hand: 1 pivot (steering or braking)"
    with acting_as(OPERATOR), speaking(ENGLISH):
        rows = {row.vehicle: row for row in fleet.fleet(later).rows}
        told = {name: json.dumps(page.row(row, later_us), cls=PlotlyJSONEncoder) for name, row in rows.items()}
        assert (said in told["t1"], said in told["v1"]) == (True, False)
        assert said in json.dumps(list_rows.reason(rows["t1"]), cls=PlotlyJSONEncoder)
        assert rows["t1"].detail is not None
        found = FindingShown("silent", "plan", "Nothing was heard.")
        beside = replace(rows["t1"], detail=replace(rows["t1"].detail, findings=(found,), open=1))
        assert said in json.dumps(page.row(beside, later_us), cls=PlotlyJSONEncoder)
    later.dispose()


def test_a_vehicle_whose_hand_points_are_due_is_not_said_to_be_well(engine: Engine) -> None:
    """Its page says what its place in the list rests on."""
    with acting_as(OPERATOR), speaking(ENGLISH):
        create_app(engine)
        result = vehicle_result(engine, "f", "v1")
        assert result is not None
        learned = replace(result.pressures, learned=np.ones_like(result.pressures.learned))
        history = replace(result.history, heard_us=np.array([times.now_us()]))
        heard = replace(result, history=history, pressures=learned)
        cause = json.dumps(
            importlib.import_module("dashboard.pages.vehicle.cause").cause(heard, []), cls=PlotlyJSONEncoder
        )
    assert "1 point greased by hand is due." in cause
    assert "Nothing else is known to be wrong" in cause
    assert "Nothing is known to be wrong" not in cause


def test_points_greased_by_hand_count_in_what_a_vehicle_needs() -> None:
    """Due is work to plan; unknown is never nothing to do, whatever the system's own lines prove."""
    sound = [LineCondition.from_row([1, "main", "sound", "sound", False, 1.0, 0.5])]
    for lines, standing, need in (
        (sound, [], "none"), (sound, ["ok", "soon"], "none"), (sound, ["ok", "unknown"], "not_proven"), (sound, ["unknown", "due"], "plan"),
        ([], [], "not_proven"), ([], ["ok", "soon"], "none"), ([], ["unknown"], "not_proven"), ([], ["due"], "plan"),
    ):  # fmt: skip
        assert vehicle_summary.priority_of((), "ok", lines, standing, heard=True) == need, (lines, standing)
    assert vehicle_summary.priority_of((), None, (), ["ok"], heard=False) == "unheard"


def test_a_round_greases_by_hand_and_the_page_ticks_off(engine: Engine) -> None:
    """A stop of its own at the trailer's depot, with the point of which nothing is known."""
    with acting_as(OPERATOR):
        told = read_round(engine, "Wharf", 28, None, 0.4, frozenset(range(7)), times.now_us())
        (row,) = round_table(told)
        assert (row["vehicle"], row["litres"], row["by_hand"]) == ("t1", "0.00", "1 pivot, 20 g; 2 ramp, 12 strokes")
        assert told.undated == ()
        app = create_app(engine)
        with app.server.test_request_context("/"):
            page = json.dumps(importlib.import_module("dashboard.pages.rounds").body(told, 28), cls=PlotlyJSONEncoder)
            assert "1 to grease by hand" in page
            assert "Grease by hand:" in page
            assert "1 pivot, 20 g (steering or braking)" in page
            listed = json.dumps(importlib.import_module("dashboard.pages.points").layout(), cls=PlotlyJSONEncoder)
            assert "1 of 3 points are due, 1 more within 7 days; of 1 no date is known." in listed
            only = json.dumps(
                importlib.import_module("dashboard.pages.points").layout(depot="Wharf"), cls=PlotlyJSONEncoder
            )
            assert "fifth wheel plate" not in only


def test_nobody_is_shown_others_points(engine: Engine) -> None:
    """Of another fleet or depot."""
    with acting_as(Person(1, "a", "viewer", depots=("Wharf",))):
        assert {one.vehicle for one in hand.hand_points(engine, times.now_us())} == {"t1"}
    with acting_as(Person(1, "a", "viewer", fleets=("other",))):
        assert hand.hand_points(engine, times.now_us()) == []


def test_the_account_counts_them(engine: Engine) -> None:
    """The truck's point was due 10 days ago and nobody recorded it: surely not. Its kind has a row of its own."""
    with acting_as(OPERATOR):
        months = account.months(engine)
        groups = {
            row["group"]: row for month in months for row in account.rows_of(account.by_group(engine, month, "point"))
        }
        worst = [one for month in months for one in account.worst_points(engine, month)]
    assert groups["fifth wheel plate"]["failed"] == 1
    assert [(one.vehicle, one.by_hand, one.of_system) for one in worst] == [("v1", [1], [])]


def test_the_account_stays_when_messages_are_thinned(engine: Engine, tmp_path: Path) -> None:
    """What was recorded of points greased by hand is no message: it is never thinned."""
    with (
        closing(sqlite3.connect(engine.url.database or "")) as held,
        closing(sqlite3.connect(tmp_path / "tallow.db")) as new,
    ):
        held.backup(new)
    copy = database.open_database(f"sqlite:///{tmp_path / 'tallow.db'}")
    now_us = times.now_us()
    record(copy, "v1", 110, now_us, kind="points_greased", points=[1])
    said = {"seq": 1, "at": times.rfc3339(now_us - HOUR_US), "level_pct": 50}
    Recorder(copy, "test").record([Arrival(topic("f", "v1", "level"), json.dumps(said).encode(), None)])

    def told() -> list[Any]:
        with acting_as(OPERATOR):
            return [account.rows_of(account.by_group(copy, month, "point")) for month in account.months(copy)]

    with workers(1) as pool:
        watch.look(copy, pool, times.now_us)
        before = told()
        prune(copy, 1, pool, lambda done, of: None)
        watch.look(copy, pool, lambda: times.now_us() + 2 * HOUR_US)
    assert len(before) > 1  # whole months before, too
    assert told() == before
    copy.dispose()


def test_what_was_greased_since_the_latest_analysis_is_no_longer_due(engine: Engine) -> None:
    """The next analysis tells the date; until then nobody is sent again. It stands last here: it changes what is recorded."""
    record(engine, "v1", -HOUR_US / DAY_US / 100, times.now_us(), kind="points_greased", points=[1])
    with acting_as(OPERATOR):
        (truck,) = hand.hand_points(engine, times.now_us(), Scope(depot="Quarry"))
        assert (truck.state, truck.reason) == ("unknown", hand.JUST_GREASED)
        assert read_round(engine, "Quarry", 28, None, 0.4, frozenset(range(7)), times.now_us()).visits == ()


def test_the_command_line_lists_them(engine: Engine, tmp_path: Path) -> None:
    """For people and for programs; guidance where there is none."""
    url = str(engine.url)
    told = json.loads(tallow("points", "--depot", "Wharf", "--json", database=url).stdout)
    assert [(one["point"], one["state"], one["hours_since_grease"]) for one in told] == [
        ("ramp", "unknown", None),
        ("pivot", "soon", 70.0),
    ]
    told_in_words = tallow("points", database=url).stdout
    assert "steering or braking depends on it" in told_in_words
    read = [one for one in told if one["read_at"] and one["since"] is not None]
    assert read, "hours count up to a reading of the meter, which may be days old: its day is said"
    assert all(re.search(rf"{one['point']}.* h, meter of \d+ \w+ \d{{4}}", told_in_words) for one in read)
    empty = f"sqlite:///{tmp_path / 'empty.db'}"
    tallow("register", str(write(tmp_path, [VEHICLE], [LINE])), database=empty)
    assert tallow("points", database=empty).stdout.strip() == words.NOTHING


def test_a_round_names_whose_date_nobody_knows(engine: Engine, tmp_path: Path) -> None:
    """A vehicle with its point in each file, in the overview, and as the command tells it, whether it was analysed or not."""
    record(engine, "v1", -HOUR_US / DAY_US / 50, times.now_us(), kind="points_greased", points=[1])
    new = sqlite_at(tmp_path / "new.db")
    with database.writing(new) as connection:
        vehicle_summary.register(connection, write(tmp_path, [VEHICLE], [LINE]), times.now_us())
    for asked, points in ((engine, 1), (new, 0)):
        with acting_as(OPERATOR), speaking(ENGLISH):
            told = read_round(asked, "Quarry", 28, None, 0.4, frozenset(range(7)), times.now_us())
            assert [row["date"] + row["vehicle"] for row in round_table(told)] == ["v1"] * (1 + points)
            for file in (
                round_calendar(told),
                refill_calendar(read_refillable(asked, "Quarry", times.now_us()), "Quarry"),
            ):
                (entry,) = Calendar.from_ical(file).walk("VEVENT")
                assert str(entry["summary"]).startswith("No date is known for: tipper 1 (v1)")
            (depot,) = (one for one in due_by_depot(asked, EVERYTHING, times.now_us()) if one.depot == "Quarry")
            assert depot == ("Quarry", 0, 0, 0, 1)
        said = tallow("round", "Quarry", database=str(asked.url)).stdout
        assert "No date is known for: tipper 1." in said
        assert ("points greased by hand: tipper 1, 1 fifth wheel plate." in said) == bool(points)
    new.dispose()
