"""Work records: kept once, corrected by a later one, never erased; and what a bad one is told."""

import re
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, func, select

from analytics.pipeline import vehicle_summary
from ingest import database, registry, schema, work, work_records
from ingest.errors import Problem
from tests.helpers.registry_rows import LINE, POINT, VEHICLE, write

NOW_US = 1_780_000_000_000_000
ZONES = ("America/New_York", "Europe/Helsinki", "Europe/Helsinki")


@pytest.fixture(autouse=True)
def _vehicle(tmp_path: Path, engine: Engine) -> None:
    """A vehicle of two lines and a point greased by hand; and a trailer without a controller."""
    trailer = VEHICLE | {"vehicle": "t1", "unit": "trailer", "controller": "no"}
    write(tmp_path, [VEHICLE, trailer], [LINE, LINE | {"line": "2"}], [POINT, POINT | {"vehicle": "t1"}])
    with database.writing(engine) as connection:
        registry.register(connection, tmp_path, 0)


def say(engine: Engine, *, vehicle: str = "v1", **values: Any) -> bool:
    """Record something of the vehicle."""
    with database.writing(engine) as connection:
        found = registry.find(connection, vehicle)
        one = work.work_of({"key": "a", "by": "somebody", "at_us": NOW_US - 1} | values)
        return work_records.record(connection, found.id, found.setups, one, NOW_US + ord(one.key[0]))


def standing(engine: Engine) -> list[str]:
    """Keys of the records that stand."""
    with engine.connect() as connection:
        return [one.key for found in work_records.read_work(connection).values() for one in found]


def test_a_record_sent_twice_is_one(engine: Engine) -> None:
    """A phone without signal may send again; another record of that name is refused."""
    assert say(engine, kind="filled", litres=2.5)
    assert not say(engine, kind="filled", litres=2.5)
    with pytest.raises(Problem, match="says something else"):
        say(engine, kind="filled", litres=3.0)
    assert standing(engine) == ["a"]


def test_records_are_corrected_and_never_erased(engine: Engine) -> None:
    """The first stays to be read, the later one stands; one that withdraws leaves nothing standing."""
    say(engine, kind="filled", litres=3.5)
    say(engine, key="b", kind="filled", litres=2.5, corrects="a")
    assert standing(engine) == ["b"]
    say(engine, key="c", kind="filled", corrects="b", withdrawn=True)
    assert standing(engine) == []
    say(engine, key="d", kind="filled", corrects="c", withdrawn=True)
    assert standing(engine) == ["b"]  # the withdrawal was the mistake
    with engine.connect() as connection:
        assert connection.scalar(select(func.count()).select_from(schema.work)) == 4


def test_two_who_correct_the_same_record_do_not_count_twice(engine: Engine) -> None:
    """The second is told of what stands now; withdrawing it, or correcting that, is still open to them."""
    say(engine, kind="filled", litres=3.5)
    say(engine, key="b", kind="filled", litres=2.5, corrects="a")
    with pytest.raises(Problem, match="record a was corrected already; correct record b, which stands for it"):
        say(engine, key="c", kind="filled", litres=2.4, corrects="a")
    assert standing(engine) == ["b"]
    say(engine, key="d", kind="filled", litres=2.4, corrects="b")
    assert standing(engine) == ["d"]
    say(engine, key="e", kind="filled", corrects="d", withdrawn=True)
    say(engine, key="f", kind="filled", litres=2.2, corrects="a")
    assert standing(engine) == ["f"]


def test_who_corrects_what_was_corrected_a_thousand_times_is_told_of_the_last() -> None:
    """However long the chain is."""
    chain = [
        work.work_of(
            {"key": str(n + 1), "corrects": str(n), "kind": "filled", "litres": 1.0, "by": "somebody", "at_us": NOW_US}
        )
        for n in range(1_200)
    ]
    assert work_records._heir(tuple((one, NOW_US, one.key == "1200") for one in chain), "0") == "1200"


