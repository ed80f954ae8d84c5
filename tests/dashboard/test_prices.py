"""What a dry point costs, and the money at risk by it."""

import importlib
import json
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from plotly.utils import PlotlyJSONEncoder
from sqlalchemy import Engine, insert, select

from analytics.account.found import Verdict, tallies
from analytics.account.greased import kept_of
from analytics.account.prices import HourlyRate, Price, checked_price, checked_rate, of_a_dry_hour, probabilities
from analytics.pipeline import vehicle_summary
from analytics.pipeline.account import keep_dry_points, keep_greased
from analytics.vehicle.doses import Doses
from analytics.vehicle.line_conditions import LineCondition
from dashboard.accounts import Person, acting_as
from dashboard.exports import account as account_words
from dashboard.exports import prices as words
from dashboard.queries import account, alarms
from dashboard.queries import fleet as fleets
from dashboard.queries.prices import AtRisk, at_risk, drop_price, keep_price, keep_rate, read_priced
from dashboard.queries.scope import EVERYTHING
from dashboard.web.app import create_app
from ingest import database, registry, schema, work_records
from ingest.errors import Problem
from ingest.times import read_time
from ingest.work import work_of
from tests.dashboard.test_command import tallow
from tests.helpers.registry_rows import LINE, VEHICLE, write

NOW_US = read_time("2026-05-01T00:00:00Z")
PRICE = Price(point_kind="kingpin", part=120.0, work_h=2.0, standstill_h=4.0, dry_life_h=500.0)
RATE = HourlyRate(currency="EUR", work=65.0, standstill=90.0)


def test_a_dry_hour_by_hand() -> None:
    """120 + 2 times 65 + 4 times 90 are 610; over 500 h that is 1.22 an hour."""
    assert of_a_dry_hour(PRICE, RATE) == pytest.approx(1.22)


@pytest.mark.parametrize(
    "wrong",
    [{"part": -1.0}, {"dry_life_h": 0.0}, {"dry_life_h": float("nan")}, {"point_kind": " "}, {"work_h": float("inf")}],
)
def test_what_cannot_be_meant_is_refused(wrong: dict[str, Any]) -> None:
    """Numbers below zero, lives of nothing."""
    with pytest.raises(Problem):
        checked_price(Price(**vars(PRICE) | wrong))
    with pytest.raises(Problem, match="currency"):
        checked_rate(HourlyRate(currency="", work=1.0, standstill=1.0))


def test_findings_that_were_nothing_make_it_less_likely() -> None:
    """Of nine looked at, three were nothing: (9 - 3 + 0.5) / (9 + 1). Of four nobody can say."""

    def looked_at(kind: str, nothing: int, of: int) -> list[Verdict]:
        return [
            Verdict(vehicle_id=1, fleet="f", vehicle="v", unit="u", vehicle_class="c", kind=kind, at_us=0,
                    found="nothing" if n < nothing else "as_told", cause=None)
            for n in range(of)
        ]  # fmt: skip

    assert probabilities(tallies(looked_at("blocked_line", 3, 9) + looked_at("open_line", 1, 4))) == {
        "blocked_line": 0.65
    }


def filled(engine: Engine, folder: Path) -> Engine:
    """Three vehicles: of the first a kingpin is dry for 100 h, of the second a kingpin for nobody knows how long, and a boom pin for
    900 h, of the third nothing."""
    names = [{"vehicle": f"v{n}", "fleet": "f" if n < 3 else "g"} for n in (1, 2, 3)]
    lines = [LINE | own for own in names] + [
        LINE | own | {"line": "2", "point": "boom pin", "channel": "p2"} for own in names
    ]
    with database.writing(engine) as connection:
        vehicle_summary.register(connection, write(folder, [VEHICLE | own for own in names], lines), 0)
        dry_h: dict[str, dict[int, float | None]] = {"v1": {1: 100.0}, "v2": {1: None, 2: 900.0}, "v3": {}}
        for name, told in dry_h.items():
            vehicle = registry.find(connection, name)
            keep_dry_points(connection, vehicle.id, vehicle.newest, [dry(line, told) for line in (1, 2)])
    return engine


def dry(line: int, told: dict[int, float | None]) -> LineCondition:
    """A line that is blocked, or sound."""
    blocked = line in told
    return LineCondition(
        line=line, bundle="b", condition="blocked_line" if blocked else "sound", state="plan" if blocked else "sound", critical_dry=False,
        ratio=None, hours_since_grease=told.get(line, 0.1),
    )  # fmt: skip


