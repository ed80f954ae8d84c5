"""The account as people and programs read it."""

import importlib
import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from plotly.utils import PlotlyJSONEncoder
from sqlalchemy import Connection, Engine, insert, select

from analytics.account.greased import kept_of
from analytics.alarms import letters, routes
from analytics.pipeline import vehicle_summary
from analytics.pipeline.account import keep_greased, keep_trends
from analytics.trends import Trend
from analytics.vehicle.doses import Doses
from dashboard.accounts import NOBODY, Person, acting_as
from dashboard.exports import account as words
from dashboard.exports import report as sentences
from dashboard.exports import wear as slow
from dashboard.exports.monthly import post_reports
from dashboard.figures import theme
from dashboard.queries import account
from dashboard.queries.found import of_kind, verdicts
from dashboard.queries.report import Unknown, Waiting, read_report
from dashboard.queries.scope import Scope
from dashboard.queries.today import points_greased_as_planned, read_today
from dashboard.queries.wear import trends_of, wearing
from dashboard.web.app import create_app
from ingest import database, registry, schema, times, work_records
from ingest.languages import cldr
from ingest.setups import Vehicle
from ingest.times import DAY_US, read_time
from ingest.work import work_of
from tests.dashboard.test_command import tallow
from tests.helpers.databases import sqlite_at
from tests.helpers.registry_rows import LINE, VEHICLE, write

MONDAY = date(2026, 2, 16)
NOW_US = read_time("2026-03-02T06:00:00Z")
OTHER = {"vehicle": "v2", "depot": "Wharf", "unit": "loader 2", "fleet": "g"}


def filled(engine: Engine, folder: Path) -> Engine:
    """Two vehicles of two fleets and depots, two points each, ten doses a day over two weeks: of v1 the first point missed all of the
    second week, and v2 proved nothing."""
    lines = [LINE | {"critical": "yes"}, LINE | {"line": "2", "point": "boom pin", "channel": "p2", "critical": "no"}]
    lines += [one | {"vehicle": "v2", "fleet": "g"} for one in lines]
    with database.writing(engine) as connection:
        vehicle_summary.register(connection, write(folder, [VEHICLE, VEHICLE | OTHER], lines), 0)
        for name in ("v1", "v2"):
            keep(connection, name)
    return engine


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Engine]:
    """The two, to read only."""
    folder = tmp_path_factory.mktemp("account")
    engine = sqlite_at(folder / "tallow.db")
    yield filled(engine, folder)
    engine.dispose()


def doses(vehicle: Vehicle) -> Doses:
    """Of one of the two."""
    planned = np.full((14, 2), 10.0)
    arrived, failed = planned.copy(), 0 * planned
    arrived[7:, 0], failed[7:, 0] = 0.0, 10.0
    if vehicle.name == "v2":
        arrived, failed = 0 * planned, 0 * planned
    return Doses(first=MONDAY, lines=vehicle.newest.lines, planned=planned, arrived=arrived, failed=failed)


def keep(connection: Connection, name: str, since: date | None = None, factor: float = 1.0) -> None:
    """Keep what came of a vehicle's doses."""
    vehicle = registry.find(connection, name)
    found = doses(vehicle)
    more = Doses(**{**vars(found), "planned": factor * found.planned})
    keep_greased(connection, vehicle.id, vehicle.newest, kept_of(more, vehicle.setups), since)


def test_a_month_by_hand(fleet: Engine) -> None:
    """13 days of February: of 520 doses of both vehicles 260 are v1's, of which 130 + 70 arrived and 60 did not."""
    (february, march) = account.rows_of(account.by_month(fleet))
    assert (february["month"], march["month"]) == ("2026-02", "2026-03")
    assert (february["planned"], february["arrived"], february["failed"]) == (520, 200, 60)
    assert february["not_proven"] == 260
    assert february["arrived_pct"] == pytest.approx(100 * 200 / 520, abs=0.01)
    assert february["at_most_pct"] == pytest.approx(100 * 460 / 520, abs=0.01)


