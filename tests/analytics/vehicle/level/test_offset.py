"""A level sensor that reads high or low since some day, or higher and higher, though nobody recorded it.

How people fill (three in four fills up to 86 to 98 %, the others up to 40 to 68 %) is common practice, no source.
"""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from analytics.findings import Episode
from analytics.kinds import FINDING_KINDS, Facts
from analytics.vehicle.causes import by_cause
from analytics.vehicle.checkpoints import Checkpoints, Walk
from analytics.vehicle.level.offset import Offset, put_right
from ingest.arrays import Floats
from ingest.languages.saying import say
from ingest.times import DAY_US
from ingest.work import Work
from tests.analytics.vehicle.level.tank import START_US, Tank, analysed, history, kinds, setup

DAYS, A_DAY, USE_PCT = 300, 4, 5.0
SEEDS = range(12)
Off = Callable[[Floats], Floats]


def off_by(
    off: Off, seed: int, full: tuple[Off, Off] = (lambda day: 86 + 0 * day, lambda day: 98 + 0 * day),
    checkpoints: Checkpoints | None = None, noise_pct: float = 1.0,
) -> tuple[Floats, list[Offset]]:  # fmt: skip
    """(by what the readings, put right, are still off the truth, what was found) of a tank that is filled at 22 % up to between the two
    of `full`, and whose sensor is off by `off` of the day."""
    rng = np.random.default_rng(seed)
    day = np.arange(DAYS * A_DAY) / A_DAY
    level, now, stops = np.empty(len(day)), 92.0, np.arange(len(day)) // 2
    for n in range(len(day)):
        if now < 22 and n % 2 == 0:  # where it stood
            to = rng.uniform(full[0](day[n : n + 1])[0], full[1](day[n : n + 1])[0])
            now = to if rng.random() < 0.75 else rng.uniform(40, 68)
        level[n] = now
        now -= USE_PCT / A_DAY
    reading = np.clip(level + off(day) + rng.normal(0, noise_pct, len(day)), 0, 118)
    none = [False] * len(day)
    at_us = START_US + (day * DAY_US).astype(np.int64)
    fine, walk = [0.0] * len(day), Walk(at_us, int(at_us[-1]), checkpoints or Checkpoints())
    right, found = put_right(reading, USE_PCT * day, none, none, fine, stops.tolist(), walk)
    return right - level, found


@pytest.mark.parametrize("pct", [-20.0, -15.0, -12.0, -10.0, -8.0, 8.0, 10.0, 12.0, 15.0, 20.0])
def test_a_step_that_stays_is_learned(pct: float) -> None:
    """In most runs, at its time and of its size; nothing is called a step that is none, and no level is made worse."""
    learned = 0
    for seed in SEEDS:
        off, found = off_by(lambda day: np.where(day >= 100, pct, 0.0), seed)
        steps = [one for one in found if not one.drifts]
        assert len(steps) <= 1
        for one in steps:
            assert abs(one.first / A_DAY - 100) <= 1
            assert one.pct == pytest.approx(pct, abs=2)
        assert abs(np.median(off[-20:])) < abs(pct) + 2
        learned += abs(float(np.median(off[-20:]))) < 3
    assert learned >= 0.8 * len(SEEDS)


@pytest.mark.parametrize("a_day", [0.06, 0.08, 0.1])
def test_a_drift_upwards_is_learned(a_day: float) -> None:
    """Before it would have put a date off by more than half of what is in the reservoir."""
    learned = 0
    for seed in SEEDS:
        off, found = off_by(lambda day: a_day * day, seed)
        assert sum(one.drifts for one in found) <= 1
        learned += abs(float(np.median(off[-20:]))) < 0.5 * a_day * DAYS
    assert learned >= 0.8 * len(SEEDS)


def test_a_sound_sensor_is_left_as_it_is() -> None:
    """Whatever people fill up to."""
    for seed in range(40):
        off, found = off_by(lambda day: 0 * day, seed)
        assert found == []
        assert abs(float(np.mean(off))) < 0.2


@pytest.mark.parametrize("noise_pct", [4.0, 5.0])
def test_slosh_is_no_step(noise_pct: float) -> None:
    """Readings of a machine that works on slopes lie ten points off now and then, two in a row."""
    for seed in range(40):
        assert not [one for one in off_by(lambda day: 0 * day, seed, noise_pct=noise_pct)[1] if not one.drifts]


