"""Pages through the web server's own door, without a browser."""

import importlib
import inspect
import json
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import dash
import pytest
from dash import Dash, no_update
from flask.testing import FlaskClient
from icalendar import Calendar
from plotly.utils import PlotlyJSONEncoder
from sqlalchemy import Engine, delete, insert, select, update

from analytics.account.points import point_kind
from analytics.findings import CAUTION, CAUTIONS, ENGLISH_DECIDES, FILL_STEP, Finding
from analytics.pipeline import backtest, results, vehicle_summary
from analytics.pipeline.tasks import Unanalysed
from analytics.pipeline.workers import workers
from analytics.refills import Refill
from analytics.vehicle import daily
from dashboard import formatting, refill_window
from dashboard.accounts import OPERATOR, acting_as
from dashboard.cli import planning
from dashboard.exports import calendar, csv
from dashboard.exports import registry as files
from dashboard.exports.calendar import refill_calendar
from dashboard.figures import theme
from dashboard.line_numbers import line_numbers
from dashboard.queries import alarms, fleet, frame, patterns, set_up
from dashboard.queries.data import Who, data_state
from dashboard.queries.grease import read_ahead_l, read_amounts
from dashboard.queries.rounds import read_refillable, read_round
from dashboard.queries.scope import Scope
from dashboard.queries.vehicle import _analysed, records, vehicle_result
from dashboard.tokens import DARK, LIGHT
from dashboard.web.app import create_app
from ingest import registry, schema, times, work, work_records
from ingest.database import writing
from ingest.languages import ENGLISH, speaking, tr
from ingest.listening import longest_quiet_us
from simulators.scenario import Trouble
from tests.conftest import page_request
from tests.dashboard.test_command import tallow
from tests.helpers.databases import sqlite_at
from tests.helpers.registry_rows import LINE, VEHICLE, write
from tests.helpers.vehicles import END_US, arrivals, recorded

DAY_US = 86_400_000_000


@pytest.fixture(scope="module")
def engine(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Engine]:
    """Three vehicles that were heard, one of them in trouble, and the rest of the demo's fleet registered."""
    heard = (
        arrivals("HS-101", (Trouble("blocked_line", 12, None, line=5, ratio=4.0),), days=40)
        + arrivals("HS-206", (), days=40)
        + arrivals("HS-109", (), days=40)
    )
    engine, _ = recorded(tmp_path_factory.mktemp("pages"), [heard])
    with workers(1) as pool:
        list(results.renew(engine, lambda: END_US, pool, lambda done, of: None))
    yield engine
    engine.dispose()


@pytest.fixture(scope="module")
def app(engine: Engine) -> Dash:
    """The application."""
    return create_app(engine)


@pytest.fixture
def client(app: Dash, monkeypatch: pytest.MonkeyPatch) -> FlaskClient:
    """A browser without a screen; the present is the end of the messages."""
    monkeypatch.setattr(times, "now_us", lambda: END_US)
    return app.server.test_client()


def page(client: FlaskClient, path: str, search: str = "") -> str:
    """What Dash answers when a browser goes to a page."""
    client.get("/")
    answer = client.post("/_dash-update-component", json=page_request(path, search))
    assert answer.status_code == 200, answer.text
    return json.dumps(json.loads(answer.text), ensure_ascii=False)


def test_no_click_shares_a_callback_with_a_timer(app: Dash, client: FlaskClient) -> None:
    """A browser joins what happens to a callback while it is asked, and what a person did would be taken for a tick of the clock."""
    client.get("/")  # the first request wires them in
    asked = [{part["property"] for part in each["inputs"]} for each in app.callback_map.values()]
    assert any("n_intervals" in properties for properties in asked)
    assert not [properties for properties in asked if {"n_intervals", "n_clicks"} <= properties]


@pytest.mark.parametrize("path", ["/", "/fleet", "/alarms", "/data", "/vehicle/harrowmere-stone/HS-101", "/set-up"])
def test_a_tick_may_meet_a_page_that_was_just_drawn(app: Dash, client: FlaskClient, path: str) -> None:
    """The timer of a new page has not ticked yet when the old one's tick is sent: its number is null."""
    drawn: dict[str, dict[str, Any]] = {}

    def look(part: Any) -> None:
        if isinstance(part, dict):
            if "props" in part and isinstance(part["props"].get("id"), str):
                drawn[part["props"]["id"]] = part["props"]
            for inner in part.values():
                look(inner)
        elif isinstance(part, list):
            for inner in part:
                look(inner)

    look(json.loads(page(client, path)))
    asked = 0
    for key, each in app.callback_map.items():
        parts = [*each["inputs"], *each["state"]]
        if "n_intervals" not in {part["property"] for part in each["inputs"]} or any(
            p["id"] not in drawn for p in parts
        ):
            continue
        told = [part | {"value": drawn[part["id"]].get(part["property"])} for part in parts]
        outputs = [dict(zip(("id", "property"), o.rsplit(".", 1), strict=True)) for o in key.strip(".").split("...")]
        body = {"output": key, "outputs": outputs if key.startswith("..") else outputs[0], "inputs": told[: len(each["inputs"])],
                "state": told[len(each["inputs"]) :], "changedPropIds": [f"{parts[0]['id']}.n_intervals"]}  # fmt: skip
        answer = client.post("/_dash-update-component", json=body)
        assert answer.status_code in (200, 204), (key, answer.text)
        asked += 1
    assert asked


def test_the_fleet_page_puts_who_needs_somebody_first(client: FlaskClient) -> None:
    """The vehicle in trouble, with what for."""
    shown = page(client, "/fleet", "?sort=need")
    assert "Line 5 (kingpin upper right, front right) looks blocked" in shown
    assert "line 5, kingpin upper right" in shown
    assert shown.index("tipper 101") < shown.index("loader 206")
    assert "Nothing to do." not in shown


def test_filters_are_in_the_address(client: FlaskClient) -> None:
    """By depot, by need, by search; a filter that finds nothing says so."""
    assert "loader 206" not in page(client, "/fleet", "?depot=Skarvholm+Quarry")
    assert "tipper 101" not in page(client, "/fleet", "?need=none")
    assert "tipper 101" in page(client, "/fleet", "?need=act_now&search=TIPPER+101&unknown=1")
    for unknown in ("?search=zzz", "?kind=silent&class=tipper&search=zzz"):
        assert "No vehicle matches." in page(client, "/fleet", unknown)
        assert "Clear the filters" in page(client, "/fleet", unknown)
    assert "tipper 101" in page(client, "/fleet", "?kind=blocked_line")
    assert "tipper 101" not in page(client, "/fleet", "?kind=level_sensor")
    assert "tipper 101" in page(client, "/fleet", "?page=nonsense&need=%3Cscript%3E")


def test_points_and_kinds_of_findings_can_be_searched(engine: Engine) -> None:
    """Whoever holds a kingpin in hand finds the vehicles that have one; whoever asks for blocked lines finds those."""

    def found(text: str) -> set[str]:
        return {row.vehicle for row in fleet.fleet(engine, search=text).rows}

    assert found("line blocked") == found("LINE  Blocked") == found("blocked_line") == {"HS-101"}
    kingpins = found("kingpin upper")
    assert "HS-101" in kingpins
    assert "HS-206" not in kingpins
    assert found("kingpin 101") == {"HS-101"}
    assert found("kingpin%") == set()
    view = fleet.fleet(engine, search="line blocked")
    assert sum(view.totals.values()) == view.found == 1


