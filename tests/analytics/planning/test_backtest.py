"""Past forecasts held against what came: the measures by hand, and the truth that is pieced together against the simulator's."""

from pathlib import Path

import numpy as np
import pytest

from analytics.planning.backtest import Case, case, low_mark_reached, pinball, summary, weights
from analytics.planning.yardsticks import FAR_DAYS, Structural, as_points
from analytics.vehicle.analysis import analyse
from ingest.arrays import arrived_by
from ingest.times import DAY_US
from simulators.machine import Simulation
from simulators.reservoir import due_hour
from simulators.scenario import Trouble
from tests.helpers.vehicles import END_H, END_US, arrivals, demo, recorded


@pytest.mark.parametrize(
    ("quantile", "truth", "loss"), [(0.9, 12, 1.8), (0.9, 7, 0.3), (0.5, 12, 1.0), (0.1, 12, 0.2), (0.1, 7, 2.7)]
)
def test_pinball_loss(quantile: float, truth: float, loss: float) -> None:
    """Koenker and Bassett 1978, worked by hand for a forecast of 10."""
    assert pinball(quantile, truth, 10) == pytest.approx(loss)


def cases_of(days: np.ndarray, reached: np.ndarray, said: tuple[float, float, float]) -> list[Case]:
    far = as_points(FAR_DAYS)
    return [
        Case("v", 0, float(d), bool(r), said, as_points(25.0), far, None) for d, r in zip(days, reached, strict=True)
    ]


def test_forecasts_that_are_right_are_found_calibrated() -> None:
    """Of truths drawn from the distribution that was said, the points hold the shares they are meant to."""
    truth = np.random.default_rng(4).normal(20, 4, 4000)
    told = summary(cases_of(truth, np.ones(4000, bool), (14.874, 20.0, 25.126)))
    assert told is not None
    assert (told.cases, told.still_open, told.structural_pinball_days) == (4000, 0, None)
    assert told.coverage == pytest.approx(0.8, abs=0.02)
    assert told.below == pytest.approx((0.1, 0.5, 0.9), abs=0.02)
    assert told.pinball_days < told.nominal_pinball_days < told.straight_pinball_days
    assert [h[:2] for h in told.horizons][-2:] == [(7, 21), (21, 60)]
    assert summary([]) is None
    assert summary(cases_of(truth[:3], np.zeros(3, bool), (1.0, 2.0, 3.0))) is None


def test_cases_still_open_do_not_make_forecasts_look_better() -> None:
    """Of the same truths a half is cut off at random before it is known: measured as if nothing were missing, the late ones count."""
    dice = np.random.default_rng(8)
    truth, followed = dice.exponential(20, 6000), dice.uniform(0, 70, 6000)
    days, reached = np.minimum(truth, followed), truth <= followed
    said = (20 * -np.log(0.9), 20 * -np.log(0.5), 20 * -np.log(0.1))
    whole, told = summary(cases_of(truth, np.ones(6000, bool), said)), summary(cases_of(days, reached, said))
    assert whole is not None
    assert told is not None
    assert told.still_open == np.count_nonzero(~reached)
    assert told.below[:2] == pytest.approx((0.1, 0.5), abs=0.025)
    assert told.coverage == pytest.approx(whole.coverage, abs=0.03)
    assert np.mean(truth[reached] <= said[1]) > 0.6  # what leaving them out would say
    weight, most = weights(days, reached)
    assert most < 70
    assert weight.sum() == pytest.approx(6000, rel=0.05)
    assert (weight[~reached & (days < most)] == 0).all()


def test_what_came_is_what_the_simulator_knows(tmp_path: Path) -> None:
    """The day of the low mark that the readings tell lies within a day or so of the true one, over fills that came in between."""
    machine = next(m for m in demo().machines if m.vehicle == "HS-103")
    run = Simulation(machine, demo().depots[machine.depot], END_H - 24 * 90, 91, END_H, [5, 1])
    _, held = recorded(tmp_path, [arrivals("HS-103")])
    now = analyse(*held["HS-103"], END_US)
    errors, beside = [], Structural()
    for weeks in range(3, 10):
        at_us = END_US - weeks * 7 * DAY_US
        told = case(analyse(*held["HS-103"], at_us), now, beside)
        due = due_hour(run.cycle_clock, run.use_pct, run.level, at_us / 3.6e9, machine.low_mark_pct)
        if told is not None and told.reached and due is not None:
            errors.append(told.days - (due - at_us / 3.6e9) / 24)
            assert weeks > 7 or told.structural is not None
    assert len(errors) >= 5
    assert np.median(np.abs(errors)) < 0.8
    assert np.max(np.abs(errors)) < 2.5


def test_the_truth_does_not_hang_on_what_the_forecast_believed(tmp_path: Path) -> None:
    """A pump that delivers half of what its sheet says: the readings alone say when the mark was reached."""
    _, held = recorded(tmp_path, [arrivals("HS-103", (Trouble("under_delivery", 60, None, ratio=0.5),))])
    messages, setups = held["HS-103"]
    doubled = tuple(
        type(s)(**{**{f: getattr(s, f) for f in s.__struct_fields__}, "reservoir_l": 2 * s.reservoir_l}) for s in setups
    )
    as_is, other = (analyse(messages, s, END_US) for s in (setups, doubled))
    at_us, mark = END_US - 30 * DAY_US, setups[-1].low_mark_pct
    first, second = low_mark_reached(as_is, at_us, mark), low_mark_reached(other, at_us, mark)
    assert first is not None
    assert second is not None
    assert first[1] == second[1]
    assert first[0] == pytest.approx(second[0], abs=1.0)


def test_what_had_not_arrived_is_not_used(tmp_path: Path) -> None:
    """Messages that came late are not there for a forecast of before."""
    _, held = recorded(tmp_path, [arrivals("HS-101")])
    messages, _ = held["HS-101"]
    for at_us in (END_US - 20 * DAY_US, END_US):
        then = arrived_by(messages, at_us)
        assert len(then.cycles) == np.count_nonzero(messages.cycles.received_us <= at_us)
        assert then.levels.received_us.max() <= at_us
    assert len(arrived_by(messages, 0).faults) == 0
