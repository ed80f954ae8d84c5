"""A vehicle heard for a few days borrows the calendar of its class; one heard for a year goes by its season."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from sqlalchemy import Engine, delete, event, insert, update

from analytics.pipeline import peers, vehicle_summary
from analytics.pipeline.peers import read_sister_channels, read_sisters, read_yard
from analytics.pipeline.tasks import analysed
from analytics.vehicle.analysis import analyse
from analytics.vehicle.archive import Past
from analytics.vehicle.peers import span_us
from analytics.vehicle.pressure.sister_lines import tubes_of
from ingest import retention, schema, work_records
from ingest.database import address, connect, writing
from ingest.reading import read_first_peaks, read_messages
from ingest.recorder import Recorder
from ingest.registry import find
from ingest.times import DAY_US, instant
from ingest.work import Work
from simulators.fleet import write_registry
from simulators.scenario import Trouble
from tests.helpers.vehicles import END_H, END_US, arrivals, demo, recorded, with_registry


def test_what_is_lent_changes_on_mondays_only() -> None:
    """Six whole weeks up to the last Monday 00:00 UTC."""
    first, last = span_us(END_US)
    assert instant(last).strftime("%a %H:%M:%S") == "Mon 00:00:00"
    assert last <= END_US < last + 7 * DAY_US
    assert last - first == 42 * DAY_US
    assert span_us(last) == (first, last)
    assert span_us(last - 1) == (first - 7 * DAY_US, last - 7 * DAY_US)


def test_four_days_are_enough_with_sisters(tmp_path: Path) -> None:
    """Day trucks that were heard for four days: over eight such days the dates come nearer to those of who knew them for long."""
    whole = arrivals("HS-101")
    _, full = recorded(tmp_path / "whole", [whole])
    sisters_said = [arrivals(name, (), 50) for name in ("HS-102", "HS-106", "HS-103")]
    alone, helped = list[float](), list[float]()
    for n in range(8):
        as_of_us = END_US - n * DAY_US
        young = [a for a in whole if a.received_us and as_of_us - 4 * DAY_US < a.received_us <= as_of_us]
        engine, held = recorded(tmp_path / str(n), [young, *sisters_said])
        with engine.connect() as connection:
            vehicle = find(connection, "harrowmere-stone/HS-101")
            sisters = read_sisters(connection, vehicle.id, vehicle.newest, held["HS-101"][0], as_of_us)
            (result,) = analysed(connection, vehicle, [as_of_us], None, ())
            alike = read_sister_channels(connection, vehicle.id, vehicle.newest, as_of_us)
            assert {x.tubes for x in alike} <= {tubes_of(vehicle.newest, name) for name in vehicle.newest.channels}
            assert all(500 < np.exp(x.log_kpa) < vehicle.newest.relief_kpa for x in alike)
            assert len(alike) == 2 * len(vehicle.newest.channels)  # of the two of its class that were heard
            assert read_sister_channels(connection, vehicle.id, vehicle.newest, as_of_us, END_US - 60 * DAY_US) == ()
            long_ago_us = as_of_us - 60 * DAY_US
            unheard = read_sisters(connection, vehicle.id, vehicle.newest, held["HS-101"][0], as_of_us, long_ago_us)
            assert [len(sister.cycles_us) for sister in unheard] == [0] * len(sisters)
            other = find(connection, "harrowmere-stone/HS-102")
            assert read_sisters(connection, other.id, other.newest, held["HS-102"][0], as_of_us) == ()
        assert sum(len(sister.cycles_us) > 0 for sister in sisters) == 2  # HS-103 is a shift truck
        known = analyse(*full["HS-101"], as_of_us).refill.due_expected_us
        said = analyse(*held["HS-101"], as_of_us).refill.due_expected_us, result.refill.due_expected_us
        assert known is not None
        if said[0] is not None and said[1] is not None:
            alone.append(abs(said[0] - known) / DAY_US)
            helped.append(abs(said[1] - known) / DAY_US)
    assert len(alone) >= 5
    assert np.mean(helped) < 0.75 * np.mean(alone)


def test_a_feast_of_last_year_comes_again(tmp_path: Path) -> None:
    """Two weeks in which the vehicle stood still a year ago: the late end of the window knows them, the early end does not."""
    told = arrivals("HS-102", (Trouble("parked", 363.0, 349.0),), 440)
    _, known = recorded(tmp_path / "a", [told])
    _, short = recorded(tmp_path / "b", [[a for a in told if a.received_us and a.received_us > END_US - 300 * DAY_US]])
    with_feast, without = analyse(*known["HS-102"], END_US).refill, analyse(*short["HS-102"], END_US).refill
    # A year more of fills tells a little more of how the sensor bends.
    assert with_feast.level_pct == pytest.approx(without.level_pct, abs=0.2)
    due = np.array([[r.due_early_us, r.due_expected_us, r.due_late_us] for r in (with_feast, without)], float)
    early, _, late = (due[0] - due[1]) / DAY_US
    assert late > 5
    assert abs(early) < 2


THEN_US = END_US + 3 * DAY_US  # its depot may be closed: HS-101 has not run for so long


def told(engine: Engine, name: str) -> dict[str, Any]:
    """What other vehicles tell of one."""
    with engine.connect() as connection:
        one = find(connection, f"harrowmere-stone/{name}")
        said = read_messages(connection, one.id)
        sisters = read_sisters(connection, one.id, one.newest, said, THEN_US)
        return {
            "channels": read_sister_channels(connection, one.id, one.newest, THEN_US),
            "calendar": [(sister.cycles_us.tolist(), sister.interval_min) for sister in sisters],
            "mates": read_yard(connection, one.id, one.newest, said, THEN_US).mates,
        }


def test_what_others_told_holds_until_anything_of_them_changes(engine: Engine, tmp_path: Path) -> None:
    """A late message, work, another line list, messages let go of, a vehicle that is taken away: each counts at once, as for
    somebody who has read nothing before."""
    with_registry(engine)
    recorder = Recorder(engine, "test")
    of_sister = arrivals("HS-102", (), 50)
    early = [a for a in of_sister if a.received_us and a.received_us < END_US - 30 * DAY_US]
    recorder.record(arrivals("HS-101", (), 4))
    recorder.record([a for a in of_sister if a not in early])
    with engine.connect() as connection:
        sister = find(connection, "harrowmere-stone/HS-102")

    def set_timer() -> None:
        with writing(engine) as connection:
            work = Work(key="a", kind="timer_set", by="somebody", at_us=END_US - 2 * DAY_US, interval_min=33.0)
            work_records.record(connection, sister.id, sister.setups, work, END_US)

    def fit_other_lines() -> None:
        like = next(m for m in demo().machines if m.vehicle == "HS-102")
        longer = tuple(replace(point, length_m=3 * point.length_m) for point in like.points)
        write_registry(replace(demo(), machines=(replace(like, points=longer),)), END_H, tmp_path)
        with writing(engine) as connection:
            vehicle_summary.register(connection, tmp_path, END_US - DAY_US)

    def let_go() -> None:
        with writing(engine) as connection:
            past = Past(END_US - 20 * DAY_US, END_US, (), (), ()).as_json()
            connection.execute(insert(schema.archive).values(vehicle_id=sister.id, **past))
        retention.thin(engine, END_US - 20 * DAY_US, lambda done, of: None)

    def take_away() -> None:
        with writing(engine) as connection:
            connection.execute(delete(schema.setup).where(schema.setup.c.vehicle_id == sister.id))
            number = schema.registry_revision.c.revision
            connection.execute(update(schema.registry_revision).values(revision=number + 1))

    changes: Mapping[Callable[[], object], set[str]] = {
        lambda: recorder.record(early): {"channels", "calendar", "mates"},
        let_go: {"channels", "calendar", "mates"},
        set_timer: {"channels", "calendar"},  # from then on it is another set-up
        fit_other_lines: {"channels", "calendar"},
        take_away: {"calendar", "mates"},
    }
    before = told(engine, "HS-101")
    assert all(before.values())
    for change, changed in changes.items():
        change()
        now = told(engine, "HS-101")
        assert {name for name in now if now[name] != before[name]} == changed
        anew = connect(address(engine))
        assert now == told(anew, "HS-101")
        anew.dispose()
        before = now


def test_a_fleet_is_looked_through_once_for_all_of_a_class_and_depot(engine: Engine, tmp_path: Path) -> None:
    """In a fleet of 100,000 it takes longer than to analyse one of them. Whatever is registered has it looked through again."""
    with_registry(engine)
    for name in ("HS-101", "HS-102"):
        Recorder(engine, "test").record(arrivals(name, (), 4))
    looked = list[str]()

    @event.listens_for(engine, "before_cursor_execute")
    def note(_a: Any, _b: Any, statement: str, *_more: Any) -> None:
        looked.extend([statement] if "max(CASE" in statement else [])

    with engine.connect() as connection:
        one, other = (find(connection, f"harrowmere-stone/{name}").newest for name in ("HS-101", "HS-102"))
    assert (one.vehicle_class, one.depot) == (other.vehicle_class, other.depot)
    first = told(engine, "HS-101")
    assert len(looked) == 2  # of its class, and of all classes
    told(engine, "HS-102")
    assert told(engine, "HS-101") == first
    assert len(looked) == 2
    write_registry(demo(), END_H, tmp_path)
    with writing(engine) as connection:
        vehicle_summary.register(connection, tmp_path, END_US)
    told(engine, "HS-101")
    assert len(looked) == 2, "nothing was other than it had been"
    like = next(m for m in demo().machines if m.vehicle == "HS-102")
    write_registry(replace(demo(), machines=(replace(like, interval_min=like.interval_min + 1),)), END_H, tmp_path)
    with writing(engine) as connection:
        vehicle_summary.register(connection, tmp_path, END_US)
    told(engine, "HS-101")
    assert len(looked) == 4


def test_what_many_ask_of_the_same_is_read_once(engine: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two of one class have the same sisters but for each other."""
    with_registry(engine)
    for name in ("HS-101", "HS-102", "HS-106"):
        Recorder(engine, "test").record(arrivals(name, (), 4))
    asked = list[int]()

    def counted(connection: Any, channels: Mapping[int, Any], *more: Any) -> Any:
        asked.extend(channels)
        return read_first_peaks(connection, channels, *more)

    monkeypatch.setattr(peers, "read_first_peaks", counted)
    told(engine, "HS-101")
    first = set(asked)
    assert len(first) == len(asked) >= 2
    told(engine, "HS-102")
    told(engine, "HS-101")
    assert len(asked) == len(first) + 1  # HS-101 itself
