"""What silence means: earlier silences, closings that a depot shares, calendars; the early end never moves later by silence alone."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from analytics.pipeline.peers import read_yard
from analytics.vehicle.analysis import analyse
from analytics.vehicle.habits import drift, midnight_us
from analytics.vehicle.standing import (
    Mate,
    Yard,
    chance_of_work,
    closing,
    given_ignition,
    off_unheard,
    remaining,
    shared,
    stops_of,
)
from ingest.arrays import Messages, chosen
from ingest.registry import read_vehicles
from ingest.times import DAY_US
from simulators.scenario import Trouble
from tests.helpers.vehicles import END_US, arrivals, recorded


def until(messages: Messages, at_us: int) -> Messages:
    """What had happened by a time: then the vehicle falls silent."""
    return Messages(**{name: chosen(rows, rows.at_us <= at_us) for name, rows in vars(messages).items()})


def out_of_coverage(messages: Messages, stretches: list[tuple[int, int]]) -> Messages:
    """The same, but what happened in these stretches arrived at their end, all else at once."""

    def late(rows):  # type: ignore[no-untyped-def]
        received_us = rows.at_us.copy()
        for begin_us, end_us in stretches:
            received_us = np.where((rows.at_us >= begin_us) & (rows.at_us < end_us), end_us, received_us)
        return replace(rows, received_us=received_us, sent_us=received_us)

    return Messages(**{name: late(rows) for name, rows in vars(messages).items()})


def test_the_early_end_never_moves_later_by_silence_alone(tmp_path: Path) -> None:
    """Day by day of a silence, for a vehicle that has parked before and for one that has worked unheard before."""
    _, held = recorded(tmp_path, [arrivals("HS-103", (Trouble("parked", 60, 48),), 200)])
    messages, setups = held["HS-103"]
    off = messages.ignitions.at_us[(messages.ignitions.on == 0) & (messages.ignitions.at_us < END_US - 40 * DAY_US)]
    last_us = int(off.max())  # as whoever parks leaves it
    gone = [(END_US - days * DAY_US, END_US - (days - 9) * DAY_US) for days in (180, 150, 120, 90)]
    expected = []
    for told in (out_of_coverage(messages, []), out_of_coverage(messages, gone)):
        refills = [analyse(until(told, last_us), setups, last_us + day * DAY_US).refill for day in range(0, 30, 3)]
        early = [refill.due_early_us for refill in refills]
        assert None not in early
        assert len(set(early)) == 1
        expected.append(refills[3].due_expected_us)
    assert expected[1] is not None
    assert expected[0] is None or expected[1] < expected[0] - 2 * DAY_US


def test_earlier_silences_tell_what_this_one_means() -> None:
    """Of five silences as long as this one four were work: it probably is. Short ones say nothing of long ones."""
    days, worked = np.array([2.5, 2.5, 2.5, 9.0, 12.0, 8.0, 10.0, 14.0]), np.array([0.0, 0, 0, 1, 1, 1, 1, 0])
    assert chance_of_work(days, worked, 9.0, together=False) == pytest.approx((4 + 0.6) / (5 + 1.5))
    assert chance_of_work(days, worked, 2.5, together=False) < chance_of_work(days, worked, 9.0, together=False)
    assert chance_of_work(days[:3], worked[:3], 9.0, together=False) == pytest.approx(0.4)
    assert chance_of_work(days, worked, 9.0, together=True) < 0.1


def test_a_closing_is_what_two_thirds_share() -> None:
    """Stops that overlap by chance are none, nor are weekends; one that goes on is known by those before."""

    def mate(*stops: tuple[float, float]) -> Mate:
        return Mate(0, tuple((int(a * DAY_US), int(b * DAY_US)) for a, b in stops))

    depot = [
        mate((20, 34), (80, 90)),
        mate((20.5, 34.2), (80.5, 90)),
        mate((21, 33), (50, 60), (80, 90)),
        mate((10, 19)),
    ]
    assert shared(depot, 90 * DAY_US) == [
        (pytest.approx(21 * DAY_US), pytest.approx(33 * DAY_US)), (pytest.approx(80.5 * DAY_US), 90 * DAY_US)
    ]  # fmt: skip
    told = closing(shared(depot, 90 * DAY_US), 90 * DAY_US)
    assert told is not None
    assert told.since_us == 80.5 * DAY_US
    assert np.count_nonzero(told.days == 12) == 3
    assert closing(shared(depot, 70 * DAY_US), 70 * DAY_US) is None
    assert len(shared(depot[:3], 90 * DAY_US)) == 2  # all three of a small depot
    assert shared([*depot[:2], mate((50, 60))], 90 * DAY_US) == []  # two vehicles do that by chance


def test_what_is_left_of_a_stop() -> None:
    """By the lengths that are longer than it has lasted."""
    dice = np.random.default_rng(3)
    left = remaining(np.array([5.0, 14.0, 14.0, 16.0]), 10.0, dice, 3000)
    assert set(np.round(left)) == {4.0, 6.0}
    assert np.mean(left == 4) == pytest.approx(2 / 3, abs=0.05)
    assert remaining(np.array([5.0]), 10.0, dice, 3000).mean() == pytest.approx(5.0, rel=0.1)


def test_a_shared_closing_moves_the_date(tmp_path: Path) -> None:
    """Four of a depot stand since the same evening, and stood so before: the date waits for the day on which they began again then."""
    names = ("HS-101", "HS-102", "HS-103", "HS-106")
    closed = (Trouble("parked", 70, 56), Trouble("parked", 6, None))
    engine, held = recorded(tmp_path, [arrivals(name, closed, 120) for name in names])
    with engine.connect() as connection:
        (one,) = (v for v in read_vehicles(connection) if v.name == "HS-103")
        yard = read_yard(connection, one.id, one.newest, held["HS-103"][0], END_US)
        before = read_yard(connection, one.id, one.newest, held["HS-103"][0], END_US - 10 * DAY_US)
    assert len(yard.mates) == 3
    assert before == Yard()  # it works: nobody has to be asked
    own = Mate(0, stops_of(held["HS-103"][0].cycles.at_us, END_US))
    assert closing(shared([own, *yard.mates], END_US), END_US) is not None
    alone, together = (analyse(*held["HS-103"], END_US, yard=told).refill for told in (Yard(), yard))
    assert together.due_early_us is not None
    assert alone.due_early_us is not None
    assert together.due_early_us >= alone.due_early_us + 2 * DAY_US


def test_a_calendar_moves_the_date_before_the_closing(tmp_path: Path) -> None:
    """A fortnight that is closed from in two days on: all points come later by about as much; the past calendar is no habit."""
    _, held = recorded(tmp_path, [arrivals("HS-103", (), 120)])
    messages, setups = held["HS-103"]
    at_us = END_US - 9 * DAY_US  # two thirds full
    monday_us = midnight_us(at_us, setups[-1].timezone) + 2 * DAY_US
    closed = Yard(closed=((monday_us, monday_us + 14 * DAY_US),))
    plain, told = (analyse(messages, setups, at_us, yard=yard).refill for yard in (Yard(), closed))
    for was, now in zip(
        (plain.due_early_us, plain.due_expected_us), (told.due_early_us, told.due_expected_us), strict=True
    ):
        assert was is not None
        assert now is not None
        assert now - was == pytest.approx(14 * DAY_US, abs=4 * DAY_US)


def test_who_works_through_closed_days_is_known_for_it(tmp_path: Path) -> None:
    """A vehicle that ran on every closed day of the past is expected to run on the next."""
    _, held = recorded(tmp_path, [arrivals("HS-103", (), 120)])
    messages, setups = held["HS-103"]
    at_us = END_US - 9 * DAY_US  # two thirds full
    midnight = midnight_us(at_us, setups[-1].timezone)
    past = tuple((midnight - d * DAY_US, midnight - (d - 1) * DAY_US) for d in range(3, 90, 3))
    ahead = ((midnight + 2 * DAY_US, midnight + 16 * DAY_US),)
    plain, told = (analyse(messages, setups, at_us, yard=Yard(closed=days)).refill for days in (past, past + ahead))
    assert plain.due_expected_us is not None
    assert told.due_expected_us is not None
    assert abs(told.due_expected_us - plain.due_expected_us) < 2 * DAY_US


def test_the_pace_strays_as_far_as_it_did() -> None:
    """Weeks that come in runs of busy and slack ones stray further than their draws; even ones hardly."""
    busy = np.repeat([150.0, 60.0, 140.0, 50.0, 150.0, 60.0], 5)
    even = np.random.default_rng(2).normal(100, 4, 30)
    assert drift(even, 3) < 0.09
    assert drift(busy, 3) > 2.5 * drift(even, 3)
    assert drift(np.zeros(0), 3) == pytest.approx(0.08)


def test_whoever_parks_switches_off() -> None:
    """A vehicle heard last with its ignition on went on working; off tells a little of parking; nothing told changes nothing."""
    assert given_ignition(0.4, None, 0.3, 0.03) == 0.4
    assert given_ignition(0.4, True, 0.3, 0.03) > 0.85
    # by hand: 0.4 * 0.7 / (0.4 * 0.7 + 0.6 * 0.97)
    assert given_ignition(0.4, False, 0.3, 0.03) == pytest.approx(0.3248, abs=1e-4)
    assert given_ignition(0.0, True, 0.3, 0.03) == 0.0


def test_its_earlier_stops_tell_whether_one_hears_that_it_is_switched_off() -> None:
    """Thirty of which it was heard make silence with the ignition on tell more of work; stretches of work tell nothing of it."""
    stood, heard = np.zeros(30), np.zeros(30)
    assert off_unheard(np.zeros(0), np.zeros(0)) == pytest.approx(0.03)
    assert off_unheard(stood, heard) == pytest.approx(0.3 / 40)
    assert off_unheard(np.r_[stood, 1, 1], np.r_[heard, 1, np.nan]) == pytest.approx(0.3 / 40)
    assert off_unheard(stood, 1 - heard) > 0.7
