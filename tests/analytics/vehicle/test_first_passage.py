"""Paths of days to come, where arithmetic tells the day: a vehicle that runs a cycle an hour, all day long."""

import numpy as np
import pytest

from analytics.vehicle.first_passage import Stops, Trouble, Weeks, first_passage
from ingest.arrays import Floats

NONE = Stops()
HOURLY = Weeks([np.arange(168) / 24], np.ones(1), np.ones(1))


def days(needed: float, trouble: Trouble | None = None, stops: Stops = NONE, paths: int = 4) -> Floats:
    return first_passage(np.full(paths, needed), HOURLY, 730, np.random.default_rng(1), stops, trouble=trouble)


@pytest.mark.parametrize(("ratio", "due"), [(2.0, 3.0), (0.5, 6.0)])
def test_a_trouble_counts_until_it_is_mended(ratio: float, due: float) -> None:
    """Five sound days' worth: two days at another pace, the rest as usual; all of it where it is never mended; none where it is over."""
    told = days(120, Trouble(ratio, np.array([2.0, 400.0, 0.0, 2.0])))
    assert told[[0, 3]] == pytest.approx(due, abs=0.05)
    assert told[1] == pytest.approx(5 / ratio, abs=0.05)
    assert told[2] == pytest.approx(5, abs=0.05) == days(120)[0]


def test_stops_come_after_stretches_of_work() -> None:
    """Of a fortnight each, one in ten weeks of work: fifty weeks of work take some ten weeks more."""
    told = days(50 * 168, stops=Stops(1 / 10, np.array([14.0])), paths=2000)
    assert np.mean(told) / 7 == pytest.approx(50 + 5 * 2, abs=0.3)