def test_the_vehicle_page_tells_everything(client: FlaskClient) -> None:
    """What is wrong, what to check, the cautions, the refill, the line list."""
    shown = page(client, "/vehicle/harrowmere-stone/HS-101")
    for text in ("looks blocked", "What to check", "Never feel for a leak by hand", "surgical", "Most likely"[1:], "trunnion left",
                 "Line blocked", "vehicle-stack", "Times expected"):  # fmt: skip
        assert text in shown


def test_a_vehicle_without_pressure_channels_has_a_page(client: FlaskClient) -> None:
    """A trailer with a switch only."""
    shown = page(client, "/vehicle/harrowmere-stone/HS-109")
    assert "No pressure channel watches this system." in shown


def test_a_vehicle_that_was_never_heard_has_a_page(client: FlaskClient) -> None:
    """Registered, and nothing more: nobody knows how it is, and nothing on the page says that it is well."""
    shown = page(client, "/vehicle/harrowmere-stone/HS-303")
    assert '"Last heard"' in shown
    assert '"never"' in shown
    assert "Nothing to do" not in shown
    assert '"state-sound"' not in shown
    assert "still being learned from" not in shown
    assert "not proven: no reading yet" in shown
    assert " cm3 by the line list)" in shown
    assert "not known (" in shown