def test_the_weeks_for_the_day_s_page(fleet: Engine) -> None:
    """Monday to Sunday: of v1 all arrived in the first week, half of it in the second."""
    weeks = account.rows_of(account.by_week(fleet, Scope(depot="Quarry")))
    assert [(one["week"], one["arrived"], one["failed"]) for one in weeks] == [
        (str(MONDAY), 140, 0), (str(MONDAY + timedelta(days=7)), 70, 70),
    ]  # fmt: skip
    assert [one["week"] for one in account.rows_of(account.by_week(fleet, weeks=1))] == [
        str(MONDAY + timedelta(days=7))
    ]


def test_the_first_page_says_the_latest_week_that_is_over(fleet: Engine) -> None:
    """On Monday 2 March: of the week before half of v1's doses arrived, of the one before that all; v2's scope proves nothing."""
    with fleet.connect() as connection:
        told = points_greased_as_planned(connection, Scope(depot="Quarry"), NOW_US)
        nothing = points_greased_as_planned(connection, Scope(fleet="g"), NOW_US)
        later = points_greased_as_planned(connection, Scope(), NOW_US + 30 * DAY_US)
    assert (told.now, told.weeks[-1], told.weeks[-8], told.weeks[-15]) == (50, 50, 100, None)
    assert nothing.now == 0
    assert later.now is None


@pytest.mark.parametrize("group", account.GROUPS)
def test_every_group_adds_up(fleet: Engine, group: str) -> None:
    """All of a month's doses, whatever they are compared by; the lowest first."""
    told = account.rows_of(account.by_group(fleet, "2026-02", group))
    assert sum(one["planned"] for one in told) == 520
    assert [one["arrived_pct"] for one in told] == sorted(one["arrived_pct"] for one in told)


def test_the_kind_of_point_that_failed_is_named(fleet: Engine) -> None:
    """The boom pins of v1 all got theirs: 130 of 260; of the kingpins 70."""
    told = {one["group"]: one for one in account.rows_of(account.by_group(fleet, "2026-02", "point"))}
    assert (told["boom pin"]["arrived"], told["kingpin"]["arrived"]) == (130, 70)
    critical = {one["group"]: one["failed"] for one in account.rows_of(account.by_group(fleet, "2026-02", "critical"))}
    assert critical == {"Steering or braking depends on it": 60, "Other points": 0}


def test_the_worst_points_come_first(fleet: Engine) -> None:
    """By name, with the days; who proved nothing is not among those that surely failed."""
    (one,) = account.worst_points(fleet, "2026-02")
    assert (one.vehicle, one.lines, one.points, one.critical, one.failed_days) == ("v1", (1,), ("kingpin",), True, 6)
    assert one.failed_pct == pytest.approx(100 * 60 / 130)
    assert words.points(one) == "line 1, kingpin"


def test_who_sees_what(fleet: Engine) -> None:
    """Fleets and depots are those of whoever asks; nobody sees nothing."""
    for person, planned in (
        (Person(1, "a", "viewer", fleets=("g",)), [260.0]),
        (Person(2, "b", "viewer", depots=("Quarry",)), [260.0]),
        (NOBODY, []),
    ):
        with acting_as(person):
            told = account.rows_of(account.by_month(fleet, until="2026-02"))
            assert [one["planned"] for one in told] == planned
            assert bool(account.by_week(fleet)["planned"].sum()) is bool(planned)
            assert {one.fleet for one in account.worst_points(fleet, "2026-02")} <= {"f"}
            if person.fleets:
                assert not account.worst_points(fleet, "2026-02")


