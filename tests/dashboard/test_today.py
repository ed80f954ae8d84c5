"""The first page: what is counted, from which days, and what is not known."""

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from plotly.utils import PlotlyJSONEncoder
from sqlalchemy import Engine, delete, insert, select, update

from analytics.alarms import depots
from analytics.pipeline import depot_days, results
from analytics.pipeline.workers import workers
from analytics.planning.closed_days import ClosedDays
from dashboard import formatting
from dashboard.accounts import OPERATOR, acting_as
from dashboard.queries import fleet, today
from dashboard.queries.scope import EVERYTHING, Scope
from dashboard.web.app import create_app
from ingest import schema, times
from ingest.database import writing
from ingest.times import DAY_US, HOUR_US, instant
from simulators.scenario import Trouble
from tests.helpers.vehicles import END_US, arrivals, recorded


@pytest.fixture(scope="module")
def engine(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Engine]:
    """One vehicle that is in trouble since twelve days, and one that is not; the rest of the fleet is registered only."""
    heard = arrivals("HS-101", (Trouble("blocked_line", 12, None, line=5, ratio=4.0),), days=30) + arrivals(
        "HS-206", (), days=30
    )
    engine, _ = recorded(tmp_path_factory.mktemp("today"), [heard])
    with workers(1) as pool:
        list(results.renew(engine, lambda: END_US, pool, lambda done, of: None))
    yield engine
    engine.dispose()


def told(engine: Engine, scope: Scope = EVERYTHING) -> today.Today:
    """The page of the end of the messages."""
    with acting_as(OPERATOR):
        return today.read_today(engine, scope, END_US)


def page(shown: today.Today, engine: Engine) -> str:
    """As it travels."""
    from importlib import import_module

    create_app(engine)
    module: Any = import_module("dashboard.pages.today")
    return json.dumps(module.body(shown, EVERYTHING, END_US), cls=PlotlyJSONEncoder, ensure_ascii=False)


def test_figures_are_those_of_the_list(engine: Engine) -> None:
    """What cannot wait is what the fleet's page counts so; by depot as well."""
    shown = told(engine)
    with acting_as(OPERATOR):
        view = fleet.fleet(engine)
        ours = fleet.fleet(engine, "Skarvholm Quarry")
    assert shown.vehicles == sum(view.totals.values()) == 25
    assert shown.urgent.now == view.totals["act_now"] == sum(shown.by_depot.values())
    assert shown.by_depot.get("Skarvholm Quarry", 0) == ours.totals["act_now"] >= 1
    at_quarry = told(engine, Scope(depot="Skarvholm Quarry"))
    assert at_quarry.urgent.now == ours.totals["act_now"]
    assert {r.depot for one in at_quarry.work for r in one.rows} == {"Skarvholm Quarry"}


def test_weeks_come_from_what_was_kept_and_what_still_tells(engine: Engine) -> None:
    """Days before the first message are not known; the blocked line counts from the day on which it was seen; what was due then nobody
    knows."""
    shown = told(engine)
    with engine.connect() as connection:
        found = connection.execute(
            select(schema.finding.c.detected_us).where(schema.finding.c.kind == "blocked_line")
        ).scalar_one()
    today_, first = instant(END_US).date(), instant(found).date()
    days = [today_ - timedelta(days=depot_days.SHOWN_DAYS - n) for n in range(depot_days.SHOWN_DAYS)]
    urgent, heard = dict(zip(days, shown.urgent.weeks, strict=True)), dict(zip(days, shown.heard.weeks, strict=True))
    assert urgent[today_ - timedelta(days=40)] is None
    assert heard[today_ - timedelta(days=40)] is None
    assert urgent[first - timedelta(days=1)] == 0
    assert urgent[first] == 1
    assert max(n for n in heard.values() if n is not None) == 2
    assert set(shown.due.weeks) == {None}


def test_a_day_is_counted_once_however_often(engine: Engine) -> None:
    """And the days before it stay as they were kept."""
    with writing(engine) as connection:
        yesterday = (instant(END_US).date() - timedelta(days=1)).isoformat()
        connection.execute(update(schema.depot_day).where(schema.depot_day.c.day == yesterday).values(due=7))
    for _ in range(2):
        depot_days.keep(engine, END_US)
    with engine.connect() as connection:
        kept = connection.execute(select(schema.depot_day).where(schema.depot_day.c.day >= yesterday)).all()
    assert len({(row.day, row.depot) for row in kept}) == len(kept)
    assert {row.due for row in kept if row.day == yesterday} == {7}


