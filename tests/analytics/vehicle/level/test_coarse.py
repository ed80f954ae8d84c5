"""Levels read in steps of a quarter or an eighth: what their marks prove of the grease per cycle, and what they do not."""

import numpy as np
import pytest

from analytics.vehicle.analysis import analyse
from analytics.vehicle.level.coarse import ratio_bounds
from analytics.vehicle.level.segments import Segment
from ingest.times import DAY_US
from tests.analytics.vehicle.level.tank import START_US, Tank, messages, setup


@pytest.mark.parametrize("since", [0, 5])
@pytest.mark.parametrize("step", [12.5, 25.0])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_doubled_use_shows_before_the_reservoir_is_empty(step: float, since: int, seed: int) -> None:
    """As a loss; the date goes by it, and the level is what it is."""
    tank = Tank(
        days=60, step_pct=step, seed=seed, start_pct=95, refill_at_pct=-999, ratio=((0, 1.0), (since, 2.0)) if since else ((0, 2.0),)
    )  # fmt: skip
    level = np.array(tank.level_pct)
    low = int(np.argmax(level <= 15.0))
    now = int(np.argmax(level <= 24.0))
    result = analyse(messages(tank), (setup(),), START_US + int(tank.clock_h[now] / 24 * DAY_US))
    (found,) = result.findings
    assert (found.kind, found.open) == ("reservoir_loss", True)
    assert found.evidence["cm3_per_cycle"] == pytest.approx(2 * found.evidence["expected_cm3_per_cycle"], rel=0.25)
    refill = result.refill
    assert refill.level_pct == pytest.approx(level[now], abs=5)
    assert refill.due_early_us is not None
    assert refill.due_late_us is not None
    assert refill.due_early_us - DAY_US <= START_US + tank.clock_h[low] / 24 * DAY_US <= refill.due_late_us + DAY_US


@pytest.mark.parametrize("ratio", [0.9, 1.0, 1.15])
@pytest.mark.parametrize("step", [12.5, 20.0, 25.0, 100 / 3])
@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_a_sound_one_is_called_nothing(step: float, ratio: float, seed: int) -> None:
    """Filled again and again, some of it unseen, with wild readings among the others."""
    tank = Tank(days=200, step_pct=step, seed=seed, ratio=((0, ratio),), added=((30, 8), (31, 8), (80, 12)))
    at_h, pct = tank.read()
    wild = np.random.default_rng(seed).random(len(pct)) < 0.004
    pct[wild] = 0.0
    result = analyse(messages(tank, (at_h, pct)), (setup(),), START_US + 200 * DAY_US)
    assert [found.kind for found in result.findings if found.kind != "low_level"] == []


def test_marks_bound_what_left_the_reservoir() -> None:
    """By hand: from the last reading of 100 % to the first of 50 % at least 50 - 25 - 9 points left, and twenty were used by the sheet."""
    segment = Segment(0)
    for row, (used, reading) in enumerate([(0, 100), (5, 100), (6, 75), (24, 75), (25, 50), (30, 50)]):
        segment.add(row, float(used), float(reading), row, draws=True, step_pct=25.0, run=0)
    least, most = ratio_bounds(segment)
    assert least == pytest.approx(16 / 20)
    assert most == pytest.approx(34 / 18)  # of 75 % the first and the last