def test_money_at_risk(engine: Engine, tmp_path: Path) -> None:
    """Without prices nothing; with one 100 h at 1.22, and of the second vehicle nobody knows; points without a price are not in it."""
    filled(engine, tmp_path)
    assert fleets.fleet(engine).at_risk is None
    with database.writing(engine) as connection:
        keep_price(connection, PRICE, NOW_US)
        assert read_priced(connection) is None  # nobody has said what an hour costs
        keep_rate(connection, RATE)
        keep_price(connection, PRICE, NOW_US)  # the same again
    view = fleets.fleet(engine, sort="money")
    assert view.at_risk is not None
    assert view.at_risk[("f", "v1")].money == pytest.approx(122.0)
    assert view.at_risk[("f", "v2")] == AtRisk(money=0.0, unknown=1)
    assert len(view.at_risk) == 2
    assert [r.vehicle for r in view.rows] == ["v1", "v2", "v3"]
    assert [words.at_risk(view.at_risk.get(("f", v)), "EUR") for v in ("v1", "v2", "v3")] == [
        "EUR 122",
        "not known",
        "",
    ]
    with database.writing(engine) as connection:
        vehicle = registry.find(connection, "v1")
        for n in range(9):
            about = {"kind": "blocked_line", "channel": "p1", "began_us": n}
            said = {
                "key": f"k{n}",
                "kind": "looked_at",
                "by": "b",
                "at_us": NOW_US,
                "found": "nothing" if n < 3 else "as_told",
            }
            work_records.record(connection, vehicle.id, vehicle.setups, work_of(said | {"about": about}), NOW_US)
        found = read_priced(connection)
        assert found is not None
        rows = at_risk(connection, found, EVERYTHING)
        assert (rows[0].vehicle, rows[0].at_risk.money) == ("v1", pytest.approx(0.65 * 122))
        with acting_as(Person(1, "a", "viewer", fleets=("g",))):
            assert at_risk(connection, found, EVERYTHING) == []
        drop_price(connection, "kingpin")
        with pytest.raises(Problem, match="no price"):
            drop_price(connection, "kingpin")


def raised(vehicle_id: int, line: int, raised_us: int) -> dict[str, Any]:
    """An alarm about a blocked line that nobody took note of."""
    return {
        "vehicle_id": vehicle_id, "kind": "blocked_line", "channel": f"p{line}", "lines": [line], "severity": "plan", "summary": "s",
        "evidence": {}, "began_us": raised_us, "raised_us": raised_us, "active": True, "acknowledged": False, "out_of_service": False,
        "state": "unacknowledged", "changed_us": raised_us, "transitions": 1,
    }  # fmt: skip


def test_what_nobody_knows_is_listed_before_what_is_known_to_be_fine(engine: Engine, tmp_path: Path) -> None:
    """By level and by refill: v1 is at its mark and has a date, v3 is unknown, v2's is known to be far off."""
    filled(engine, tmp_path)
    table = schema.vehicle_summary
    known: dict[str, dict[str, Any]] = {
        "v1": {"level_pct": 10.0, "due_early_us": NOW_US},
        "v2": {"level_pct": 90.0, "due_early_us": None, "detail": {"refill": {"state": "ok"}}},
        "v3": {"level_pct": None, "due_early_us": None, "detail": None},
    }
    with database.writing(engine) as connection:
        for name, values in known.items():
            connection.execute(table.update().where(table.c.vehicle == name).values(values))
    with engine.connect() as connection:
        for sort in ("level", "refill"):
            asked = select(table.c.vehicle).order_by(*fleets.SORTS[sort])
            assert list(connection.execute(asked).scalars()) == ["v1", "v3", "v2"]