@pytest.mark.parametrize(
    ("values", "told"),
    [
        ({"litres": 999}, "cannot go into a reservoir that holds 4 l"),
        ({"litres": 4.81}, "cannot go into"),
        ({"to_pct": 121}, "to_pct"),
        ({"to_pct": 120}, "above the full mark"),
        ({"litres": 4.5}, "above the full mark"),
    ],
)
def test_what_cannot_have_been_filled_is_not_recorded(engine: Engine, values: dict[str, Any], told: str) -> None:
    """A slip of the finger counts as grease for months."""
    with pytest.raises(Problem, match=told):
        say(engine, kind="filled", **values)
    assert standing(engine) == []


def test_above_the_full_mark_is_recorded_where_it_is_meant(engine: Engine) -> None:
    """It happens; what a reservoir cannot hold does not."""
    with database.writing(engine) as connection:
        found = registry.find(connection, "v1")
        for key, values in (("a", {"to_pct": 110}), ("b", {"litres": 4.5})):
            one = work.work_of({"key": key, "by": "me", "at_us": NOW_US, "kind": "filled", **values})
            assert work_records.record(connection, found.id, found.setups, one, NOW_US, above_full=True)
        wrong = work.work_of({"key": "c", "by": "me", "at_us": NOW_US, "kind": "filled", "litres": 999})
        with pytest.raises(Problem, match="cannot go into"):
            work_records.record(connection, found.id, found.setups, wrong, NOW_US, above_full=True)


def test_who_moves_takes_on_the_zone_of_the_depot(engine: Engine, tmp_path: Path) -> None:
    """That of most vehicles there, from then on; of a depot that no other vehicle belongs to nobody knows it, and it keeps its own. The
    same record twice is one all the same, and what somebody else says of the zone counts for nothing."""
    there = [VEHICLE | {"vehicle": f"w{n}", "depot": "Wharf", "timezone": zone} for n, zone in enumerate(ZONES)]
    lines = [LINE | {"vehicle": one["vehicle"]} for one in there]
    with database.writing(engine) as connection:
        vehicle_summary.register(connection, write(tmp_path, [VEHICLE, *there], [LINE, *lines]), 0)
    for _ in range(2):
        say(engine, key="a", kind="moved", depot="Wharf", at_us=NOW_US - 9)
    say(engine, key="b", kind="moved", depot="Nowhere yet", at_us=NOW_US - 5, timezone="Not/There")
    with engine.connect() as connection:
        found = registry.find(connection, "v1")
    zones = [(found.in_force(at_us).depot, found.in_force(at_us).timezone) for at_us in (0, NOW_US - 9, NOW_US)]
    before = VEHICLE["depot"], VEHICLE["timezone"]
    assert zones == [before, ("Wharf", "Europe/Helsinki"), ("Nowhere yet", "Europe/Helsinki")]


def test_work_is_news_of_its_vehicle(engine: Engine) -> None:
    """So that the analysis looks at it again."""
    revision = select(schema.vehicle.c.revision).where(schema.vehicle.c.vehicle == "v1")
    with engine.connect() as connection:
        before = connection.scalar(revision)
    say(engine, kind="bled")
    with engine.connect() as connection:
        assert connection.scalar(revision) == (before or 0) + 1


