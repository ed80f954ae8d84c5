"""A level sensor that stands still, lies or falls silent, whatever its step."""

from dataclasses import replace

import numpy as np
import pytest

from analytics.kinds import FINDING_KINDS, Facts
from analytics.vehicle.analysis import analyse
from analytics.vehicle.checkpoints import Walk
from analytics.vehicle.data_notes import notes
from analytics.vehicle.level.readings import steps_of
from ingest.arrays import Ignitions, Messages, chosen
from ingest.languages.saying import say
from ingest.times import DAY_US
from tests.analytics.vehicle.level.tank import START_US, Tank, analysed, kinds, messages, setup


@pytest.mark.parametrize("step", [0.5, 1.0, 2.0, 5.0, 10.0, 12.5, 25.0, 100 / 3, 100 / 12])
def test_the_step_is_learned_from_the_readings(step: float) -> None:
    """With two readings in a thousand wild and rounding to a tenth; seldom only one by them for a while."""
    known = []
    for seed in range(20):
        rng = np.random.default_rng(seed)
        true = 95 - np.cumsum(rng.gamma(2, 0.6, 400)) % 75 + rng.normal(0, 1.2, 400)
        read = np.round(np.round(true / step) * step, 1)
        read[rng.random(400) < 0.002] = 77.7
        steps = steps_of(read, [False] * len(read), Walk(np.arange(len(read)), START_US))
        known.append(np.abs(np.array(steps[40:]) - step) < 0.1)
    assert np.mean(known) > 0.85


def test_a_step_too_fine_to_matter_is_none_and_another_sensor_has_its_own() -> None:
    """Readings to a tenth are not in steps; what one sensor told says nothing of the next."""
    fine = np.round(np.random.default_rng(2).uniform(20, 90, 60), 1)
    coarse = np.repeat([75.0, 50.0, 25.0], 20)
    steps = steps_of(np.r_[fine, coarse], [False] * 60 + [True] + [False] * 59, Walk(np.arange(120), START_US))
    assert steps[59] == 0.0
    assert steps[-1] == 25.0


@pytest.mark.parametrize("step", [0.5, 1.0, 2.0, 5.0])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_sensor_that_stands_still_is_found(step: float, seed: int) -> None:
    """Once more was used than its step explains; from the first reading that is alike to the first that is not."""
    tank = Tank(days=80, step_pct=step, seed=seed)
    at_h, pct = tank.read()
    stuck = (at_h > 24 * 50) & (at_h < 24 * 68)
    pct[stuck] = pct[stuck][0]
    found = analysed(tank, read=(at_h, pct))
    assert kinds(found) == ["level_sensor"]
    (one,) = [s for s in found.episodes if s.kind == "level_sensor"]
    assert abs((one.began_us - START_US) / DAY_US - 50) < 2
    assert (one.detected_us - START_US) / DAY_US - 50 < 3 + 3 * step / 2.16
    assert one.ended_us is not None
    assert abs((one.ended_us - START_US) / DAY_US - 68) < 1


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_stuck_sensor_whose_last_digit_flickers_is_no_pump_that_delivers_nothing(seed: int) -> None:
    """Grease that moves never lies so still: the readings scattered by points before, and by a digit now. A level that stands while its
    readings go on to scatter is true."""
    tank = Tank(days=80, step_pct=0.1, seed=seed, ratio=((0.0, 1.0), (50.0, 0.0)))
    at_h, pct = tank.read()
    stuck = at_h > 24 * 50
    assert kinds(analysed(tank, read=(at_h, pct))) == ["under_delivery"]
    flickers = np.random.default_rng(seed).choice([-0.1, 0.0, 0.0, 0.1], stuck.sum())
    pct[stuck] = np.round(pct[stuck][0] + flickers, 1)
    found = analysed(tank, read=(at_h, pct))
    assert kinds(found) == ["level_sensor"]
    assert found.by_counting


@pytest.mark.parametrize("metered", [True, False])
def test_readings_that_stop_are_missed_with_and_without_an_hour_meter(metered: bool) -> None:
    """Without a meter the timer counts the hours."""
    tank = Tank(days=60, metered=metered)
    at_h, pct = tank.read()
    sent = at_h < 24 * 40
    found = analysed(tank, read=(at_h[sent], pct[sent]))
    assert kinds(found) == ["level_sensor"]
    (one,) = found.episodes
    assert one.ended_us is None
    assert (one.detected_us - START_US) / DAY_US < 46


@pytest.mark.parametrize("every", [1, 4])
def test_readings_sent_with_cycles_only_are_not_missed_while_the_pump_is_dead(every: int) -> None:
    """No cycle, no reading: that is the pump's trouble. Once cycles run without them, they are missed."""
    tank = Tank(days=60, every=every)
    at_h, pct = tank.read()
    sent = messages(tank, (at_h[at_h < 24 * 45], pct[at_h < 24 * 45]))
    dead = sent.cycles.at_us > START_US + 45 * DAY_US
    told = chosen(sent.cycles, dead)
    switched = Ignitions(
        told.boot,
        told.seq,
        told.at_us,
        told.sent_us,
        told.received_us,
        told.engine_h,
        (np.arange(len(told)) % 2).astype(np.float64),
    )

    def found(messages: Messages) -> set[str]:
        return {f.kind for f in analyse(messages, (setup(),), START_US + 60 * DAY_US).findings}

    assert found(replace(sent, cycles=chosen(sent.cycles, ~dead), ignitions=switched)) == {"missed_cycles"}
    assert found(sent) == {"level_sensor"}


