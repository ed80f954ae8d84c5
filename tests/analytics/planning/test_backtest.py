"""Past forecasts held against what came: the measures by hand, and the truth that is worked out against the simulator's."""

from pathlib import Path

import numpy as np
import pytest

from analytics.planning.backtest import FAR_DAYS, Case, case, pinball, summary
from analytics.vehicle.analysis import analyse
from ingest.times import DAY_US
from simulators.machine import Simulation
from simulators.reservoir import due_hour
from tests.helpers.vehicles import END_H, END_US, arrivals, demo, recorded


@pytest.mark.parametrize(
    ("quantile", "truth", "loss"), [(0.9, 12, 1.8), (0.9, 7, 0.3), (0.5, 12, 1.0), (0.1, 12, 0.2), (0.1, 7, 2.7)]
)
def test_pinball_loss(quantile: float, truth: float, loss: float) -> None:
    """Koenker and Bassett 1978, worked by hand for a forecast of 10."""
    assert pinball(quantile, truth, 10) == pytest.approx(loss)


def test_forecasts_that_are_right_are_found_calibrated() -> None:
    """Of truths drawn from the distribution that was said, the points hold the shares they are meant to."""
    dice = np.random.default_rng(4)
    cases = [Case("v", 0, float(dice.normal(20, 4)), (14.874, 20.0, 25.126), 25.0, FAR_DAYS) for _ in range(4000)]
    told = summary(cases, 3)
    assert told is not None
    assert (told.cases, told.still_open) == (4000, 3)
    assert told.coverage == pytest.approx(0.8, abs=0.02)
    assert told.below == pytest.approx((0.1, 0.5, 0.9), abs=0.02)
    assert told.pinball_days < told.nominal_pinball_days < told.straight_pinball_days
    assert [h[:2] for h in told.horizons][-2:] == [(7, 21), (21, 60)]
    assert summary([], 5) is None


def test_what_came_is_what_the_simulator_knows(tmp_path: Path) -> None:
    """The worked-out day of the low mark lies within a day or so of the true one, over fills that came in between."""
    machine = next(m for m in demo().machines if m.vehicle == "HS-103")
    run = Simulation(machine, demo().depots[machine.depot], END_H - 24 * 90, 91, END_H, [5, 1])
    _, held = recorded(tmp_path, [arrivals("HS-103")])
    now = analyse(*held["HS-103"], END_US)
    errors = []
    for weeks in range(3, 10):
        at_us = END_US - weeks * 7 * DAY_US
        told = case(analyse(*held["HS-103"], at_us), now)
        due = due_hour(run.cycle_clock, run.use_pct, run.level, at_us / 3.6e9, machine.low_mark_pct)
        if told is not None and due is not None:
            errors.append(told.due - (due - at_us / 3.6e9) / 24)
    assert len(errors) >= 5
    assert np.median(np.abs(errors)) < 0.8
    assert np.max(np.abs(errors)) < 2.5
