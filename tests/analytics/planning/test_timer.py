"""What another setting of the timer changes, and what it warns of."""

from dataclasses import replace

import pytest
from msgspec import structs

from analytics.findings import Finding
from analytics.planning import timer
from analytics.vehicle.analysis import Result, analyse
from dashboard.exports import timer as words
from tests.helpers.vehicles import END_US, arrivals, recorded


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> Result:
    """A direct-feed tipper of the demo."""
    _, held = recorded(tmp_path_factory.mktemp("timer"), [arrivals("HS-101", days=60)])
    return analyse(*held["HS-101"], END_US)


def test_twice_the_interval_is_half_the_grease_and_twice_the_time(result: Result) -> None:
    """Amounts, cycles and days go with the interval."""
    setup = result.history.setup
    now = timer.setting(result, setup.interval_min, setup.run_s)
    then = timer.setting(result, 2 * setup.interval_min, setup.run_s)
    assert [b for _, b in then.per_shift] == pytest.approx([a / 2 for _, a in now.per_shift])
    assert now.cycles_per_day is not None
    assert now.reservoir_days is not None
    assert now.due_days[1] is not None
    assert then.cycles_per_day == pytest.approx(now.cycles_per_day / 2)
    assert then.reservoir_days == pytest.approx(now.reservoir_days * 2)
    assert then.due_days[1] == pytest.approx(now.due_days[1] * 2)


def test_a_mark_that_may_be_reached_is_no_date_that_nobody_knows(result: Result) -> None:
    """The early end of a window that has begun is now, and so is the whole of one that is over."""
    now_us, day_us = result.history.as_of_us, 86_400_000_000
    begun = replace(
        result, refill=replace(result.refill, due_early_us=now_us - day_us, due_expected_us=now_us + day_us)
    )
    assert timer.setting(begun, 10, 60).due_days[0] == 0.0
    assert (timer.setting(begun, 10, 60).due_days[1] or 0.0) > 0.0
    told = words.facts(timer.setting(begun, 10, 60), timer.setting(begun, 10, 60))
    assert told[2] == "Low mark perhaps reached already", "0.0 days would be read as a date that is known"
    assert told[3].startswith("Low mark most likely reached in: ")
    over = replace(result, refill=replace(begun.refill, due_expected_us=now_us - 1, due_late_us=now_us + day_us))
    told = words.facts(timer.setting(over, 10, 60), timer.setting(over, 10, 60))
    assert told[2:] == ["Low mark most likely reached already"]


def test_the_present_setting_is_the_one_its_cycles_show(result: Result) -> None:
    """A timer that is set otherwise than the sheet says gives its points less: the sheet's amounts would show them as sound."""
    setup, end_us = result.history.setup, result.history.as_of_us
    seen = {"interval_min": 2 * setup.interval_min, "registered_min": setup.interval_min}
    over, slow = (
        replace(result, findings=(Finding("timer_mismatch", None, (), 0, 0, ended_us, "plan", "", seen),))
        for ended_us in (end_us, None)
    )
    assert timer.present(over) == timer.present(result) == (setup.interval_min, setup.run_s)
    assert timer.present(slow) == (2 * setup.interval_min, setup.run_s)
    now = timer.setting(slow, *timer.present(slow))
    by_sheet = timer.setting(slow, setup.interval_min, setup.run_s)
    assert now.cycles_per_day == result.refill.cycles_per_day, "they were counted under the setting that it has"
    assert by_sheet.cycles_per_day == pytest.approx(2 * (now.cycles_per_day or 0.0))
    assert [b for _, b in by_sheet.per_shift] == pytest.approx([2 * a for _, a in now.per_shift])
    assert words.as_found(setup, now)
    assert not words.as_found(setup, by_sheet)
    longer = {"run_s": 2 * setup.run_s, "registered_run_s": setup.run_s}
    runs_on = replace(slow, findings=(replace(slow.findings[0], evidence=longer),))
    now, by_sheet = (
        timer.setting(runs_on, *timer.present(runs_on)),
        timer.setting(runs_on, setup.interval_min, setup.run_s),
    )
    assert by_sheet.reservoir_days == pytest.approx(2 * (now.reservoir_days or 0.0)), (
        "its use was seen in the longer runs"
    )


def test_a_direct_feed_goes_with_the_run_time_and_an_injector_does_not(result: Result) -> None:
    """An injector fires once a cycle, however long the pump runs (common practice, no source)."""
    setup = result.history.setup
    assert timer.dose_at(setup, 0.2, 2 * setup.run_s) == pytest.approx(0.4)
    assert timer.dose_at(structs.replace(setup, feed="injector"), 0.2, 2 * setup.run_s) == 0.2


def test_it_warns_of_too_little_time_and_of_too_much_at_the_brakes(result: Result) -> None:
    """And is silent on the present setting."""
    setup = result.history.setup
    usual = timer.sisters([structs.replace(setup, vehicle=f"v{n}") for n in range(3)], setup)
    now = timer.setting(result, setup.interval_min, setup.run_s)
    assert timer.warnings(result, now, usual) == []
    told = " ".join(timer.warnings(result, timer.setting(result, setup.interval_min / 12, setup.run_s), usual))
    assert "less than a week" in told
    assert "Far from what sister vehicles get" in told
    assert ("linings" in told) == any("brake camshaft" in line.point or "slack" in line.point for line in setup.lines)