@pytest.mark.usefixtures("client")
def test_of_who_is_silent_hours_and_level_are_those_of_when_it_was_heard(
    engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nobody knows how long it ran since, nor what is left in its reservoir."""
    side = importlib.import_module("dashboard.pages.vehicle.side")
    list_ = importlib.import_module("dashboard.pages.vehicle.lines")
    told = []
    with acting_as(OPERATOR), speaking(ENGLISH):
        for days in (0, 40):
            monkeypatch.setattr(times, "now_us", lambda days=days: END_US + days * DAY_US)
            result = vehicle_result(engine, "harrowmere-stone", "HS-206")
            assert result is not None
            assert any(one.kind == "silent" and one.open for one in result.findings) is bool(days)
            shown = [
                side.bar(result, []),
                list_.line_list(result, 1),
                list_.detail(result, 1, theme.template_of("light")),
                side.reservoir(result, []),
            ]
            told.append(json.dumps(shown, cls=PlotlyJSONEncoder))
            known = sum(hours is not None for hours in result.hours_since_grease.values())
            assert told[-1].count("when last heard") == (known + 2 if days else 0)
    assert ["about " in text for text in told] == [False, True]
    assert ["not known" in text for text in told] == [False, True]  # cycles a day
    assert result is not None
    assert result.refill.cycles_per_day is None  # nothing was heard in any of the four weeks


def test_who_was_never_heard_needs_something_or_is_counted_apart(client: FlaskClient, engine: Engine) -> None:
    """After a week its silence is a finding; until then nobody knows that it needs nothing."""
    assert client is not None
    view = fleet.fleet(engine)
    unheard = [row for row in view.rows if row.heard_us is None]
    assert len(unheard) == 22
    assert not any(row.need == "none" for row in unheard)
    row = unheard[0]
    assert row.detail is not None
    need = vehicle_summary.priority_of((), None, row.detail.lines, heard=False)
    assert need == "unheard"
    assert formatting.NEED_WORDS[need] == "Not heard yet"
    young = replace(row, need=need, waiting=0, detail=replace(row.detail, findings=(), open=0))
    shown = json.dumps(fleet_page().row(young, END_US), cls=PlotlyJSONEncoder)
    assert "Nothing was ever heard from it" in shown
    assert "Nothing to do" not in shown
    assert list(view.totals) == ["act_now", "plan", "note", "unheard", "not_proven", "none"]


def test_who_needed_nothing_days_ago_may_need_something_now(client: FlaskClient, engine: Engine) -> None:
    """Where nobody has analysed for days, the list says of when its counts are."""
    assert client is not None
    page, chosen = (
        fleet_page(),
        dict.fromkeys(("fleet", "depot", "class", "need", "kind", "search", "sort"), "") | {"page": "1"},
    )
    view = fleet.fleet(engine, fold=True)
    view = replace(view, totals=view.totals | {"none": 12}, folded_us=END_US)
    now, later = (json.dumps(page.body(view, chosen, END_US + days * DAY_US), cls=PlotlyJSONEncoder) for days in (0, 3))
    assert "12 vehicles need nothing" in now
    assert "12 vehicles needed nothing when they were last analysed (the first of them 3 days ago)" in later
    table, mine = schema.vehicle_summary, schema.vehicle_summary.c.vehicle == "HS-206"
    with writing(engine) as connection:
        need = connection.scalar(select(table.c.need).where(mine))
        connection.execute(update(table).where(mine).values(need=vehicle_summary.PRIORITIES.index("none")))
    assert fleet.fleet(engine, fold=True).folded_us == END_US
    with writing(engine) as connection:
        connection.execute(update(table).where(mine).values(need=need))


def test_of_whom_nothing_is_proven_it_is_said(client: FlaskClient, engine: Engine) -> None:
    """A trailer whose lines nothing watches; beside it a loader whose lines are read."""
    assert client is not None
    told = {}
    for vehicle in ("HS-109", "HS-206"):
        (row,) = fleet.fleet(engine, search=vehicle).rows
        assert row.detail is not None
        need = vehicle_summary.priority_of((), "ok", row.detail.lines, heard=True)
        calm = replace(row.detail, findings=(), open=0, refill=replace(row.detail.refill, state="ok"))
        told[need] = json.dumps(
            fleet_page().row(replace(row, need=need, detail=calm, waiting=0), END_US), cls=PlotlyJSONEncoder
        )
    assert "no line is proven" in told["not_proven"]
    assert "all not proven" in told["not_proven"]
    assert "Nothing to do." in told["none"]
    assert "not proven" not in told["none"]


def fleet_page() -> Any:
    """A page can be imported once there is an application."""
    return importlib.import_module("dashboard.pages.fleet")


@pytest.mark.parametrize("path", ["/vehicle/harrowmere-stone/nobody", "/vehicle/x/HS-101", "/vehicle/a'b/%3Cscript%3E"])
def test_an_unknown_vehicle_is_said_to_be_one(client: FlaskClient, path: str) -> None:
    """In words, as the heading of the page, with a way back to where vehicles are listed."""
    shown = page(client, path)
    assert re.search(r'"children": ?"Unknown vehicle"}, ?"type": ?"H1"', shown)
    assert re.search(r'"href": ?"/fleet"', shown)


@pytest.mark.usefixtures("client")
def test_of_a_long_list_lines_without_a_finding_are_folded(engine: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    """What somebody must see stands above; how many of the others nothing proves is said in the fold's line."""
    lines = importlib.import_module("dashboard.pages.vehicle.lines")

    def numbers(table: Any) -> list[str]:
        return [row.to_plotly_json()["props"]["data-line"] for row in table.children[1].children]

    monkeypatch.setattr(times, "now_us", lambda: END_US)
    with acting_as(OPERATOR), speaking(ENGLISH):
        result = vehicle_result(engine, "harrowmere-stone", "HS-101")
        assert result is not None
        count = len(result.history.setup.lines)
        (whole,) = lines.line_list(result, 1)
        assert len(numbers(whole)) == count
        monkeypatch.setattr(lines, "_MOST_UNFOLDED", 10)
        found, folded = lines.line_list(result, 1)
        assert numbers(found) == ["5"]
        assert folded.children[0].children == f"{count - 1} lines that nothing is found on"
        assert len(numbers(folded.children[1])) == count - 1
        unheard = vehicle_result(engine, "harrowmere-stone", "HS-102")
        assert unheard is not None
        (folded,) = lines.line_list(unheard, 1)
        count = len(unheard.history.setup.lines)
        assert folded.children[0].children == f"{count} lines that nothing is found on, {count} of them not proven"


def test_a_refill_round_has_a_page(client: FlaskClient, engine: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    """Visits with what to take along and what else is open; a limit that cannot be kept is said to be one."""
    rounds = importlib.import_module("dashboard.pages.rounds")  # a page can be imported once there is an application
    monkeypatch.setattr(rounds, "engine", lambda: engine)
    assert page(client, "/rounds", "?depot=Skarvholm+Quarry&days=56")
    shown, address = rounds.show("Skarvholm Quarry", "56", "", 2)
    assert address == "/rounds?depot=Skarvholm+Quarry&days=56"
    text = json.dumps(shown, cls=PlotlyJSONEncoder)
    assert "tipper 101" in text
    assert "Line blocked" in text
    assert "Take along" in text
    file = rounds.save(1, "Skarvholm Quarry", "56", "")
    assert file["filename"] == "round-Skarvholm-Quarry.csv"
    assert file["content"].startswith("date,depot,vehicle")
    wharf = rounds.save(1, "Estuary Wharf", "0", "")["content"].splitlines()[1:]
    assert wharf  # nobody is known to need a fill there today, and of these nobody knows when
    assert all(line.startswith(",Estuary Wharf,") for line in wharf)
    assert rounds.save(1, "", "56", "") is no_update


def test_a_round_is_a_calendar_whose_entries_move(engine: Engine) -> None:
    """RFC 5545, read back by the icalendar library: whole days, and the same names for a round of another day."""
    told = read_round(engine, "Skarvholm Quarry", 60, 1, 0.4, frozenset(range(7)), END_US)
    assert told.visits
    *events, undated = Calendar.from_ical(calendar.round_calendar(told)).walk("VEVENT")
    assert "No date is known for" in str(undated["summary"])
    days = [told.today + timedelta(days=visit.day) for visit in told.visits]
    assert [event.decoded("dtstart") for event in events] == days
    assert [event.decoded("dtend") for event in events] == [day + timedelta(days=1) for day in days]
    again = read_round(engine, "Skarvholm Quarry", 60, 1, 0.4, frozenset(range(7)), END_US + DAY_US)
    uids = {str(event["uid"]) for event in (*events, undated)}
    assert len(uids) == len(events) + 1
    assert {str(e["uid"]) for e in Calendar.from_ical(calendar.round_calendar(again)).walk("VEVENT")} <= uids


@pytest.mark.usefixtures("app")  # a page can be imported once there is an application
def test_a_round_says_how_old_its_levels_are(engine: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    """When they were worked out, and who was last heard long before: on the page, by the command and in the file."""
    rounds, depot = importlib.import_module("dashboard.pages.rounds"), "Skarvholm Quarry"
    heard = {END_US: False, END_US + 5 * DAY_US: True}
    for now_us, is_old in heard.items():
        monkeypatch.setattr(times, "now_us", lambda now_us=now_us: now_us)
        monkeypatch.setattr(planning, "now_us", lambda now_us=now_us: now_us)
        told = read_round(engine, depot, 56, None, 0.4, frozenset(range(5)), now_us)
        assert told.visits
        shown = json.dumps(rounds.body(told, 56), cls=PlotlyJSONEncoder, ensure_ascii=False)
        said = tallow("round", depot, "--days", "56", database=str(engine.url)).stdout
        worked_out = f"Levels were worked out {'5 days ago' if is_old else 'just now'}, from what was heard by then."
        for text in (shown, said):
            assert worked_out in text
            assert ("Heard last so long ago that levels may be other than expected: " in text) is is_old
        assert ("heard 5 days ago" in shown) is is_old
        filled = [row for row in csv.round_table(told) if row["litres"]]
        assert filled
        assert all(row["last_heard"].startswith("2025-11-") for row in filled)


def test_a_calendar_of_refills_agrees_with_the_round(engine: Engine) -> None:
    """Litres are those of the day, not today's; nothing is on a weekend; what is proposed comes with its cautions."""
    asked = read_refillable(engine, "Skarvholm Quarry", END_US)
    *events, _undated = Calendar.from_ical(refill_calendar(asked, "Skarvholm Quarry")).walk("VEVENT")
    needs = {f"Fill {one.need.unit}": one.need for one in asked.refillable}
    assert events
    for event in events:
        day = event.decoded("dtstart")
        assert day.weekday() < 5
        unit, litres = re.fullmatch(r"(Fill .+): ([\d.]+) l of .+", str(event["summary"])).groups()  # type: ignore[union-attr]
        ahead = (day - asked.today).days
        assert float(litres) == pytest.approx(needs[unit].litres_on(ahead), abs=0.051)
        assert 0 <= ahead <= max(0, needs[unit].early_days)
        assert CAUTION in str(event["description"])
        assert "stop at the full mark" in str(event["description"])
    told = read_round(engine, "Skarvholm Quarry", 90, None, 0.4, frozenset(range(5)), END_US)
    on_round = {f"Fill {stop.need.unit}" for visit in told.visits for stop in visit.stops}
    assert {str(event["summary"]).split(":")[0] for event in events} == on_round


@pytest.mark.parametrize(
    ("path", "search"),
    [
        ("/", ""),
        ("/fleet", ""),
        ("/alarms", ""),
        ("/vehicle/harrowmere-stone/HS-101", ""),
        ("/label/harrowmere-stone/HS-101", ""),
    ],
)
def test_cautions_stand_wherever_work_is_proposed(client: FlaskClient, path: str, search: str) -> None:
    """Short, and in plain sight."""
    assert CAUTION in page(client, path, search)


def test_a_vehicle_that_only_wants_grease_has_cautions(client: FlaskClient, engine: Engine) -> None:
    """And how to fill without bursting the reservoir."""
    assert client is not None
    result = vehicle_result(engine, "harrowmere-stone", "HS-206")
    assert result is not None
    due = replace(result, findings=(), refill=replace(result.refill, state="due"))
    side = importlib.import_module("dashboard.pages.vehicle.side")
    shown = json.dumps(side.reservoir(due, []), cls=PlotlyJSONEncoder)
    assert CAUTION in shown
    assert FILL_STEP in shown


def test_what_is_printed_has_the_cautions_in_full(client: FlaskClient, engine: Engine) -> None:
    """The round and the handover; the round's are folded on the screen only."""
    rounds = importlib.import_module("dashboard.pages.rounds")
    told = read_round(engine, "Skarvholm Quarry", 56, None, 0.4, frozenset(range(7)), END_US)
    sheet = json.dumps(rounds.body(told, 56), cls=PlotlyJSONEncoder, ensure_ascii=False)
    assert "on-paper" in sheet
    handover = page(client, "/handover/harrowmere-stone/HS-101")
    for text in CAUTIONS:
        assert sheet.count(text) == 2
        assert ("no handover" in handover) or text in handover


def test_a_vehicle_ticked_off_leaves_the_round(engine: Engine) -> None:
    """From its record on, before the analysis has seen it."""

    def due() -> set[str]:
        told = read_round(engine, "Skarvholm Quarry", 60, None, 0.4, frozenset(range(7)), END_US)
        return {stop.need.vehicle for visit in told.visits for stop in visit.stops}

    before = due()
    vehicle = sorted(before)[0]
    with writing(engine) as connection:
        found = registry.find(connection, vehicle)
        filled = work.Work(key="tick", kind="filled", at_us=END_US + 1, by="somebody", to_pct=100)
        work_records.record(connection, found.id, found.setups, filled, END_US + 2)
    assert due() == before - {vehicle}


def test_the_data_page_says_what_everything_rests_on(client: FlaskClient, engine: Engine) -> None:
    """What comes in, what stopped, and how past dates held once somebody looked."""
    assert "What everything else rests on" in page(client, "/data")
    data = importlib.import_module("dashboard.pages.data")

    def text(parts: Any) -> str:
        return json.dumps(parts, cls=PlotlyJSONEncoder)

    told = replace(data_state(engine), recorders={})
    newest_us = told.newest_us
    assert newest_us is not None
    shown = text(data.body(told, newest_us + 60_000_000))
    assert "No new messages for" not in shown
    assert "Nothing was ever refused." in shown
    late_us = newest_us + 2 * 3_600_000_000
    assert "No new messages for 2 h" in text(data.body(told, late_us))
    writes = replace(told, recorders={"tallow-ingest": late_us - 60_000_000})  # what it records was sent long ago
    assert "No new messages" not in text(data.body(writes, late_us))
    silent = replace(told, newest_us=None, recorders={"tallow-ingest": 0})
    assert "days ago" not in text(data.body(silent, late_us)).split("Refused")[0]
    assert "Not worked out yet" in text(data.dates(told, "tallow_light"))
    with workers(1) as pool:
        found = backtest.backtest(engine, 5, pool, lambda done, of: None)
    assert found is not None
    shown = text(data.dates(data_state(engine), "tallow_light"))
    assert f"{found.cases} past dates" in shown
    assert f"{found.coverage:.0%} came within their window" in shown


def test_what_the_data_page_does_not_list_is_counted(client: FlaskClient, engine: Engine) -> None:
    """The number is of all, and how many are left out is said."""
    assert client is not None
    data = importlib.import_module("dashboard.pages.data")
    state, who = data_state(engine), Who("f", "v", "tipper 1", "Quarry")
    assert sum(state.numbers.values()) == len(state.findings)
    silent = Finding("silent", None, (), 0, 0, None, "plan", "nothing heard")
    few = replace(
        state, numbers=state.numbers | {"silent": 250}, noted=203, findings=[(who, silent)], notes=[(who, "a note")]
    )
    shown = json.dumps(data.body(few, END_US), cls=PlotlyJSONEncoder)
    for said in (": 250", "and 249 more", "and 202 more"):
        assert said in shown


def test_data_and_patterns_are_of_the_chosen_depot(client: FlaskClient, engine: Engine) -> None:
    """What stands at the top is what is listed; what comes in is of all, and the page says so."""
    here = Scope(depot="Skarvholm Quarry")
    every, chosen = data_state(engine), data_state(engine, scope=here)
    assert chosen.findings == [(who, found) for who, found in every.findings if who.depot == here.depot]
    assert 0 < sum(chosen.numbers.values()) < sum(every.numbers.values())
    assert chosen.recorded == every.recorded
    assert "are of all depots" in page(client, "/data", "?depot=Estuary+Wharf")
    assert "are of all depots" not in page(client, "/data")
    assert patterns.patterns(engine, "depot", scope=here).vehicles < patterns.patterns(engine, "depot").vehicles
    assert {name for name, _ in patterns.patterns(engine, "depot", scope=here).rates} == {"Skarvholm Quarry"}


def test_patterns_compare_by_exposure(client: FlaskClient, engine: Engine) -> None:
    """One blocked line in the months of all lines that a channel watches; every grouping has an answer."""
    told = patterns.patterns(engine, "point")
    kingpin = next(r for name, r in told.rates if name == "kingpin")
    result = vehicle_result(engine, "harrowmere-stone", "HS-101")
    assert result is not None
    watched = daily.days(result)
    months = len(watched) / 30.4
    assert kingpin.events == 1
    assert kingpin.exposure == pytest.approx(4 * months)
    assert sum(r.events for _, r in told.rates) == 1
    assert told.course is not None
    assert told.course.mean[-1] == pytest.approx(1 / 2)  # two vehicles have channels
    for group in patterns.GROUPS:
        assert page(client, "/patterns", f"?by={group}")
        assert sum(r.events for _, r in patterns.patterns(engine, group).rates) == 1
    hours = patterns.patterns(engine, "point", "hours")
    by_hours = next(r for name, r in hours.rates if name == "kingpin")
    assert by_hours.events == 1
    assert by_hours.exposure == pytest.approx(4 * sum(day.ignition_h for day in watched))
    assert hours.course is not None
    assert 0 < hours.course.time[0] < by_hours.exposure / 4
    assert point_kind("kingpin upper left") == "kingpin"
    assert point_kind("left") == "left"
    assert point_kind("boom pivot 7") == point_kind("boom pivot 12") == "boom pivot"


def test_grease_by_month_has_a_page(client: FlaskClient, engine: Engine) -> None:
    """What is needed next, what was used and filled; the table as a file."""
    assert "grease-scope" in page(client, "/grease", "?depot=Skarvholm+Quarry")
    grease = importlib.import_module("dashboard.pages.grease")
    found, ahead_l = read_amounts(engine), read_ahead_l(engine)
    shown = json.dumps(grease.body(found, ahead_l, 0.9, "tallow_light"), cls=PlotlyJSONEncoder)
    assert "The next 30 days" in shown
    assert "NLGI" in shown
    rows = csv.amounts_table(found, 0.9)
    assert rows
    assert float(rows[0]["used_kg"]) == pytest.approx(0.9 * float(rows[0]["used_l"]), abs=0.01)
    depot = found[0].depot
    assert {one.depot for one in read_amounts(engine, Scope(depot=depot))} == {depot}
    assert {place for place, _ in read_ahead_l(engine, Scope(depot=depot))} == {depot}
    assert read_amounts(engine, Scope(fleet="another-fleet")) == []
    assert read_ahead_l(engine, Scope(fleet="another-fleet")) == {}
    assert grease.body([], {}, 0.9, "tallow_light")[0].children == "Nothing is analysed yet."


def test_security_headers_are_sent(client: FlaskClient) -> None:
    """No script but our own may run; the page may not be framed."""
    headers = client.get("/").headers
    policy = headers["Content-Security-Policy"]
    assert "default-src 'self'" in policy
    assert "frame-ancestors 'none'" in policy
    assert "unsafe-eval" not in policy
    assert "script-src 'self' 'sha256-" in policy
    assert headers["X-Content-Type-Options"] == "nosniff"


@pytest.mark.usefixtures("client")
def test_the_frame_names_results_that_stay_old_and_the_age_of_the_depots_data(engine: Engine) -> None:
    """One vehicle's failing analysis does not hide behind all others', nor does a silent depot behind those that send."""
    analysis = schema.analysis

    def looked(at_us: int, only: int | None = None) -> None:
        mine = [] if only is None else [analysis.c.vehicle_id == only]
        with writing(engine) as connection:
            connection.execute(update(analysis).where(*mine).values(as_of_us=at_us))

    with acting_as(OPERATOR), engine.connect() as connection:
        (one,) = connection.scalars(select(schema.vehicle.c.id).where(schema.vehicle.c.vehicle == "HS-109"))
    now_us = times.now_us()
    with acting_as(OPERATOR), speaking(ENGLISH):
        looked(now_us)
        with writing(engine) as connection:
            connection.execute(update(schema.recorder_stats).values(last_us=now_us))
        assert not frame.state(engine)["late"]
        looked(now_us - 20 * DAY_US, one)
        assert (frame.state(engine)["words"], frame.state(engine)["late"]) == ("1 vehicle not analysed for a day", True)
        shown = importlib.import_module("dashboard.pages.alarms.page")
        for depot, told in (("", True), ("Estuary Wharf", False)):  # it stands at another depot
            view = alarms.alarm_view(engine, Scope(depot=depot), "", "acknowledged")
            parts = str(shown.body(view, {"fleet": "", "depot": depot, "vehicle": "", "tab": "acknowledged"}))
            assert ("1 vehicle was not analysed for a day: its alarms may be old or missing." in parts) is told
            assert ("HS-109" in parts) is told
        looked(END_US)
        with writing(engine) as connection:
            connection.execute(update(schema.recorder_stats).values(last_us=times.now_us()))
        unheard = frame.state(engine, Scope(depot="no such depot"))
    assert "Newest message: not yet" in unheard["about"]
    assert unheard["words"] == "No data yet"


@pytest.mark.parametrize(("day", "hours"), [(1, 18), (4, 18), (5, 72), (6, 72), (7, 72), (8, 18)])
def test_nothing_is_heard_over_a_night_or_a_weekend(day: int, hours: int) -> None:
    """From Tuesday to Friday the day before was a working one: a day without a message is no weekend (1 September 2026: a Tuesday)."""
    at_us = times.microseconds(datetime(2026, 9, day, 12, tzinfo=UTC))
    assert longest_quiet_us(at_us, listened=True) == hours * times.HOUR_US
    assert longest_quiet_us(at_us, listened=False) == times.HOUR_US // 2


@pytest.mark.usefixtures("client")
def test_a_fleet_that_stands_at_night_is_no_trouble_where_an_ingester_listens(engine: Engine) -> None:
    """Nothing recorded for hours is trouble where nobody is known to listen, and after days in any case."""
    stats, now_us = schema.recorder_stats, times.now_us()

    def told(recorded_us: int, listened_us: int | None) -> tuple[bool, str]:
        with writing(engine) as connection:
            connection.execute(update(stats).values(last_us=recorded_us, listened_us=listened_us))
            connection.execute(update(schema.analysis).values(as_of_us=now_us))
        state = frame.state(engine)
        return state["late"], state["about"].splitlines()[-1]

    night_us, just_now_us = now_us - 9 * 3_600_000_000, times.machine_us()
    with acting_as(OPERATOR), speaking(ENGLISH):
        assert told(night_us, just_now_us) == (False, "Ingest: listens to the broker")
        assert told(night_us, None) == (True, "Ingest: not known to listen to a broker")
        assert told(night_us, just_now_us - 600_000_000)[0]
        assert told(now_us - 4 * DAY_US, just_now_us)[0]
        shown = importlib.import_module("dashboard.pages.data")
        state = replace(data_state(engine), recorders={"tallow-ingest": night_us}, newest_us=night_us)
        quiet, away = (str(shown.body(replace(state, listened=one), now_us)) for one in (True, False))
    assert "No new messages for 9 h" not in quiet
    assert "No new messages for 9 h" in away


def test_a_vehicle_whose_analysis_fails_is_shown_as_one(
    engine: Engine, client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not by a page that stays as it was, nor by none: with what went wrong, and of when the lists are. Programs are told, too."""
    _analysed.cache_clear()

    def fails(*_: object) -> None:
        raise ZeroDivisionError("by nothing")

    monkeypatch.setattr("dashboard.queries.vehicle.analysed", fails)
    told = page(client, "/vehicle/harrowmere-stone/HS-206")
    assert "harrowmere-stone/HS-206 cannot be analysed, please report this: ZeroDivisionError: by nothing." in told
    assert "What lists show of it was found" in told
    shown = importlib.import_module("dashboard.pages.vehicle.page")
    with client.application.app_context(), acting_as(OPERATOR), speaking(ENGLISH):
        drawn = shown.refresh(1, {"fleet": "harrowmere-stone", "name": "HS-206", "news": -1}, None)
    parts = dict(zip(shown._PARTS, drawn, strict=False))
    assert "cannot be analysed" in str(parts["head"])
    assert (parts["bar"], parts["reservoir"], parts["lines"]) == ("", "", "")
    assert parts["work"] is dash.no_update
    assert "HS-206 cannot be analysed" in page(client, "/handover/harrowmere-stone/HS-206")
    with acting_as(OPERATOR), pytest.raises(Unanalysed, match="HS-206 cannot be analysed"):
        vehicle_result(engine, "harrowmere-stone", "HS-206")


def test_the_frame_names_those_that_never_were_analysed(engine: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of which there are no results that could be old: once it was registered for a day."""
    analysis, setup = schema.analysis, schema.setup
    with engine.connect() as connection:
        (one,) = connection.scalars(select(schema.vehicle.c.id).where(schema.vehicle.c.vehicle == "HS-109"))
        held = dict(connection.execute(select(analysis).where(analysis.c.vehicle_id == one)).mappings().one())
    monkeypatch.setattr(times, "now_us", lambda: END_US)
    with writing(engine) as connection:
        connection.execute(update(analysis).values(as_of_us=END_US))
        connection.execute(update(schema.recorder_stats).values(last_us=END_US))
        connection.execute(delete(analysis).where(analysis.c.vehicle_id == one))
    told = []
    with acting_as(OPERATOR), speaking(ENGLISH):
        for registered_us in (END_US - DAY_US // 2, END_US - 2 * DAY_US):
            with writing(engine) as connection:
                connection.execute(update(setup).where(setup.c.vehicle_id == one).values(registered_us=registered_us))
            told.append(frame.state(engine)["words"])
    with writing(engine) as connection:
        connection.execute(insert(analysis).values(held))
    assert told[0].startswith("Data ")
    assert told[1] == "1 vehicle not analysed for a day"


def test_the_totals_count_the_rows(engine: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each need's total is the number of rows behind its link."""
    monkeypatch.setattr(times, "now_us", lambda: END_US)
    view = fleet.fleet(engine)
    assert sum(view.totals.values()) == 25
    for need, number in view.totals.items():
        assert fleet.fleet(engine, need=need).found == number


def test_an_empty_database_has_a_page(tmp_path: Path) -> None:
    """It says what to do first."""
    engine = sqlite_at(tmp_path / "empty.db")
    client = create_app(engine).server.test_client()
    for path in ("/", "/fleet"):
        shown = page(client, path)
        assert "tallow register" in shown
        assert "tallow demo" in shown
        assert "/set-up" in shown
    assert "No alarm was ever raised" in page(client, "/alarms")
    engine.dispose()


@pytest.mark.usefixtures("client")
def test_a_silent_week_is_not_a_week_without_cycles_due(engine: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of who was not heard for seven days nobody knows what was done or missed: neither on the page nor in the file."""
    with acting_as(OPERATOR), speaking(ENGLISH):
        (row,) = (one for one in fleet.fleet(engine).rows if one.vehicle == "HS-101")
        fleet_page = importlib.import_module("dashboard.pages.fleet")
        for later_us, unknown in ((DAY_US, False), (8 * DAY_US, True)):
            monkeypatch.setattr(times, "now_us", lambda later_us=later_us: END_US + later_us)
            shown = json.dumps(fleet_page.row(row, times.now_us()), cls=PlotlyJSONEncoder)
            assert ('"not known"' in shown) is unknown
            (line,) = csv.fleet_table([row])
            assert (line["cycles_done_7_days"] == "") is unknown


@pytest.mark.parametrize("found", sorted(work.FOUND))
def test_what_was_found_is_told_with_the_work(found: work.Found) -> None:
    """Wherever work is listed."""
    told = formatting.work_details(work.Work(key="k1", kind="looked_at", at_us=END_US, by="R. Tarvolen", found=found))
    assert work.FOUND[found].casefold() in [text.casefold() for text in told]


@pytest.mark.parametrize(
    ("days", "written", "likely"),
    [
        ((0, 2, 3), "1 to 4 Mar 2026", ", most likely 3 Mar 2026"),
        ((0, 2, 40), "1 Mar to 10 Apr 2026", ", most likely 3 Mar 2026"),
        ((0, 2, None), "from 1 Mar 2026", ", most likely 3 Mar 2026"),
        ((0, 2, 400), "1 Mar 2026 to 5 Apr 2027", ", most likely 3 Mar 2026"),
        ((None, None, None), "far off", ""),
        ((-60, 2, 3), "perhaps due already", ", most likely 3 Mar 2026"),
        ((-60, None, None), "perhaps due already", ""),
        ((-60, -40, 3), "most likely due already", ""),
    ],
)
def test_a_refill_window_tells_days_to_come_only(days: tuple[int | None, ...], written: str, likely: str) -> None:
    """Days that have passed are no forecast of a level that nobody has heard to be at its mark."""
    noon = 1_772_362_800_000_000  # 2026-03-01T11:00:00Z
    early, expected, late = (None if day is None else noon + day * DAY_US for day in days)
    refill = Refill(noon, 40.0, 15.0, early, expected, late, 1.0, 0.5, 0.5, 10.0, "soon", None)
    assert refill_window.window(refill, "UTC") == written
    assert refill_window.likely_window(refill, "UTC") == written + likely


def test_words() -> None:
    """Times as people read them, in the depot's zone."""
    noon = 1_772_362_800_000_000  # 2026-03-01T11:00:00Z
    assert formatting.moment(noon, "Europe/Oslo") == "1 Mar 2026, 12:00"
    assert formatting.ago(noon - 3_600_000_000 * 5, noon) == "5 h ago"
    assert formatting.ago(None, noon) == "never"
    assert formatting.ago(noon + 2 * DAY_US, noon) == "not known: its clock is ahead"
    assert formatting.moment(noon, "Europe/Oslo", with_zone=True) == "1 Mar 2026, 12:00 CET"


def test_lines_in_a_row_are_told_by_the_first_and_the_last() -> None:
    """Three and more; two are two."""
    assert line_numbers(range(1, 37)) == "1 to 36"
    assert line_numbers([9, 1, 2, 3, 5, 6, 11, 10]) == "1 to 3, 5, 6, 9 to 11"
    assert line_numbers([]) == ""


def test_sentences_are_read_in_the_readers_units() -> None:
    """Exact factors of NIST SP 811 appendix B.8: 1 psi = 6.894757 kPa, 1 US gal = 3.785412 l; other numbers stay what they are."""
    said = "When it was handed over it read 5200 kPa at 21 °C. It takes 4.2 l of EP 2. Line 3 of 14, 25 times, 1.5 m."
    assert formatting.in_my_units(said) == said.replace("5200 kPa", "52 bar")
    with acting_as(replace(OPERATOR, units={"pressure": "psi", "temperature": "°F", "volume": "US gal"})):
        told = formatting.in_my_units(said)
    assert told == said.replace("5200 kPa", "754 psi").replace("21 °C", "70 °F").replace("4.2 l", "1.1 US gal")


def test_a_text_from_a_message_is_text(client: FlaskClient) -> None:
    """Nothing a vehicle is called becomes markup: components carry plain strings."""
    shown: Any = page(client, "/fleet", "?sort=unit")
    assert "dangerously" not in shown
    assert "Markdown" not in shown


def test_work_comes_in_by_its_own_address_only(client: FlaskClient, engine: Engine) -> None:
    """JSON from this site's pages; what is wrong with a record is said, and nothing of it is kept."""
    address, record = "/work/harrowmere-stone/HS-206", {"kind": "bled", "by": "somebody", "key": "w1", "at_us": END_US}

    def told(expected: int, path: str = address, **changes: Any) -> str:
        answer = client.post(path, json=record | changes)
        assert answer.status_code == expected
        return str((answer.json or {}).get("problem", ""))

    assert "kind of work" in told(400, kind="painted")
    assert "cannot go into" in told(400, kind="filled", litres=999)
    assert "above the full mark" in told(400, kind="filled", to_pct=110)
    assert "no date" in told(400, at_local="yesterday")
    assert "2199-07-01 06:00 UTC is no time" in told(400, at_local="2199-07-01T06:00Z")
    assert "is registered" in told(400, path="/work/harrowmere-stone/nobody")
    assert client.post(address, data=json.dumps(record), content_type="text/plain").status_code == 403
    assert client.post(address, json=record, headers={"Origin": "https://elsewhere.example"}).status_code == 403
    assert client.post(address, json=[1]).status_code == 400
    assert client.post(address, data="[" * 8_000, content_type="application/json").status_code == 400
    assert client.post(address, json=record | {"note": "x" * 20_000}).status_code == 413
    assert records(engine, "harrowmere-stone", "HS-206") == ()
    assert told(200, note="<b>bold</b>") == ""
    (kept,) = records(engine, "harrowmere-stone", "HS-206")
    assert (kept.work.kind, kept.stands) == ("bled", True)
    shown = page(client, "/vehicle/harrowmere-stone/HS-206")
    assert "System bled; <b>bold</b>" in shown  # text of a component, never markup


def test_what_is_recorded_in_a_demo_is_of_its_own_time(
    client: FlaskClient, engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A browser sends the time of its machine, which a demo's clock runs away from."""
    monkeypatch.setattr(times, "_shown", [times.Clock(END_US - 1_000_000, END_US - 120_000_000, 120.0)])
    record = {"kind": "bled", "by": "somebody", "key": "w2", "at_us": END_US - 900_000}
    assert client.post("/work/harrowmere-stone/HS-206", json=record).status_code == 200
    at_us = [one.work.at_us for one in records(engine, "harrowmere-stone", "HS-206") if one.work.key == "w2"]
    assert at_us == [END_US - 108_000_000]


SCRIPT = "<script>alert(1)</script>=1+1"


def test_script_in_any_text_is_text(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In every field of a registry file and of a record: shown as it was written, as text of a component, and nowhere as markup."""
    vehicle = VEHICLE | dict.fromkeys(("unit", "class", "depot", "grease"), SCRIPT)
    lines = [LINE | {"point": SCRIPT, "bundle": SCRIPT, "channel": SCRIPT}]
    database = sqlite_at(tmp_path / "tallow.db")
    with writing(database) as connection:
        vehicle_summary.register(connection, write(tmp_path, [vehicle], lines), 1)
        found = registry.find(connection, VEHICLE["vehicle"])
        said = {
            "key": "k",
            "kind": "line_mended",
            "at_us": END_US,
            "by": SCRIPT,
            "note": SCRIPT,
            "lines": [int(LINE["line"])],
        }
        work_records.record(connection, found.id, found.setups, work.work_of(said), END_US)
    with workers(1) as pool:
        list(results.renew(database, lambda: END_US, pool, lambda done, of: None))
    monkeypatch.setattr(times, "now_us", lambda: END_US)
    client = create_app(database).server.test_client()
    for path in ("/", "/fleet", "/alarms", "/rounds", "/grease", "/account", "/account/report", "/parts", "/patterns", "/data",
                 "/set-up", "/me",
                 f"/vehicle/{VEHICLE['fleet']}/{VEHICLE['vehicle']}", f"/label/{VEHICLE['fleet']}/{VEHICLE['vehicle']}"):  # fmt: skip
        shown = page(client, path)
        assert "dangerously" not in shown
        for index in (i for i in range(len(shown)) if shown.startswith("<script>", i)):
            # The text is a string of its own, not part of something that is read as markup.
            assert '"type": "Markdown"' not in shown[max(0, index - 300) : index]
    table = csv.csv_text(csv.fleet_table(fleet.fleet(database).rows), "fleet")
    assert SCRIPT in table


@pytest.mark.parametrize("text", ["=1+1", "+1+1", "-1+1", "@SUM(A1)", "\tx", "=HYPERLINK(1)"])
def test_no_cell_is_a_formula(text: str) -> None:
    """What a spreadsheet would work out is text; numbers stay numbers."""
    table = csv.csv_text([{"a": text, "b": "-3.5"}], "a")
    assert f"'{text}" in table
    assert "-3.5" in table
    assert "'-3.5" not in table


def test_what_is_registered_comes_back_as_it_was(tmp_path: Path) -> None:
    """Files that the set-up page gives away change nothing where they are registered: neither long numbers nor what looks like a
    formula."""
    from tests.helpers.registry_rows import LINE, POINT, VEHICLE, write

    vehicle = VEHICLE | {
        "vehicle": "-7A",
        "unit": "''=1+1",
        "depot": "@home",
        "grease": "''",
        "relief_kpa": "28123.456",
    }
    lines = [LINE | {"vehicle": "-7A", "point": "+left", "bundle": "-7", "length_m": "3.0000001"}]
    points = [POINT | {"vehicle": "-7A", "interval_days": "", "interval_km": "123456.75"}]
    database = sqlite_at(tmp_path / "tallow.db")
    with writing(database) as connection:
        assert vehicle_summary.register(connection, write(tmp_path, [vehicle], lines, points), 1).changed
    with acting_as(OPERATOR):
        setups = set_up.all_setups(database)
    assert (setups[0].vehicle, setups[0].unit, setups[0].relief_kpa) == ("-7A", "'=1+1", 28123.456)
    tables = {
        "vehicles": files.vehicle_rows(setups),
        "lines": files.line_rows(setups),
        "points": files.point_rows(setups),
    }
    for name, rows in tables.items():
        (tmp_path / f"{name}.csv").write_text(csv.csv_text(rows, "vehicle"), "utf-8")
    assert "\n'-7A,f,''=1+1,day truck,'@home," in (tmp_path / "vehicles.csv").read_text("utf-8")
    with writing(database) as connection:
        assert vehicle_summary.register(connection, tmp_path, 2).changed == frozenset()


def test_the_label_opens_the_vehicles_page(client: FlaskClient) -> None:
    """Its code holds the address."""
    shown = page(client, "/label/harrowmere-stone/HS-101")
    assert "/vehicle/harrowmere-stone/HS-101" in shown
    assert "data:image/svg+xml" in shown
    assert "No vehicle of this name" in page(client, "/label/harrowmere-stone/nobody")


def test_units_are_the_readers(client: FlaskClient) -> None:
    """Gallons once somebody chose them, on this device; exact by definition (NIST SP 811 B.8)."""
    assert " l of NLGI" in page(client, "/fleet", "?sort=need")
    with client.session_transaction() as session:
        session["units"] = {"volume": "US gal", "pressure": "psi", "temperature": "°F"}
    shown = page(client, "/fleet", "?sort=need")
    assert " US gal of NLGI" in shown
    assert " l of NLGI" not in shown
    assert "psi" in page(client, "/vehicle/harrowmere-stone/HS-101")


def test_the_fleet_may_be_sorted_and_filtered_by_class(client: FlaskClient) -> None:
    """On the server; the address holds it."""
    by_name = page(client, "/fleet", "?sort=unit")
    assert by_name.index("loader 206") < by_name.index("tipper 101")
    assert "tipper 101" not in page(client, "/fleet", "?class=loader&sort=unit")
    assert "loader 206" in page(client, "/fleet", "?class=loader&sort=unit")


def test_what_is_listed_is_a_file_as_well(client: FlaskClient, engine: Engine) -> None:
    """Patterns by any grouping, and what is wrong with the data: a row for each that the page shows."""
    assert client is not None
    told = patterns.patterns(engine, "class")
    rows = csv.pattern_table(told, "months")
    assert [row["of"] for row in rows if row["what"] == "rate"] == [name for name, _ in told.rates]
    assert told.course is not None
    assert len(rows) == len(told.rates) + len(told.course.time)
    state = data_state(engine)
    assert len(csv.data_table(state)) == len(state.findings) + len(state.notes)
    with workers(1) as pool:
        assert backtest.backtest(engine, 5, pool, lambda done, of: None) is not None
    dates = csv.dates_table(data_state(engine))
    assert [row["meant"] for row in dates][:3] == ["0.10", "0.50", "0.90"]
    assert all(float(row["value"]) >= 0 for row in dates)


def test_the_sheet_and_sampled_cycles_are_files(client: FlaskClient, engine: Engine) -> None:
    """A row for each line with its condition; the course of each sampled cycle, second by second."""
    assert client is not None
    result = vehicle_result(engine, "harrowmere-stone", "HS-101")
    assert result is not None
    sheet = csv.chart_table(result, "line-list")
    assert [row["line"] for row in sheet] == [str(line.line) for line in result.history.setup.lines]
    assert "blocked_line" in {row["condition"] for row in sheet}
    traces = csv.chart_table(result, "traces")
    assert {row["channel"] for row in traces} == set(result.pressures.channels)
    first = [
        float(row["seconds"])
        for row in traces
        if row["at"] == traces[0]["at"] and row["channel"] == traces[0]["channel"]
    ]
    assert first[0] == 0.0
    assert first == sorted(first)


SENTENCES = {
    "de": ("Leitung 5 (kingpin upper right, front right) scheint verstopft", "Lenkung oder Bremse"),
    "fr": ("conduite 5", "la direction ou le freinage"),
    "es": ("línea 5", "la dirección o los frenos"),
    "nb": ("ledning 5", "Styring eller bremser"),
}


@pytest.mark.parametrize("spoken", SENTENCES)
def test_pages_speak_the_readers_language(client: FlaskClient, spoken: str) -> None:
    """As their browser asks, what the analysis found as well; the page says its language, and that the English cautions decide."""
    client.environ_base["HTTP_ACCEPT_LANGUAGE"] = f"{spoken};q=0.9, en;q=0.5"
    assert f'<html lang="{spoken}">' in client.get("/").text
    shown = page(client, "/vehicle/harrowmere-stone/HS-101")
    with speaking(spoken):
        assert tr(CAUTION) in shown
        assert tr(ENGLISH_DECIDES) in shown
    assert CAUTION not in shown
    assert "looks blocked" not in shown
    assert all(part.casefold() in shown.casefold() for part in SENTENCES[spoken])
    for path in ("/", "/fleet", "/alarms", "/rounds", "/points", "/work", "/grease", "/account", "/parts", "/patterns", "/data", "/help",
                 "/set-up", "/me", "/label/harrowmere-stone/HS-101"):  # fmt: skip
        page(client, path)


def test_a_chosen_language_comes_before_the_browsers(client: FlaskClient) -> None:
    """Chosen on this device; one that nobody speaks here is English."""
    client.environ_base["HTTP_ACCEPT_LANGUAGE"] = "fr"
    with client.session_transaction() as session:
        session["language"] = "de"
    assert '<html lang="de">' in client.get("/").text
    assert "Fuhrpark" in page(client, "/fleet")
    with client.session_transaction() as session:
        session.clear()
    client.environ_base["HTTP_ACCEPT_LANGUAGE"] = "it, ja;q=0.5"
    assert '<html lang="en">' in client.get("/").text


def test_files_stay_english_whoever_asks(client: FlaskClient, engine: Engine) -> None:
    """Programs read them."""
    assert client is not None
    told = fleet.fleet(engine).rows
    english = csv.fleet_table(told)
    with speaking("de"):
        assert csv.fleet_table(told) == english
        assert any("Line blocked: Line 5" in row["findings"] for row in csv.fleet_table(told))


def test_a_commissioning_to_come_is_told_when_registered(tmp_path: Path) -> None:
    """By the command, by the preview and on the vehicle's own page; at most a year ahead."""
    soon = (datetime.now(UTC) + timedelta(days=40)).date()
    told = tallow(
        "register",
        str(write(tmp_path, [VEHICLE | {"commissioned": str(soon)}], [LINE])),
        database=f"sqlite:///{tmp_path / 'x.db'}",
    )
    assert told.stdout.splitlines()[1:] == [f"Commissioned on a day still to come, is that meant? f/v1 ({soon})"]
    empty = sqlite_at(tmp_path / "empty.db")
    with empty.connect() as connection, acting_as(OPERATOR):
        (change,) = set_up.changes(connection, registry.read(connection, tmp_path))
    empty.dispose()
    assert f"commissioned {soon}, which is still to come: is that meant?" in change.what
    client = create_app(engine := sqlite_at(tmp_path / "x.db")).server.test_client()
    assert f"{formatting.day(soon)}, still to come" in page(client, "/vehicle/f/v1")
    engine.dispose()


@pytest.mark.usefixtures("app")
def test_the_depot_at_the_top_holds_on_every_page_that_goes_by_depot() -> None:
    """What stands at the top is what is shown: the script knows each page whose address takes a fleet or depot."""
    script = Path(csv.__file__).parents[1] / "assets" / "frame.js"
    (scoped,) = re.findall(r"const SCOPED = (\[[^\]]*\]);", script.read_text("utf-8"))
    narrowed = {
        one["path"]
        for one in dash.page_registry.values()
        if one.get("path_template") is None and "scope_of(" in inspect.getsource(importlib.import_module(one["module"]))
    }
    assert len(narrowed) > 5
    assert narrowed <= set(json.loads(scoped))


def test_help_names_every_page_of_the_menu(client: FlaskClient) -> None:
    """In the menu's words, with what it is for."""
    shown = page(client, "/help")
    in_menu = [one for one in dash.page_registry.values() if one.get("in_menu") and one["path"] != "/help"]
    assert len(in_menu) > 10
    for one in in_menu:
        assert f'"children": "{one["name"]}", "href": "{one["path"]}"' in shown, one["path"]


def test_the_reports_chart_is_dark_on_a_dark_screen(client: FlaskClient) -> None:
    """One for each scheme, of which the style sheet shows one: that of the screen, and on paper the light one."""
    shown = page(client, "/account/report")
    for scheme, tokens in (("light", LIGHT), ("dark", DARK)):
        assert shown.count(f'"className": "report-{scheme}"') == 1
        assert f'"plot_bgcolor": "{tokens.surface}"' in shown


def test_forms_and_menus_speak_the_readers_language(client: FlaskClient) -> None:
    """Names of fields, of files and of the page itself are texts like others."""
    client.get("/")

    def shown(path: str) -> str:
        answer = client.post("/_dash-update-component", json=page_request(path), headers={"Accept-Language": "de"})
        return json.dumps(json.loads(answer.text), ensure_ascii=False)

    form = shown("/set-up")
    assert "Minimummarke" in form
    for english in ("Low mark, %", "Time zone", "rows of a spreadsheet can be pasted"):
        assert f'"{english}"' not in form
    assert "Findings and work" not in shown("/vehicle/harrowmere-stone/HS-101")
    assert '"Hand points"' not in shown("/points")


def test_before_anything_is_analysed_nothing_is_said_to_be_fine(engine: Engine, client: FlaskClient) -> None:
    """Not even that no sensor fails."""
    assert page(client, "/data")
    data, told = importlib.import_module("dashboard.pages.data"), data_state(engine)
    shown = json.dumps(data.body(told, END_US), cls=PlotlyJSONEncoder)
    assert ("Level sensor: 0" in shown, "Not known: nothing was analysed yet." in shown) == (True, False)
    unknown = json.dumps(data.body(replace(told, looked_us=None, findings=[], notes=[]), END_US), cls=PlotlyJSONEncoder)
    assert unknown.count("Not known: nothing was analysed yet.") == 4
    assert "None." not in unknown
    assert "Level sensor: 0" not in unknown
