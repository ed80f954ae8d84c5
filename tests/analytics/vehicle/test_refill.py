"""The refill forecast follows what changes: a timer that was set otherwise, a fill that somebody recorded."""

from pathlib import Path

import numpy as np
import pytest

from analytics.settings import DEFAULTS
from analytics.vehicle.analysis import analyse
from analytics.vehicle.habits import _MOST_A_WEEK, Runs, habits
from analytics.vehicle.level.readings import run_ratio
from ingest.times import DAY_US, HOUR_US
from simulators.scenario import Trouble
from tests.analytics.vehicle.level.tank import START_US, Tank, messages, setup
from tests.analytics.vehicle.test_plain_messages import cycles, heard
from tests.helpers.vehicles import END_US, arrivals, recorded


@pytest.mark.parametrize("ratio", [0.6, 2.0])
def test_another_interval_changes_the_date_at_once(tmp_path: Path, ratio: float) -> None:
    """Five days after the change the weeks before it count for what they would be now: cycles a day, and days to the mark."""
    _, plain = recorded(tmp_path / "a", [arrivals("HS-101", ())])
    _, other = recorded(tmp_path / "b", [arrivals("HS-101", (Trouble("timer_mismatch", 5, None, ratio=ratio),))])
    before, after = analyse(*plain["HS-101"], END_US).refill, analyse(*other["HS-101"], END_US).refill
    assert before.cycles_per_day is not None
    assert after.cycles_per_day is not None
    assert after.cycles_per_day == pytest.approx(before.cycles_per_day / ratio, rel=0.12)
    assert before.level_pct is not None
    assert after.level_pct is not None
    assert before.due_expected_us is not None
    assert after.due_expected_us is not None
    room = (before.level_pct - before.low_mark_pct) / (after.level_pct - after.low_mark_pct)
    days = (after.due_expected_us - END_US) / (before.due_expected_us - END_US)
    assert days * room == pytest.approx(ratio, rel=0.35)


def test_a_level_at_its_mark_got_there_once(tmp_path: Path) -> None:
    """From when on it was there does not depend on when somebody asks."""
    _, held = recorded(tmp_path, [arrivals("HS-306", (Trouble("low_level", 35, None),))])
    last = analyse(*held["HS-306"], END_US)
    mark_us = next(f.began_us for f in last.findings if f.kind == "low_level")
    seen = [analyse(*held["HS-306"], mark_us + hour * HOUR_US).refill for hour in range(-30, 20, 2)]
    due = [refill for refill in seen if refill.state == "due"]
    assert len(due) > 5
    for refill in due:
        assert refill.due_early_us == refill.due_late_us
        assert refill.due_early_us is not None
        assert refill.due_early_us <= refill.as_of_us
    assert len({refill.due_early_us for refill in due}) <= 2  # as the readings said, and once more are in


def test_a_level_that_no_reading_tells_says_what_it_rests_on() -> None:
    """The readings end and cycles go on: as long as it is above its mark, and when it is counted down to it."""
    tank = Tank(days=60, refill_at_pct=-1000.0)
    read_h, pct = tank.read()
    early = read_h < 24 * 12
    messages_ = messages(tank, (read_h[early], pct[early]))
    for day, state in ((22, "ok"), (50, "due")):
        refill = analyse(messages_, (setup(),), START_US + day * DAY_US).refill
        assert refill.state == state
        assert refill.level_pct is not None
        assert "counted from the cycles" in (refill.basis or "")


def test_a_sheet_of_another_timer_before_makes_no_billions_of_cycles_a_week() -> None:
    """Two days by a sheet of an interval of centuries, typed wrong, count for as many as today's timer would have made of it."""
    at_us = START_US + np.arange(24, dtype=np.int64) * 2 * HOUR_US
    runs = Runs(at_us, np.ones(24, np.int64), np.full(24, 1e9), START_US)
    found = habits(runs, START_US + 2 * DAY_US, 20.0, (), ())
    assert found is not None
    assert len(found.weeks.times[0]) == _MOST_A_WEEK


def test_weeks_without_a_cycle_are_none_to_draw_from() -> None:
    """It worked for a week, and stood for eight months, its controller awake: the forecast rests on what it did, spread over the time."""
    at_us = START_US + np.arange(200, dtype=np.int64) * HOUR_US
    runs = Runs(at_us, np.ones(200, np.int64), np.ones(200), START_US)
    found = habits(runs, START_US + 240 * DAY_US, 20.0, (), ())
    assert found is not None
    assert found.weeks.mean > 0


def test_runs_of_nothing_are_of_some_length(tmp_path: Path) -> None:
    """A controller that tells runs of a millionth of a second: what the forecast divides by is no nought."""
    result = heard(tmp_path, cycles(60, run_s=1e-9), 24.0, {})
    assert run_ratio(result.history, DEFAULTS) == 0.01