def test_what_is_kept_is_renewed_where_it_differs(engine: Engine, tmp_path: Path) -> None:
    """A month before `since` stays, whatever is known of it now; on both databases the roll-ups are the same."""
    fleet = filled(engine, tmp_path)
    test_a_month_by_hand(fleet)
    test_the_weeks_for_the_day_s_page(fleet)
    for group in account.GROUPS:
        test_every_group_adds_up(fleet, group)
    test_the_worst_points_come_first(fleet)
    test_a_vehicle_without_doses_is_counted(fleet)
    table = schema.greased

    def rows() -> dict[str, float]:
        with fleet.connect() as connection:
            asked = select(table.c.month, table.c.planned).where(table.c.fleet == "f")
            return {one.month: one.planned for one in connection.execute(asked)}

    assert rows() == {"2026-02": 260, "2026-03": 20}
    with database.writing(fleet) as connection:
        keep(connection, "v1", factor=2.0)
    assert rows() == {"2026-02": 520, "2026-03": 40}
    with database.writing(fleet) as connection:
        # Messages are there in full from the last evening of February by the vehicle's clock: March is the first full month.
        keep(connection, "v1", since=date(2026, 2, 28), factor=1.0)
    assert rows() == {"2026-02": 520, "2026-03": 20}


def test_a_vehicle_without_doses_is_counted(fleet: Engine) -> None:
    """It is in none of the figures, and that is said."""
    assert account.without_doses(fleet, "2026-02") == 0
    assert account.without_doses(fleet, "2026-01") == 2


def test_the_page_says_it(fleet: Engine) -> None:
    """The figure, the comparison, the worst points; and what to do where nothing is accounted for."""
    create_app(fleet)
    page = importlib.import_module("dashboard.pages.account")
    trend, weeks = account.by_month(fleet, until="2026-02"), account.by_week(fleet)
    values = {"by": "depot", "unknown": 1, "template": theme.template_of("light"), "report": "/account/report"}
    shown = page.body(trend, weeks, account.by_group(fleet, "2026-02", "depot"), account.worst_points(fleet, "2026-02"),
                      month="2026-02", **values)  # fmt: skip
    text = json.dumps(shown, cls=PlotlyJSONEncoder)
    for said in (
        "38.4 % surely arrived, at most 88.4 %",
        "line 1, kingpin",
        "Wharf",
        "1 more planned no dose",
        "Quarry",
    ):
        assert said in text
    nothing = page.body(trend[:0], weeks[:0], trend[:0], [], month="2026-02", **values)
    assert nothing[0].children == page.NOTHING


def test_the_report_says_what_failed_and_goes_out_once(fleet: Engine) -> None:
    """By the routes of the depot, those who are told only of what nobody took note of apart; a second time nothing goes."""
    told = read_report(fleet, "2026-02")
    text = sentences.as_text(told)
    for said in (
        "38.4 % surely arrived",
        "tipper 1 (v1), line 1, kingpin (steering or braking): 46 %",
        "No work is recorded",
    ):
        assert said in text
    with database.writing(fleet) as connection:
        for address, depot, after in (("json://a", None, 0), ("json://b", "Quarry", 0), ("json://c", None, 5)):
            routes.add_route(
                connection, address, depot=depot, severity="note", groups=(), after_min=after, at_any_hour=True
            )
        assert letters.post(connection, "account/2026-02", "", sentences.title(told), text, NOW_US) == 1
        assert letters.post(connection, "account/2026-02", "Quarry", "t", text, NOW_US) == 2
        assert letters.post(connection, "account/2026-02", "", sentences.title(told), text, NOW_US) == 1
        waiting = connection.execute(select(schema.outbox.c.title)).scalars().all()
    assert sorted(waiting) == ["Lubrication in Feb 2026, all depots", "t", "t"]


