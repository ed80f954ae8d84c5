"""Fills, the level and its uncertainty, by sensors of any step; each reading judged by what came before it only."""

import numpy as np
import pytest
from msgspec.structs import replace

from ingest.times import DAY_US, HOUR_US
from ingest.work import Work
from tests.analytics.vehicle.level.tank import RESERVOIR_L, START_US, Tank, analysed, kinds, setup

STEPS = (0.5, 1.0, 2.0, 5.0, 10.0, 12.5, 25.0, 100 / 3)


@pytest.mark.parametrize("step", STEPS)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_coarse_sensor_is_sound_and_its_fills_are_seen(step: float, seed: int) -> None:
    """No fault from coarseness, every fill once and near its time, and the level within half a step."""
    tank = Tank(step_pct=step, seed=seed, days=150)
    found = analysed(tank)
    assert kinds(found) == []
    assert len(found.fills) == len(tank.filled) >= 4
    for fill, (hour, before, after) in zip(found.fills, tank.filled, strict=True):
        assert abs((fill.at_us - START_US) / HOUR_US - hour) < 24
        assert fill.to_pct - fill.from_pct == pytest.approx(after - before, abs=max(3.0, 0.35 * step))
    known = np.isfinite(found.level_at_cycle_pct)
    off = np.abs(found.level_at_cycle_pct - np.array(tank.level_pct))[known]
    assert np.median(off) < max(1.0, 0.2 * step)
    assert np.quantile(off, 0.95) < max(2.5, 0.6 * step)


@pytest.mark.parametrize("step", [5.0, 25.0])
def test_the_level_is_known_as_well_as_the_step_lets_it(step: float) -> None:
    """Its standard deviation covers the truth, whenever it is asked; wide after a fill, before the first step down."""
    tank = Tank(step_pct=step, days=120)
    inside, widths = [], []
    for day in range(25, 120, 3):
        found = analysed(tank, read=_until(tank, 24 * day), as_of_h=24.0 * day)
        done = int(np.searchsorted(tank.clock_h, 24.0 * day)) - 1
        assert found.level_pct is not None
        inside.append(abs(found.level_pct - tank.level_pct[done]) < 2 * found.level_sd)
        widths.append(found.level_sd)
    assert np.mean(inside) > 0.9
    assert max(widths) > 0.2 * step
    assert analysed(Tank(step_pct=1.0, days=100)).level_sd < 2.0


def _until(tank: Tank, hour: float) -> tuple[np.ndarray, np.ndarray]:
    at_h, pct = tank.read()
    return at_h[at_h <= hour], pct[at_h <= hour]


@pytest.mark.parametrize("step", [1.0, 25.0])
def test_what_comes_later_changes_no_fill_and_no_finding(step: float) -> None:
    """What was said by a day of fills, and of when it was certain, is said for good."""
    tank = Tank(step_pct=step, days=100, ratio=((0.0, 1.0), (50.0, 1.8), (70.0, 1.0)))
    whole = analysed(tank)
    for day in (20, 45, 58, 66, 80):
        until_us = START_US + day * DAY_US
        now = analysed(tank, read=_until(tank, 24 * day), as_of_h=24.0 * day)
        assert [f.at_us for f in now.fills] == [f.at_us for f in whole.fills if f.detected_us <= until_us]
        found = {(s.kind, s.began_us, s.detected_us) for s in now.episodes}
        assert found == {(s.kind, s.began_us, s.detected_us) for s in whole.episodes if s.detected_us <= until_us}


def test_one_delivery_told_by_several_readings_is_one_fill() -> None:
    """Readings taken while it is being filled lie between; within the hour it is one fill of the whole."""
    tank = Tank(days=60)
    at_h, pct = tank.read()
    (hour, before, after), *_ = tank.filled
    first = int(np.searchsorted(at_h, hour))
    between_h = hour + np.array([0.2, 0.4, 0.6, 0.8])
    between = np.round(before + (after - before) * np.array([0.3, 0.6, 0.9, 1.0]))
    read = np.insert(at_h, first, between_h), np.insert(pct, first, between)
    found = analysed(tank, read=read)
    assert len(found.fills) == len(tank.filled)
    assert found.fills[0].to_pct - found.fills[0].from_pct == pytest.approx(after - before, abs=3)


@pytest.mark.parametrize(("days", "hidden"), [(5, 1), (20, 6)])
def test_what_was_filled_in_while_nothing_was_read_is_counted(days: int, hidden: int) -> None:
    """The rise and what the cycles used meanwhile went in, also where that is more than a reservoir holds; one fill lies where there was
    room for it."""
    line = replace(setup().lines[0], dose_cm3=10 * setup().lines[0].dose_cm3)
    tank = Tank(days=45, ratio=((0.0, 10.0),), refill_at_pct=28.0)
    at_h, pct = tank.read()
    read = (at_h < 24 * 12.5) | (at_h > 24 * (12.5 + days))
    found = analysed(tank, read=(at_h[read], pct[read]), setups=(setup(lines=(line,)),))
    true = [(after - before) / 100 * RESERVOIR_L for _, before, after in tank.filled]
    assert len(found.fills) == len(true) - hidden + 1
    assert sum(fill.litres for fill in found.fills) == pytest.approx(sum(true), rel=0.02)
    if hidden == 1:
        for fill, (hour, before, after) in zip(found.fills, tank.filled, strict=True):
            assert abs((fill.at_us - START_US) / HOUR_US - hour) < 24
            assert fill.from_pct == pytest.approx(before, abs=20)
            assert fill.to_pct == pytest.approx(after, abs=20)


def test_another_sensor_is_no_fill_and_no_leak() -> None:
    """Whoever records that the level sensor was replaced explains the step in its readings, and its other grid."""
    tank = Tank(days=60, refill_at_pct=5.0, start_pct=100.0, ratio=((0.0, 0.6),))
    at_h, pct = tank.read()
    for offset in (20.0, -20.0):
        moved = np.where(at_h > 24 * 20, pct + offset, pct)
        record = Work(key="k", kind="sensor_replaced", at_us=START_US + 20 * DAY_US, by="x")
        found = analysed(tank, read=(at_h, moved), work=(record,))
        assert found.fills == ()
        assert "reservoir_loss" not in kinds(found)


def test_a_longer_run_uses_more_and_is_no_leak() -> None:
    """A run time set otherwise than registered takes that much more grease with each cycle; what fires once does not."""
    tank = Tank(days=60, run_s=192.0, ratio=((0.0, 1.6),))
    found = analysed(tank)
    assert kinds(found) == []
    assert found.run_ratio == pytest.approx(1.6)
    assert found.baseline_dose_ratio == pytest.approx(1.0, abs=0.05)
    assert analysed(Tank(days=60, run_s=192.0), setups=(setup(feed="injector"),)).run_ratio == 1.0


def test_a_history_without_readings_has_an_answer() -> None:
    """Nothing is known of the level, and nothing is shown as zero."""
    tank = Tank(days=3)
    found = analysed(tank, read=(np.zeros(0), np.zeros(0)))
    assert found.level_pct is None
    assert found.fills == ()
