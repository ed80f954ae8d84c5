"""A level sensor that has stood still since it was first heard: it is found, and no date, fill or pump is told by it."""

from collections.abc import Callable

import numpy as np
import pytest

from analytics.vehicle.analysis import Result, analyse
from analytics.vehicle.level.still import coarsest_step, still_runs
from ingest.arrays import Floats
from ingest.times import DAY_US
from ingest.work import Work
from tests.analytics.vehicle.level.tank import DOSE_PCT, START_US, Tank, messages, setup


def stuck(pct: Callable[[int], Floats], day: int, work: tuple[Work, ...] = ()) -> Result:
    """Up to a day, a vehicle that nobody fills: its reservoir is empty after a month."""
    tank = Tank(days=60, start_pct=63.4, refill_at_pct=-999)
    at_h, _ = tank.read()
    told = messages(tank, (at_h, pct(len(at_h))))
    return analyse(told, (setup(),), START_US + day * DAY_US, None, work)


def jitter(digit: float) -> Callable[[int], Floats]:
    return lambda n: np.round(63.0 + digit * np.random.default_rng(3).integers(-1, 2, n), 1)


STUCK: dict[str, tuple[Callable[[int], Floats], int]] = {  # readings, and the day by which it is found
    "a value of no coarse step": (lambda n: np.full(n, 63.4), 4),
    "a value of an eighth": (lambda n: np.full(n, 62.5), 32),
    "three quarters": (lambda n: np.full(n, 75.0), 32),
    "a digit of a tenth": (jitter(0.1), 4),
    "a digit of a half": (jitter(0.5), 4),
    "a whole digit": (jitter(1.0), 5),
    "a wild one now and then": (lambda n: np.where(np.arange(n) % 40 == 5, 12.0, 63.4), 4),
}


@pytest.mark.parametrize("how", STUCK)
def test_a_sensor_that_has_never_moved_is_found_and_tells_nothing(how: str) -> None:
    """At every day: no fill, nothing said of the pump, and no date once more was used than a step explains."""
    readings, found_by = STUCK[how]
    for day in (3, 6, 10, 14, 20, 26, 33, 45, 59):
        result = stuck(readings, day)
        assert result.fills == ()
        found = [found.kind for found in result.findings if found.kind != "low_level"]
        assert found == ["level_sensor"] or (day <= found_by and found == [])
        if day >= 14:
            assert (result.refill.state, result.refill.level_pct) == ("unknown", None)
            assert "has not moved since it was first heard" in (result.refill.reason or "")


def test_a_recorded_fill_tells_what_a_sensor_that_stands_still_does_not() -> None:
    """Counted from it, cycle by cycle."""
    filled = Work(key="a", kind="filled", at_us=START_US + 8 * DAY_US, by="somebody", to_pct=95.0)
    refill = stuck(lambda n: np.full(n, 63.4), 14, (filled,)).refill
    used_pct = 6 * 18 * DOSE_PCT
    assert refill.level_pct == pytest.approx(95 - used_pct, abs=2)
    assert refill.basis is not None


@pytest.mark.parametrize("step", [0.1, 1.0, 5.0, 12.5, 25.0])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_sound_sensor_moves(step: float, seed: int) -> None:
    """Whatever its step: then its level is told."""
    tank = Tank(days=40, step_pct=step, noise_pct=0.4, seed=seed)
    result = analyse(messages(tank), (setup(),), START_US + 40 * DAY_US)
    assert [found.kind for found in result.findings if found.kind != "low_level"] == []
    assert result.refill.level_pct is not None


def test_what_comes_to_life_has_moved() -> None:
    """A single reading far off has not; two have, for good, until another sensor is fitted."""
    raw = np.array([63.0, 63.1, 12.0, 63.0, 60.0, 59.8, 63.0, 63.0, 63.0])
    alike, unmoved = still_runs(raw, np.zeros(9), [False] * 7 + [True, False])
    assert unmoved == [True, True, True, True, True, False, False, True, True]
    assert alike == [1, 2, 3, 4, 5, 1, 1, 1, 2]


@pytest.mark.parametrize(
    ("value", "step"),
    [(75.0, 25.0), (62.5, 25.0), (63.0, 12.5), (33.3, 100 / 3), (67.0, 100 / 3), (70.0, 20.0), (80.0, 20.0), (63.4, 1.0), (61.0, 2.0)],
)  # fmt: skip
def test_a_value_tells_the_coarsest_step_that_it_fits(value: float, step: float) -> None:
    """As a mark, the middle between two, or what such a mark is rounded to."""
    assert coarsest_step(value) == pytest.approx(step)


@pytest.mark.parametrize("first", [130.0, -40.0])
@pytest.mark.parametrize("number", [20, 2000])
def test_readings_that_cannot_be_tell_no_step(first: float, number: int) -> None:
    """From the first message on, for however long: the vehicle is analysed, and its sensor found."""
    result = stuck(lambda n: np.where(np.arange(n) < number, first, np.round(80.0 - 0.1 * np.arange(n), 1)), 8)
    assert "level_sensor" in [found.kind for found in result.findings]
