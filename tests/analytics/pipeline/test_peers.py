"""A vehicle heard for a few days borrows the calendar of its class; one heard for a year goes by its season."""

from pathlib import Path

import numpy as np
import pytest

from analytics.pipeline.peers import read_sister_channels, read_sisters
from analytics.pipeline.tasks import analysed
from analytics.vehicle.analysis import analyse
from analytics.vehicle.peers import span_us
from analytics.vehicle.pressure.sister_lines import tubes_of
from ingest.registry import find
from ingest.times import DAY_US, instant
from simulators.scenario import Trouble
from tests.helpers.vehicles import END_US, arrivals, recorded


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
            sisters = read_sisters(connection, vehicle.id, held["HS-101"][0], as_of_us)
            (result,) = analysed(connection, vehicle, [as_of_us], None, ())
            alike = read_sister_channels(connection, vehicle.id, vehicle.newest, as_of_us)
            assert {x.tubes for x in alike} <= {tubes_of(vehicle.newest, name) for name in vehicle.newest.channels}
            assert all(500 < np.exp(x.log_kpa) < vehicle.newest.relief_kpa for x in alike)
            assert len(alike) == 2 * len(vehicle.newest.channels)  # of the two of its class that were heard
            assert read_sister_channels(connection, vehicle.id, vehicle.newest, as_of_us, END_US - 60 * DAY_US) == ()
            unheard = read_sisters(connection, vehicle.id, held["HS-101"][0], as_of_us, as_of_us - 60 * DAY_US)
            assert [len(sister.cycles_us) for sister in unheard] == [0] * len(sisters)
            other = find(connection, "harrowmere-stone/HS-102").id
            assert read_sisters(connection, other, held["HS-102"][0], as_of_us) == ()
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
