"""Hours from meters elsewhere: they stand in for a controller's own, go by one source at a time, and outlive a reset."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from analytics.vehicle.history import History, build
from analytics.vehicle.outside_meters import usable
from ingest.arrays import Messages, States
from ingest.setups import Setup
from ingest.times import EARLIEST_US, HOUR_US, read_time
from tests.helpers.vehicles import END_US, arrivals, recorded


def readings(at_us: Any, hours: Any, boot: str = "meter:1:maker") -> States:
    n, at = len(at_us), np.asarray(at_us, np.int64)
    never = np.full(n, -1, np.int64)
    return States(np.full(n, boot), np.arange(n), at, never, never, np.asarray(hours, float), np.ones(n))


def after(*us: int) -> list[int]:
    return [EARLIEST_US + one for one in us]


def joined(*parts: States) -> States:
    return States(**{name: np.concatenate([getattr(one, name) for one in parts]) for name in vars(parts[0])})


@pytest.fixture(scope="module")
def vehicle(tmp_path_factory: pytest.TempPathFactory) -> tuple[Messages, tuple[Setup, ...], History]:
    engine, found = recorded(tmp_path_factory.mktemp("meters"), [arrivals("HS-101", days=30)])
    engine.dispose()
    ((messages, setups),) = found.values()
    return messages, setups, build(messages, setups, END_US)


def without_meter(messages: Messages, outside: States) -> Messages:
    kinds = {n: replace(rows, engine_h=np.full(len(rows), np.nan)) for n, rows in vars(messages).items()}
    bare = Messages(**kinds)
    return replace(bare, states=joined(bare.states, outside))


def test_a_vehicle_without_a_meter_has_the_hours_that_a_server_reads(
    vehicle: tuple[Messages, tuple[Setup, ...], History],
) -> None:
    """A reading every quarter of an hour, put to zero in between; against what the controller's own meter says."""
    messages, setups, own = vehicle
    at = np.arange(own.heard_us[0] - HOUR_US, END_US, HOUR_US // 4)
    truth = np.interp(at, own.heard_us, own.heard_h)
    reset = len(at) // 2
    told = truth + np.where(np.arange(len(at)) < reset, 5_000.0, -truth[reset])
    told[reset // 2] = 0.0  # one reading that is no reset
    got = build(without_meter(messages, readings(at, np.round(told, 2))), setups, END_US)
    assert got.metered
    assert len(got.states) == len(own.states)  # nothing was heard of the controller by them
    assert set(got.heard_boot) == set(own.heard_boot)
    for i in (0, -1):
        assert got.cycles.at_us[i] == own.cycles.at_us[i]
    off = (got.cycle_h - got.cycle_h[0]) - (own.cycle_h - own.cycle_h[0])
    assert np.abs(off).max() < 1.0
    # A meter of the controller's own goes before: the others change nothing.
    both = build(replace(messages, states=joined(messages.states, readings(at, told))), setups, END_US)
    assert np.array_equal(both.cycle_h, own.cycle_h)
    assert np.array_equal(both.heard_us, own.heard_us)


def test_of_several_sources_the_first_in_rank_counts_where_it_reads() -> None:
    """The second fills in before and after; each life of a meter has a boot of its own."""
    first = readings(after(10, 20, 30, 40), [100, 110, 3, 13])
    second = readings(after(5, 15, 45), [7, 8, 9], "meter:2:other")
    kept = usable(joined(second, first))
    assert sorted(zip((kept.at_us - EARLIEST_US).tolist(), kept.boot.tolist(), kept.engine_h.tolist(), strict=True)) == [
        (5, "meter:2:other#0", 7.0), (10, "meter:1:maker#0", 100.0), (20, "meter:1:maker#0", 110.0), (30, "meter:1:maker#1", 3.0),
        (40, "meter:1:maker#1", 13.0), (45, "meter:2:other#0", 9.0),
    ]  # fmt: skip


def test_a_reading_of_a_time_before_there_were_any_silences_no_other_source() -> None:
    """Such as one of the year 1, which a server says that knows none."""
    first = readings([read_time("0001-01-01T00:00:00Z"), *after(30, 40)], [0, 100, 110])
    second = readings(after(5, 35, 45), [7, 8, 9], "meter:2:other")
    kept = usable(joined(first, second))
    assert sorted((kept.at_us - EARLIEST_US).tolist()) == [5, 30, 40, 45]
    assert len(usable(readings([0], [1.0]))) == 0


def test_hours_of_a_meter_that_stopped_are_those_that_a_server_reads(
    vehicle: tuple[Messages, tuple[Setup, ...], History],
) -> None:
    """From where it stopped on; without a server's readings, or with one's that stands still as well, nobody counts."""
    messages, setups, own = vehicle
    stops_us = int(own.heard_us[len(own.heard_us) // 2])
    read = {name: rows for name, rows in vars(messages).items() if len(rows) and np.isfinite(rows.engine_h).any()}
    last = max(np.nanmax(rows.engine_h[rows.at_us <= stops_us], initial=0.0) for rows in read.values())
    stopped = {
        name: replace(rows, engine_h=np.where(rows.at_us > stops_us, last, rows.engine_h))
        for name, rows in read.items()
    }
    stuck = replace(messages, **stopped)
    assert build(stuck, setups, END_US).unmetered_us is not None
    at = np.arange(own.heard_us[0] - HOUR_US, END_US, 6 * HOUR_US)
    truth = np.interp(at, own.heard_us, own.heard_h)
    got = build(replace(stuck, states=joined(stuck.states, readings(at, 7_000 + truth))), setups, END_US)
    assert got.unmetered_us is None
    assert np.array_equal(got.heard_us, own.heard_us)
    off = (got.cycle_h - got.cycle_h[0]) - (own.cycle_h - own.cycle_h[0])
    assert np.abs(off).max() < 3  # read every six hours
    still = np.minimum(truth, truth[at <= stops_us][-1])
    assert (
        build(replace(stuck, states=joined(stuck.states, readings(at, still))), setups, END_US).unmetered_us is not None
    )