def test_a_report_of_a_month_that_is_not_over_says_so(fleet: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is open then is not what is open at its end."""
    monkeypatch.setattr(times, "now_us", lambda: read_time("2026-02-20T00:00:00Z"))
    told = replace(read_report(fleet, "2026-02"), began=[("blocked_line", 2, 1, 1)])
    assert sentences.title(told) == "Lubrication in Feb 2026 so far, all depots"
    assert sentences.failed(told)[0] == "Line blocked: 2 began, 1 ended, 1 still open"
    monkeypatch.setattr(times, "now_us", lambda: read_time("2026-03-01T00:00:00Z"))
    assert sentences.title(read_report(fleet, "2026-02")) == "Lubrication in Feb 2026, all depots"
    assert sentences.failed(replace(told, lasts=False))[0].endswith("1 still open at the month's end")


def test_the_command_prints_it(fleet: Engine) -> None:
    """In words, as JSON, as CSV, as a report; a month of which nothing is known is said."""
    address = database.address(fleet)
    assert tallow("account", database=address).stderr == ""
    assert "Feb 2026  38.4 %, at most 88.4 %" in tallow("account", "--month", "2026-02", database=address).stdout
    told = json.loads(tallow("account", "--month", "2026-02", "--json", database=address).stdout)
    assert told["months"][-1]["arrived"] == 200
    assert told["worst_points"][0]["lines"] == [1]
    assert told["by_fleet"][0]["low_pct"] is None
    rows = tallow("account", "--month", "2026-02", "--by", "fleet", "--csv", database=address).stdout.splitlines()
    assert rows[0].startswith("month,group,vehicles,planned")
    assert len(rows) == 3
    assert "Lubrication in Feb 2026" in tallow("account", "--month", "2026-02", "--report", database=address).stdout
    assert "nothing is accounted for in 2020-01" in tallow("account", "--month", "2020-01", database=address).stderr
    assert "is no month" in tallow("account", "--month", "x", database=address).stderr


@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
def test_nothing_is_known_of_an_empty_database(engine: Engine) -> None:
    """An empty database has no months, no weeks and no worst points, and no figure."""
    assert account.months(engine) == []
    assert account.by_month(engine).empty
    assert account.by_week(engine).empty


def test_the_month_s_report_goes_out_by_itself(engine: Engine, tmp_path: Path) -> None:
    """Once, from the digest's hour of the third day on by the depot's clock: to a route of Quarry its own, to one of all depots that of
    all; not to who is told of what nobody acknowledged. Of a month of which nothing is accounted it says so."""
    fleet = filled(engine, tmp_path)
    third = read_time("2026-03-03T05:00:00Z")  # 6 in Oslo
    with database.writing(fleet) as connection:
        for depot, after_min in (("Quarry", 0), (None, 0), ("Quarry", 30)):
            routes.add_route(
                connection, "mailto://localhost?from=a@b.example&to=c@b.example", depot=depot, severity="note", groups=(),
                after_min=after_min, at_any_hour=True,
            )  # fmt: skip
    assert post_reports(fleet, third - 60_000_000) == 0
    assert post_reports(fleet, third + 3_600_000_000) == 2
    assert post_reports(fleet, third + 2 * 3_600_000_000) == 0
    assert post_reports(fleet, third + 62 * DAY_US) == 2
    with fleet.connect() as connection:
        bodies = {
            row.title: row.body for row in connection.execute(select(schema.outbox.c.title, schema.outbox.c.body))
        }
    assert set(bodies) == {
        f"Lubrication in {month}, {where}" for month in ("Feb 2026", "Apr 2026") for where in ("Quarry", "all depots")
    }
    assert "Nothing is accounted for in this month." in bodies["Lubrication in Apr 2026, Quarry"]


def test_a_report_says_nothing_is_open_only_where_all_is_known(tmp_path: Path) -> None:
    """A depot that nobody heard has a report, and is named in that of all; what nobody knows is an open risk, and no good news."""
    fleet, address = filled(sqlite_at(tmp_path / "tallow.db"), tmp_path), f"sqlite:///{tmp_path / 'tallow.db'}"
    third = VEHICLE | {"vehicle": "v3", "depot": "Silent Pit", "unit": "hauler 3"}
    with database.writing(fleet) as connection:
        vehicle_summary.register(connection, write(tmp_path, [third], [LINE | {"vehicle": "v3"}]), 0)
    said = tallow("account", "--month", "2026-02", "--depot", "Silent Pit", "--report", database=address).stdout
    for text in (
        "Nothing is accounted for in this month.",
        "Nothing is known to have failed, but",
        "Nothing was heard of 1 vehicle since the month began.",
        "No refill date is known of 1 vehicle.",
    ):
        assert text in said
    assert "Nothing that somebody has to act on" not in said
    told = read_report(fleet, "2026-02")
    assert "at: Silent Pit." in sentences.as_text(told)
    known = replace(told, worst=[], unknown=0, open=Unknown(0, 0, 0), waiting=Waiting(0, 0, 0, 0))
    assert sentences.risks(replace(known, waiting=Waiting(2, 3, 1, 1))) == [
        "The refill window of 2 vehicles has begun.",
        "3 points greased by hand are due. Steering or braking depends on 1 of those that are due.",
        "Nobody knows when 1 point greased by hand is due.",
    ]
    assert sentences.risks(known) == ["Nothing that somebody has to act on or plan for is open."]
    assert sentences.failed(known) == ["Nothing was found to fail."]
    with database.writing(fleet) as connection:
        of = {
            "vehicle_id": registry.find(connection, "v1").id,
            "point": "pivot",
            "every": 30.0,
            "unit": "d",
            "grease": "",
            "critical": True,
        }
        points = [of | {"number": n, "due_us": due_us, "reason": ""} for n, due_us in enumerate((None, 0, 0), start=1)]
        connection.execute(insert(schema.hand_due), points)
    by_hand = sentences.risks(replace(known, waiting=read_report(fleet, "2026-02").waiting))
    assert "2 points greased by hand are due. Steering or braking depends on 2 of those that are due." in by_hand
    assert "Nobody knows when 1 point greased by hand is due." in by_hand
    fleet.dispose()


def test_what_was_found_there_is_seen_by_whoever_may(engine: Engine, tmp_path: Path) -> None:
    """On the page, by the command, as a sentence of the finding; of another fleet nothing; the lead is told who was sent in vain."""
    fleet = filled(engine, tmp_path)
    with database.writing(fleet) as connection:
        vehicle = registry.find(connection, "v1")
        for n, said in enumerate(("as_told", "nothing", "nothing")):
            about = {"kind": "blocked_line", "channel": "p1", "began_us": n}
            record = work_of(
                {"key": f"k{n}", "kind": "looked_at", "by": "b", "at_us": NOW_US, "found": said, "about": about}
            )
            work_records.record(connection, vehicle.id, vehicle.setups, record, NOW_US)
    told = of_kind(fleet, "blocked_line", "day truck")
    assert told is not None
    assert (told.true.hits, told.true.of, told.nothing) == (1, 3, 2)
    assert of_kind(fleet, "silent") is None
    with acting_as(Person(1, "a", "viewer", fleets=("g",))):
        assert of_kind(fleet, "blocked_line") is None
    create_app(fleet)
    found = importlib.import_module("dashboard.pages.found")
    for lead in (True, False):
        shown = json.dumps(found.section(verdicts(fleet), NOW_US, lead=lead), cls=PlotlyJSONEncoder)
        assert "1 of 3" in shown
        assert ("Sent in vain" in shown) is lead
    assert found.NOTHING in json.dumps(found.section([], NOW_US, lead=True), cls=PlotlyJSONEncoder)
    if fleet.dialect.name == "sqlite":
        assert (
            json.loads(tallow("found", "--json", database=database.address(fleet)).stdout)["kinds"][0]["as_told"] == 1
        )
        assert "Line blocked: Of the last 3" in tallow("found", database=database.address(fleet)).stdout


def test_what_gets_worse_slowly_is_a_list(engine: Engine, tmp_path: Path) -> None:
    """What worsens only, the first to pass first; of another fleet nothing."""
    fleet = filled(engine, tmp_path)

    def told_of(what: Any, channel: str | None, lines: tuple[int, ...], percent: float, days: int | None) -> Trend:
        return Trend(
            what=what, channel=channel, lines=lines, hours=500.0, percent=percent, percent_low=8.0, percent_high=16.0, changed_percent=6.0,
            baseline="first month", latest=4.0,
            early_us=NOW_US + 30 * DAY_US, expected_us=None if days is None else NOW_US + days * DAY_US, worsens=days is not None,
        )  # fmt: skip

    found = [
        told_of("pressure", "p1", (1,), 12.0, 60),
        told_of("supply", None, (), -12.0, 31),
        told_of("rest", "p1", (1,), 0.0, None),
    ]
    with database.writing(fleet) as connection:
        one = registry.find(connection, "v1").id
        keep_trends(connection, one, found, NOW_US)
        keep_trends(connection, one, None, NOW_US + DAY_US)
    told = wearing(fleet)
    assert [(w.trend.what, w.trend.channel, w.points) for w in told] == [
        ("supply", None, ()),
        ("pressure", "p1", ("kingpin",)),
    ]
    assert slow.where(told[1]) == "line 1, kingpin"
    assert slow.change(told[1]) == "+12 % in 1,000 ignition hours (+8 to +16), +6 % since its first sound month"
    assert slow.passes(told[1]) == "May 2026, Apr 2026 at the earliest"
    with acting_as(Person(1, "a", "viewer", fleets=("g",))):
        assert wearing(fleet) == []
    create_app(fleet)
    assert [one.what for one in trends_of(fleet, "f", "v1")] == ["supply", "pressure", "rest"]
    with acting_as(Person(1, "a", "viewer", fleets=("g",))):
        assert trends_of(fleet, "f", "v1") == []
    first_page = importlib.import_module("dashboard.pages.today")
    today = read_today(fleet, Scope(), NOW_US)
    assert "pump: supply voltage +6 % since its first sound month; limit expected Apr 2026" in json.dumps(
        first_page.drifting(today, Scope()), cls=PlotlyJSONEncoder
    )
    vehicle_page = importlib.import_module("dashboard.pages.vehicle.wear")
    shown = json.dumps(vehicle_page.section(trends_of(fleet, "f", "v1"), "UTC"), cls=PlotlyJSONEncoder)
    assert "All 3 trends" in shown
    assert vehicle_page.nothing() in json.dumps(vehicle_page.section([], "UTC"), cls=PlotlyJSONEncoder)
    page = importlib.import_module("dashboard.pages.account")
    assert "line 1, kingpin" in json.dumps(page.slowly_worse(told), cls=PlotlyJSONEncoder)
    assert "Nothing does, as far as is known." in json.dumps(page.slowly_worse([]), cls=PlotlyJSONEncoder)
    if fleet.dialect.name == "sqlite":
        assert len(json.loads(tallow("wear", "--json", database=database.address(fleet)).stdout)) == 2
        assert "v1, pump, supply voltage" in tallow("wear", database=database.address(fleet)).stdout


def test_a_share_that_is_not_whole_never_looks_so() -> None:
    """One failed dose of many, or one that is not proven, is not 100."""
    for arrived, most, said in (
        (99.96, 99.96, "99.9 %"),
        (99.97, 100.0, "99.9 %"),
        (99.8, 99.99, "99.8 %, at most 99.9 %"),
        (100.0, 100.0, "100.0 %"),
    ):
        row = {"arrived_pct": arrived, "at_most_pct": most}
        assert words.percent(row) == said
        assert words.headline(row).startswith(said.split(",", maxsplit=1)[0])
    assert (cldr.floored(99.6, 0), cldr.floored(100 * (0.1 + 0.2) / 0.3, 0), cldr.floored(94.2, 1)) == (
        "99",
        "100",
        "94.2",
    )