@pytest.mark.parametrize("high_pct", [16.0, 30.0])
def test_a_sensor_that_reads_high_for_a_while_is_no_fill_and_no_loss(high_pct: float) -> None:
    """It steps up and falls back to where the cycles would have brought it; a true fill that is used up by the cycles is one."""
    tank = Tank(days=60, step_pct=0.5)
    at_h, pct = tank.read()
    sound = analysed(tank, read=(at_h, pct))
    first = int(np.argmax(pct < 55))
    high = (at_h >= at_h[first]) & (at_h < at_h[first] + 24 * 4)
    assert np.ptp(pct[high]) < 20  # no fill in between
    pct[high] += high_pct
    found = analysed(tank, read=(at_h, pct))
    assert kinds(found) == ["level_sensor"]
    (one,) = found.episodes
    assert one.evidence["read_high_pct"] == pytest.approx(high_pct, abs=3)
    assert one.ended_us == one.detected_us
    assert len(found.fills) == len(sound.fills)
    nowhere = say("{where}", where="")
    assert "nothing was filled in" in FINDING_KINDS["level_sensor"].sentence(
        Facts(one.evidence, nowhere, nowhere, setup())
    )  # type: ignore[misc]


@pytest.mark.parametrize("step", [1.0, 25.0])
def test_impossible_readings_are_a_fault_at_any_step(step: float) -> None:
    """Beyond what any sound sensor reads."""
    tank = Tank(days=60, step_pct=step)
    at_h, pct = tank.read()
    rng = np.random.default_rng(4)
    bad = (at_h > 24 * 40) & (at_h < 24 * 47)
    pct[bad] = rng.choice([-20.0, 150.0, 180.0], bad.sum())
    found = analysed(tank, read=(at_h, pct))
    assert kinds(found) == ["level_sensor"]


@pytest.mark.parametrize("read", [(-40.0, -38.0), (150.0, 180.0), (130.0, -20.0)])
def test_a_sensor_that_never_told_what_can_be_tells_no_level(read: tuple[float, float]) -> None:
    """Nothing is counted down from it, no mark is judged by it, and the first sound reading is no fill."""
    tank = Tank(days=28)
    at_h, pct = tank.read()
    bad = at_h < 24 * 20
    pct[bad] = np.where(np.arange(bad.sum()) % 3, *read)
    sent = messages(tank, (at_h, pct))
    then, now = (analyse(sent, (setup(),), START_US + day * DAY_US) for day in (19, 28))
    assert [(f.kind, f.ended_us) for f in then.findings] == [("level_sensor", None)]
    assert (then.refill.state, then.refill.level_pct) == ("unknown", None)
    assert "sensor cannot be trusted" in (then.refill.reason or "")
    assert np.isnan(then.reservoir.level_at_cycle_pct).all()
    assert now.fills == ()
    assert now.refill.level_pct is not None
    (found,) = now.findings
    assert found.ended_us is not None
    assert abs((found.ended_us - START_US) / DAY_US - 20) < 0.5


@pytest.mark.parametrize(("part", "told"), [(0.01, 1), (1.0, 0), (0.0, 0)])
def test_a_level_given_as_a_share_of_one_is_told(part: float, told: int) -> None:
    """As a data note; a reservoir that is read in percent, or is empty, is none."""
    tank = Tank(days=40)
    at_h, pct = tank.read()
    read = at_h, np.round(part * pct, 3)
    result = analyse(messages(tank, read), (setup(),), START_US + 40 * DAY_US)
    assert sum("shares of 1" in note for note in notes(result)) == told


@pytest.mark.parametrize("lasts", [False, True])
def test_readings_that_come_by_the_clock_are_not_missing_when_it_runs_for_once(lasts: bool) -> None:
    """One a night, from a vehicle that runs two days a week: most of them lie no ignition hour apart. When they stop that is found."""
    tank = Tank(days=90)
    runs = [int(hour // 24) % 7 in (1, 4) for hour in tank.clock_h]
    tank.clock_h = [hour for hour, ran in zip(tank.clock_h, runs, strict=True) if ran]
    tank.level_pct = [90.0 - 0.12 * n for n in range(len(tank.clock_h))]
    at_h = np.arange(24 * 60 if lasts else 24 * 90, step=24.0) + 23.0
    pct = np.round(90.0 - 0.12 * np.searchsorted(tank.clock_h, at_h), 1)
    assert kinds(analysed(tank, read=(at_h, pct))) == (["level_sensor"] if lasts else [])