def test_alarms_and_worst_points_have_their_money(engine: Engine, tmp_path: Path) -> None:
    """The blocked boom pin of the second vehicle has no price; the kingpin of the first has EUR 122, of that of the second nobody knows.
    Half of a kingpin's doses failed on the first, all on the second: by share the second comes first, by money the first."""
    filled(engine, tmp_path)
    with database.writing(engine) as connection:
        ids = {name: registry.find(connection, name).id for name in ("v1", "v2", "v3")}
        rows = [raised(ids["v3"], 1, 1), raised(ids["v2"], 2, 2), raised(ids["v2"], 1, 3), raised(ids["v1"], 1, 4)]
        connection.execute(insert(schema.alarm), rows)
        for name, failed in (("v1", 1.0), ("v2", 2.0)):
            vehicle = registry.find(connection, name)
            one, share = np.ones((1, 2)), np.array([[failed, 0.0]]) / 2
            told = Doses(
                first=date(2026, 4, 1), lines=vehicle.newest.lines, planned=one, arrived=one - share, failed=share
            )
            keep_greased(connection, vehicle.id, vehicle.newest, kept_of(told, vehicle.setups), None)
    plain = alarms.alarm_view(engine, EVERYTHING, "", "unacknowledged", by_money=True)
    assert plain.at_risk is None
    assert [one.at_risk for one in account.worst_points(engine, "2026-04", by_money=True)] == [None, None]
    with database.writing(engine) as connection:
        keep_rate(connection, RATE)
        keep_price(connection, PRICE, NOW_US)
    view = alarms.alarm_view(engine, EVERYTHING, "", "unacknowledged", by_money=True)
    assert [(row.vehicle, row.alarm.lines) for row in view.rows] == [
        ("v1", (1,)),
        ("v2", (1,)),
        ("v3", (1,)),
        ("v2", (2,)),
    ]
    assert view.at_risk is not None
    assert [words.at_risk(view.at_risk.get(row.alarm.id or 0), "EUR") for row in view.rows] == [
        "EUR 122",
        "not known",
        "",
        "",
    ]
    by_share = account.worst_points(engine, "2026-04")
    by_money = account.worst_points(engine, "2026-04", by_money=True)
    assert [(one.vehicle, one.failed_pct) for one in by_share] == [("v2", 100), ("v1", 50)]
    assert [(one.vehicle, words.at_risk(one.at_risk, "EUR")) for one in by_money] == [
        ("v1", "EUR 122"),
        ("v2", "not known"),
    ]
    with acting_as(Person(1, "a", "viewer", fleets=("g",))):
        others = alarms.alarm_view(engine, EVERYTHING, "", "unacknowledged", by_money=True)
        assert [row.vehicle for row in others.rows] == ["v3"]
    app = create_app(engine)
    page = importlib.import_module("dashboard.pages.alarms.page")
    shown = {"fleet": "", "depot": "", "vehicle": "", "tab": "unacknowledged", "page": "", "sort": "money"}
    told_there = json.dumps(page.body(view, shown), cls=PlotlyJSONEncoder)
    assert "EUR 122" in told_there
    assert words.model() in told_there
    accounts = importlib.import_module("dashboard.pages.account")
    with app.server.app_context():
        body, address = accounts.show("2026-04", "depot", "money", None, {})
    assert "EUR 122" in json.dumps(body, cls=PlotlyJSONEncoder)
    assert address.endswith("worst=money")
    assert account_words.worst_table(by_money, "2026-04", "EUR")[0]["money_at_risk"] == "EUR 122"


def test_pages_and_commands(tmp_path: Path) -> None:
    """Set-up lists what was said, the fleet has its column and says the model; the commands set, list and tell it."""
    url = f"sqlite:///{tmp_path / 'tallow.db'}"
    engine = filled(database.open_database(url), tmp_path)
    assert words.NO_PRICES in tallow("price", "risk", database=url).stdout
    tallow("price", "rates", "--currency", "EUR", "--work", "65", "--standstill", "90", database=url)
    tallow(
        "price",
        "set",
        "kingpin",
        "--part",
        "120",
        "--work-h",
        "2",
        "--standstill-h",
        "4",
        "--dry-life-h",
        "500",
        database=url,
    )
    assert "EUR 1.22 a dry hour" in tallow("price", "list", database=url).stdout
    told = json.loads(tallow("price", "risk", "--json", database=url).stdout)
    assert [(one["vehicle"], one["money_at_risk"], one["points_not_known"]) for one in told] == [
        ("v1", 122.0, 0),
        ("v2", 0.0, 1),
    ]
    app = create_app(engine)
    set_up = importlib.import_module("dashboard.pages.set_up.prices")
    with app.server.app_context():
        assert "kingpin" in json.dumps(set_up.price_rows(), cls=PlotlyJSONEncoder)
        assert "boom pin" in json.dumps(set_up.price_form(), cls=PlotlyJSONEncoder)
    page = importlib.import_module("dashboard.pages.fleet")
    chosen = dict.fromkeys(("fleet", "depot", "class", "need", "kind", "search", "page"), "") | {"sort": "money"}
    shown = json.dumps(page.body(fleets.fleet(engine, sort="money"), chosen, NOW_US), cls=PlotlyJSONEncoder)
    assert "EUR 122" in shown
    assert words.model() in shown