@pytest.mark.parametrize(
    ("values", "told"),
    [
        ({"kind": "polished"}, "no kind of work"),
        ({"kind": "filled"}, "how many litres"),
        ({"kind": "filled", "litres": -1}, "litres"),
        ({"kind": "line_mended"}, "which lines"),
        ({"kind": "line_mended", "lines": [99]}, "line 99 is not on the line list"),
        ({"kind": "sensor_replaced", "channel": "zz"}, "channel 'zz'"),
        ({"kind": "bled", "at_us": NOW_US + 3_600_000_000}, "no time"),
        ({"kind": "bled", "at_us": 0}, "no time"),
        ({"kind": "bled", "corrects": "nothing"}, "is none of"),
        ({"kind": "bled", "by": ""}, "by"),
        ({"kind": "bled", "note": "a\x00b"}, "note"),
        ({"kind": "moved"}, "which depot"),
        ({"kind": ["filled"]}, "no kind of work"),
        ({"kind": "filled", "litres": float("nan")}, "litres"),
        ({"kind": "filled", "withdrawn": True}, "which record"),
        ({"kind": "timer_set", "interval_min": 0.001}, "no longer than the run of 180 s"),
        ({"kind": "timer_set", "interval_min": 3, "run_s": 180}, "no longer than the run"),
        ({"kind": "timer_set", "run_s": 1e9}, "20 min is no longer than the run of 1e\\+09 s"),
    ],
)
def test_a_bad_record_is_refused_in_words(engine: Engine, values: dict[str, Any], told: str) -> None:
    """One line, and nothing is kept."""
    with pytest.raises(Problem, match=told):
        say(engine, **values)
    assert standing(engine) == []


def test_setting_the_timer_and_moving_change_the_set_up_from_then_on(engine: Engine) -> None:
    """Until somebody registers another; reading the same files again changes nothing."""
    say(engine, kind="timer_set", interval_min=12.5)
    say(engine, key="b", kind="moved", depot="elsewhere")
    with engine.connect() as connection:
        setups = registry.find(connection, "f/v1").setups
    assert [(s.interval_min, s.depot) for s in setups][1:] == [(12.5, setups[0].depot), (12.5, "elsewhere")]
    assert setups[0].interval_min != 12.5


def test_another_run_time_is_another_dose(engine: Engine) -> None:
    """Of a direct feed: half the run time, half the grease a cycle."""
    say(engine, kind="timer_set", run_s=90)
    with engine.connect() as connection:
        before, after = registry.find(connection, "f/v1").setups
    assert (before.run_s, after.run_s) == (180, 90)
    assert after.dose_cm3 == pytest.approx(before.dose_cm3 / 2)


def test_a_new_line_list_keeps_what_work_changed(engine: Engine, tmp_path: Path) -> None:
    """A vehicle that vehicles.csv leaves out is not changed by it."""
    say(engine, kind="timer_set", interval_min=12.5)
    other = VEHICLE | {"vehicle": "v2"}
    lines = [LINE, LINE | {"line": "2", "point": "spring pin"}, LINE | {"vehicle": "v2"}]
    write(tmp_path, [other], lines)
    with database.writing(engine) as connection:
        registry.register(connection, tmp_path, NOW_US + 10)
    with engine.connect() as connection:
        newest = registry.find(connection, "f/v1").newest
    assert (newest.interval_min, newest.lines[1].point) == (12.5, "spring pin")


ABOUT = {"kind": "blocked_line", "channel": "p1", "began_us": NOW_US - 50}


def verdicts(engine: Engine) -> list[tuple[str, str | None]]:
    """(what was found, what else it was) as it is kept."""
    with engine.connect() as connection:
        table = schema.verdict
        return [
            tuple(row) for row in connection.execute(select(table.c.found, table.c.cause).order_by(table.c.began_us))
        ]


