"""A sensor that reads high or low by a few points between empty and full shows it by the arc of its readings, and is straightened."""

import numpy as np
import pytest

from analytics.vehicle.level.bend import arc
from tests.analytics.vehicle.level.tank import Tank, analysed, kinds


@pytest.mark.parametrize("bend_pct", [-2.5, 0.0, 2.5])
def test_the_level_is_right_whatever_the_sensor_s_bend(bend_pct: float) -> None:
    """After some fills the level lies within a point at every height, where the sensor is off by more than two; nothing is found."""
    tank = Tank(seed=4, days=220, step_pct=0.1)
    at_h, pct = tank.read()
    found = analysed(tank, read=(at_h, np.round(pct + bend_pct * arc(pct))))
    true = np.array(tank.level_pct)
    late = np.array(tank.clock_h) > 24 * 160
    off = (found.level_at_cycle_pct - true)[late]
    for low, high in ((15, 35), (35, 60), (60, 80)):
        part = (true[late] > low) & (true[late] < high)
        assert abs(np.median(off[part])) < 1.0
    assert kinds(found) == []
    assert len(found.fills) == len(tank.filled)


def test_the_doubt_shrinks_as_the_bend_becomes_known() -> None:
    """Before the first fill the level may be off by what sensors bend; later by what is left of it."""
    early, late = (analysed(Tank(seed=4, days=days)) for days in (12, 150))
    assert early.level_sd > 1.2
    assert late.level_sd < early.level_sd
