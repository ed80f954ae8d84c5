"""The low mark and the full mark, by readings and by a switch."""

from dataclasses import replace

import numpy as np
import pytest

from analytics.vehicle.level.marks import by_switch
from ingest.arrays import Faults
from ingest.times import DAY_US, HOUR_US
from tests.analytics.vehicle.level.tank import START_US, Tank, analysed, history, kinds, setup


@pytest.mark.parametrize("above", [3.5, 5.0, 8.0])
@pytest.mark.parametrize("seed", range(1, 6))
def test_a_quick_overfill_is_found(above: float, seed: int) -> None:
    """Filled a few points above the mark and used up to it within a shift or two: later readings still tell."""
    tank = Tank(days=40, seed=seed, refill_to_pct=100 + above, every=2, noise_pct=0.8)
    found = analysed(tank)
    assert kinds(found) == ["overfill"] * len(tank.filled)
    for one, (hour, _, _) in zip((s for s in found.episodes if s.kind == "overfill"), tank.filled, strict=True):
        assert abs((one.began_us - START_US) / HOUR_US - hour) < 12
        assert one.evidence["level_pct"] == pytest.approx(100 + above, abs=2.0)
        crossed = next(h for h, x in zip(tank.clock_h, tank.level_pct, strict=True) if h > hour and x <= 100)
        assert one.ended_us is not None
        assert abs((one.ended_us - START_US) / HOUR_US - crossed) < 36


@pytest.mark.parametrize("seed", [4, 5, 6])
def test_an_overfill_ends_by_what_was_known_then(seed: int) -> None:
    """Found late by scattered readings, it is not over before the cycles ran that use it up: as of its end it had ended."""
    tank = Tank(days=40, seed=seed, refill_to_pct=106.0, every=2, noise_pct=4.0)
    over = [one for one in analysed(tank).episodes if one.kind == "overfill" and one.ended_us is not None]
    assert over
    for one in over:
        then = analysed(tank, as_of_h=((one.ended_us or 0) + 1 - START_US) / HOUR_US)
        assert one in then.episodes


@pytest.mark.parametrize("seed", range(1, 9))
def test_a_fill_to_the_mark_is_no_overfill(seed: int) -> None:
    """Readings scatter to both sides of it."""
    assert kinds(analysed(Tank(days=120, seed=seed, refill_to_pct=99.5, noise_pct=1.5))) == []


@pytest.mark.parametrize("step", [1.0, 5.0])
def test_the_low_mark_is_told_when_it_is_reached(step: float) -> None:
    """Within two points or half a step; until it is filled."""
    tank = Tank(days=120, step_pct=step, refill_at_pct=9.0)
    low = [s for s in analysed(tank).episodes if s.kind == "low_level"]
    assert len(low) == len(tank.filled)
    for one, (hour, _, _) in zip(low, tank.filled, strict=True):
        level = np.interp((one.began_us - START_US) / HOUR_US, tank.clock_h, tank.level_pct)
        assert level == pytest.approx(15.0, abs=2.0 + step / 2)
        assert one.ended_us is not None
        assert abs((one.ended_us - START_US) / HOUR_US - hour) < 12


def test_a_switch_that_is_taken_away_takes_its_finding_along() -> None:
    """A later line list without it: nobody is called for a switch that is not there."""
    tank = Tank(days=30)
    off_us = START_US + 20 * DAY_US
    closed = Faults(
        np.array(["0"]), np.array([10**6]), np.array([START_US + 10 * DAY_US]), np.array([-1]), np.array([-1]),
        np.array([np.nan]), ("level_low",), np.array([1.0]), (None,), np.array([np.nan]),
    )  # fmt: skip
    kept = setup(level="switch")
    gone = setup(level="none", valid_from_us=off_us)
    (lasting,) = by_switch(replace(history(tank, setups=(kept,)), faults=closed))
    assert lasting.ended_us is None
    (ended,) = by_switch(replace(history(tank, setups=(kept, gone)), faults=closed))
    assert (ended.began_us, ended.ended_us) == (lasting.began_us, off_us)