@pytest.mark.parametrize("less", [lambda day: 8.0 * (day > 100), lambda day: 0.04 * day])
def test_people_who_fill_less_are_no_fault_of_the_sensor(less: Off) -> None:
    """From a day on, or less and less: no reading stepped, and an early date hurts nobody."""
    for seed in SEEDS:
        _, found = off_by(lambda day: 0 * day, seed, (lambda day: 86 - less(day), lambda day: 98 - less(day)))
        assert found == []


@pytest.mark.parametrize("seed", range(6))
def test_people_who_top_up_by_amounts_are_no_step(seed: int) -> None:
    """A can of grease each week: the reservoir comes to be fuller and fuller until no more goes in, and no reading was wrong."""
    rng = np.random.default_rng(seed)
    tank = Tank(days=200, seed=seed, step_pct=0.1, start_pct=60.0, refill_at_pct=-1.0)
    now, added = 60.0, []
    for week in range(1, 28):
        now -= 7 * 18 * 0.12
        more = min(float(rng.uniform(9, 25)), 97 - now)
        added.append((7.0 * week, more))
        now += more
    found = analysed(replace(tank, added=tuple(added), clock_h=[], level_pct=[], filled=[]))
    assert kinds(found) == []


def stepped(pct: float, until_day: float = 1e9) -> tuple[Tank, tuple[Floats, Floats]]:
    tank = Tank(days=420, step_pct=0.5)
    at_h, pcts = tank.read()
    return tank, (at_h, pcts + pct * ((at_h >= 24 * 150) & (at_h < 24 * until_day)))


@pytest.mark.parametrize("pct", [-12.0, 12.0])
def test_level_fills_and_finding_go_by_what_was_learned(pct: float) -> None:
    """A step upwards is no fill any more, and the level is the true one; in words, too."""
    tank, read = stepped(pct)
    found = analysed(tank, read=read)
    (one,) = [s for s in found.episodes if s.kind == "level_sensor"]
    assert abs((one.began_us - START_US) / DAY_US - 150) < 1
    assert one.ended_us is None
    assert one.evidence["stepped_pct"] == pytest.approx(pct, abs=2)
    assert found.level_pct == pytest.approx(tank.level_pct[-1], abs=3)
    assert len(found.fills) == len(tank.filled)
    nowhere = say("{where}", where="")
    told = FINDING_KINDS["level_sensor"].sentence(Facts(one.evidence, nowhere, nowhere, setup()))  # type: ignore[misc]
    assert ("read high" if pct > 0 else "read low") in told


def test_a_new_sensor_or_one_that_is_put_right_ends_it() -> None:
    """By a record of the new one, or where the reading steps back by as much."""
    tank, (at_h, pcts) = stepped(12.0, 380)
    back = analysed(tank, read=(at_h, pcts))
    (one,) = [s for s in back.episodes if s.kind == "level_sensor"]
    assert one.ended_us is not None
    assert abs((one.ended_us - START_US) / DAY_US - 380) < 2
    assert back.level_pct == pytest.approx(tank.level_pct[-1], abs=3)
    work = Work(at_us=START_US + 380 * DAY_US, kind="sensor_replaced", key="w", by="B")
    new = analysed(tank, read=(at_h, pcts), work=(work,))
    (one,) = [s for s in new.episodes if s.kind == "level_sensor"]
    assert one.ended_us is not None
    assert kinds(replace(new, episodes=())) == []


def test_what_is_found_once_the_level_is_put_right_counts() -> None:
    """What was found by readings that were off only follows from it."""
    told = history(Tank(days=20))
    off = Episode("level_sensor", None, START_US, START_US + 10 * DAY_US, None, {"stepped_pct": 12.0})
    over = Episode("overfill", None, START_US + 5 * DAY_US, START_US + 5 * DAY_US, START_US + 6 * DAY_US)
    low = Episode("low_level", None, START_US + 15 * DAY_US, START_US + 15 * DAY_US)
    dry = Episode("starved_pump", None, START_US + 16 * DAY_US, START_US + 16 * DAY_US)
    assert by_cause([off, over, low, dry], told, np.zeros(0)) == [off, low, dry]