def test_what_was_found_is_kept_by_the_records_that_stand(engine: Engine) -> None:
    """Of two about one finding the later; corrected and withdrawn ones no longer, and one whose withdrawal is withdrawn again."""
    say(engine, key="a", kind="looked_at", found="nothing", about=ABOUT, at_us=NOW_US - 9)
    assert verdicts(engine) == [("nothing", None)]
    say(
        engine, key="b", kind="line_mended", lines=[1], found="other_cause", cause="fuse", about=ABOUT, at_us=NOW_US - 8
    )
    assert verdicts(engine) == [("other_cause", "fuse")]
    say(engine, key="c", kind="line_mended", lines=[1], found="as_told", about=ABOUT, at_us=NOW_US - 8, corrects="b")
    say(engine, key="d", kind="looked_at", found="as_told", about=ABOUT | {"began_us": NOW_US - 20}, at_us=NOW_US - 7)
    assert verdicts(engine) == [("as_told", None), ("as_told", None)]
    say(engine, key="e", kind="looked_at", corrects="d", withdrawn=True)
    assert verdicts(engine) == [("as_told", None)]


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ({"found": "nothing"}, "say which finding"),
        ({"found": "other_cause", "about": ABOUT}, "say what else was wrong"),
        ({"found": "nothing", "about": ABOUT | {"began_us": 10**30}}, "no finding began then"),
        ({"found": "maybe", "about": ABOUT}, "found: Invalid enum value"),
        ({}, "say what was found there"),
    ],
)
def test_what_was_found_is_said_in_full(engine: Engine, values: dict[str, Any], said: str) -> None:
    """What it was about, and what else was wrong."""
    with pytest.raises(Problem, match=said):
        say(engine, kind="looked_at", **values)


DAY_US = 86_400_000_000


def test_meters_are_read_and_points_greased(engine: Engine) -> None:
    """A reading between two others is as good; a meter that was replaced may show less, and what comes after it more than that."""
    say(engine, key="a", kind="meter_read", engine_h=1000.0, at_us=NOW_US - 20 * DAY_US)
    say(engine, key="c", kind="meter_read", engine_h=1060.0, odometer_km=5000.0, at_us=NOW_US - 10 * DAY_US)
    say(engine, key="b", kind="meter_read", engine_h=1030.0, at_us=NOW_US - 15 * DAY_US)
    say(engine, key="d", kind="meter_read", engine_h=2.0, new_meter=True, at_us=NOW_US - 5 * DAY_US)
    say(engine, key="e", kind="meter_read", engine_h=20.0, at_us=NOW_US - 4 * DAY_US)
    say(engine, key="f", kind="points_greased", points=[1])
    assert standing(engine) == ["a", "b", "c", "d", "e", "f"]


@pytest.mark.parametrize(
    ("values", "told"),
    [
        ({"kind": "meter_read"}, "Meter read: say the hours or the kilometres that it shows"),
        ({"kind": "meter_read", "engine_h": -1.0}, "engine_h: it is at least 0"),
        (
            {"kind": "meter_read", "engine_h": 940.0},
            "engine_h: 940 h, and the hour meter showed 1000 h on 2026-05-18: it does not run back; say so if it was replaced",
        ),
        (
            {"kind": "meter_read", "engine_h": 2000.0},
            "engine_h: from 1000 to 2000 h in 10 days is more than the hour meter counts; look again",
        ),
        (
            {"kind": "meter_read", "engine_h": 1300.0, "at_us": NOW_US - 15 * DAY_US},
            "it does not run back",
        ),
        ({"kind": "points_greased"}, "Hand points greased: say which points"),
        ({"kind": "points_greased", "points": [7]}, "point 7 is none of the points of v1 that are greased by hand"),
        ({"kind": "points_greased", "points": [1], "at_us": NOW_US + DAY_US}, "is no time at which work can have been done"),
        ({"kind": "filled", "litres": 1.0, "vehicle": "t1"}, "t1 has no reservoir: its points are greased by hand"),
    ],
)  # fmt: skip
def test_what_cannot_be_of_meters_and_points_is_told(engine: Engine, values: dict[str, Any], told: str) -> None:
    """One clear line: a meter that runs back or too fast, an unknown point, a time to come, a fill where there is no reservoir."""
    say(engine, key="z", kind="meter_read", engine_h=1000.0, at_us=NOW_US - 10 * DAY_US)
    with pytest.raises(Problem, match=re.escape(told)):
        say(engine, **values)