def test_what_is_not_known_is_said_to_be(engine: Engine) -> None:
    """Points greased as planned, of a week that no account tells of: neither nothing nor everything."""
    shown = replace(told(engine), greased=today.Figure(None), unheard=21, not_proven=2)
    text = page(shown, engine)
    assert "not known yet" in text
    assert "%" not in text.split("Points greased as planned")[1].split("Vehicles that need somebody")[0]
    assert "needs somebody today" in text or "need somebody today" in text
    assert "Not known: 21 not heard yet, 2 not proven." in text
    assert "is known to need somebody today: 21 not heard yet, 2 not proven." in page(
        replace(shown, by_depot={}), engine
    )
    assert "Take along: " in text
    assert "for a qualified person to judge before it goes back on the road" in text


def test_the_calendar_shows_closed_days_and_says_what_is_not_known(engine: Engine) -> None:
    """Of a depot whose days nobody named, and of vehicles without a date: an open day is not claimed, nor a full reservoir."""
    shown = told(engine)
    (row,) = [*shown.refills, *(one.rows[0] for one in shown.work)][:1]
    shown = replace(shown, refills=[row])
    assert shown.undated_number >= 20  # registered, never heard
    text = page(shown, engine)
    assert f"No refill date is known of {shown.undated_number} vehicles" in text
    assert "never heard" in text
    assert f"Closed days are not known of {row.depot}" in text
    tomorrow = instant(END_US).date() + timedelta(days=1)
    with writing(engine) as connection:
        depots.keep_closing(connection, row.depot, ClosedDays(tomorrow, tomorrow + timedelta(days=1), "stocktaking"))
        first, last = tomorrow - timedelta(days=1), tomorrow + timedelta(days=5)
        closed = depots.closed_between(connection, [row.depot, "elsewhere"], first, last)
        connection.execute(delete(schema.closing))
    assert closed == {row.depot: {tomorrow: "stocktaking", tomorrow + timedelta(days=1): "stocktaking"}}
    text = page(replace(shown, closed=closed), engine)
    assert f"{row.depot}: closed {formatting.day(tomorrow)} to" in text
    assert "(stocktaking)" in text
    assert text.count('"className": "today-shut"') == 2
    assert "Closed days are not known" not in text


def test_what_changed_since_yesterday(engine: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    """New, over, and a repair that held, each once."""
    finding = schema.finding
    monkeypatch.setattr(times, "now_us", lambda: END_US)
    with engine.connect() as connection:
        row = connection.execute(select(finding).where(finding.c.kind == "blocked_line")).mappings().one()
    base = {name: row[name] for name in row if name not in ("id", "ended_us", "evidence", "kind", "detected_us")}
    at = {"detected_us": END_US - 20 * DAY_US}
    rows = [
        base | at | {"kind": "open_line", "ended_us": END_US - HOUR_US, "evidence": {"cycles_since_repair": 10}},
        base | at | {"kind": "silent", "ended_us": END_US - HOUR_US, "evidence": {}},
        base | {"kind": "timer_mismatch", "ended_us": None, "evidence": {}, "detected_us": END_US - HOUR_US},
        base | at | {"kind": "overfill", "ended_us": END_US - 2 * DAY_US, "evidence": {}},
    ]
    with writing(engine) as connection:
        connection.execute(insert(finding), rows)
    try:
        news = told(engine).news
    finally:
        with writing(engine) as connection:
            connection.execute(
                delete(finding).where(finding.c.kind.in_(("open_line", "silent", "timer_mismatch", "overfill")))
            )
    assert [found.kind for _, found in news.held] == ["open_line"]
    assert [found.kind for _, found in news.over] == ["silent"]
    assert "timer_mismatch" in [found.kind for _, found in news.new]
    assert news.not_held == []
    assert all(found.kind != "overfill" for found_of in (news.new, news.over, news.held) for _, found in found_of)
