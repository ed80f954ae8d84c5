"""What becomes of hour meters: they stop, they are sent no more, and they are set to another figure."""

from collections.abc import Callable
from pathlib import Path

import pytest

from analytics.vehicle.analysis import Result
from analytics.vehicle.data_notes import notes
from analytics.vehicle.doses import doses
from analytics.vehicle.hand_points import hour_meters
from analytics.vehicle.line_conditions import line_conditions
from ingest.arrays import chosen
from tests.analytics.vehicle.test_plain_messages import HOUR_US, INTERVAL_H, START_US, Said, heard, kinds

DAY = 20  # cycles that a working day of 8 ignition hours brings
STOPPED = 6  # working day on which something becomes of the meter
LAST = 16


def days(meter: Callable[[int, float], float | None], pump_stops: int = LAST) -> list[Said]:
    """Working days of 8 hours: cycles in the timer's pace until the pump stops, and the level at each day's end. `meter` makes what the
    hour meter shows of the day and of the hours that have passed."""
    said: list[Said] = []
    for day in range(LAST):
        for n in range(DAY):
            passed = day * 8 + n * INTERVAL_H
            if day < pump_stops:
                peak = {"p1": 8000 + 150 * ((7 * (day * DAY + n)) % 5)}
                cycle = {"cycle_no": day * DAY + n, "run_s": 180, "peak_kpa": peak, "complete": None}
                said.append(("cycle", day * 24 + n * INTERVAL_H, cycle | {"engine_h": meter(day, passed)}))
        said.append(("level", day * 24 + 7.9, {"level_pct": 80 - day, "engine_h": meter(day, day * 8 + 7.9)}))
    return said


def analysed(folder: Path, meter: Callable[[int, float], float | None], pump_stops: int = LAST) -> Result:
    return heard(folder, days(meter, pump_stops), LAST * 24.0, {"feed": "direct"}, channel="p1")


STOPS: dict[str, Callable[[int, float], float | None]] = {
    "it stands still": lambda day, passed: round(500 + min(passed, STOPPED * 8.0), 2),
    "it is sent no more": lambda day, passed: round(500 + passed, 2) if day < STOPPED else None,
}


@pytest.mark.parametrize("how", STOPS)
def test_a_meter_that_counts_no_more_proves_nothing(tmp_path: Path, how: str) -> None:
    """The pump stops four days after the meter: nobody can know, and nothing is said to be well."""
    result = analysed(tmp_path, STOPS[how], pump_stops=STOPPED + 4)
    assert kinds(result) == []
    assert result.hours_since_grease == {1: None}
    assert [one.state for one in line_conditions(result)] == ["not_proven"]
    told = doses(result)
    assert told is not None
    assert told.arrived.sum() == pytest.approx(STOPPED * DAY, abs=2)
    assert told.planned.sum() == (STOPPED + 4) * DAY
    assert any("hour meter has counted nothing since" in note for note in notes(result))
    read_us = hour_meters(result.history, chosen(result.history.states, result.history.states.at_us < 0))[0].at_us[-1]
    assert read_us == pytest.approx(START_US + STOPPED * 24 * HOUR_US, abs=24 * HOUR_US)


@pytest.mark.parametrize("how", STOPS)
def test_cycles_of_a_few_hours_stop_no_meter(tmp_path: Path, how: str) -> None:
    """What is told within a day is no proof, and a meter that goes on is one."""
    said = [one for one in days(STOPS[how]) if one[1] < STOPPED * 24 + 8]
    early = heard(tmp_path / "a", said, STOPPED * 24 + 8.0, {"feed": "direct"}, channel="p1")
    assert early.history.unmetered_us is None
    assert analysed(tmp_path / "b", lambda _, passed: round(500 + passed, 2)).history.unmetered_us is None


SETTINGS: dict[str, Callable[[int, float], float | None]] = {
    "to zero": lambda day, passed: round(passed + (500 if day < STOPPED else -STOPPED * 8), 2),
    "forward": lambda day, passed: round(passed + (500 if day < STOPPED else 50_000), 2),
    "forward for a day": lambda day, passed: round(passed + (50_000 if day == STOPPED else 500), 2),
    "forward in one reading": lambda day, passed: round(
        passed + (50_000 if passed == STOPPED * 8 + 4 * INTERVAL_H else 500), 2
    ),
}


@pytest.mark.parametrize("how", SETTINGS)
def test_a_meter_that_is_set_counts_on(tmp_path: Path, how: str) -> None:
    """Neither is ignition time made up while it is set, nor does what it showed before hide that the pump stopped later."""
    whole = analysed(tmp_path / "a", SETTINGS[how])
    assert kinds(whole) == []
    assert whole.history.heard_h[-1] == pytest.approx(LAST * 8, abs=1.0)
    stopped = analysed(tmp_path / "b", SETTINGS[how], pump_stops=LAST - 4)
    assert kinds(stopped) == ["missed_cycles"]
    assert stopped.findings[0].evidence["missed"] == pytest.approx(4 * DAY, abs=3)


PAUSES: dict[str, tuple[Callable[[int, float], float | None], bool]] = {  # from the fourth day to the ninth; whether it counted meanwhile
    "it stands still": (lambda day, passed: round(500 + min(passed, 32.0) + max(passed - 72.0, 0.0), 2), False),
    "it is sent no more, and counts nothing": (
        lambda day, passed: None if 4 <= day < 9 else round(500 + passed - (40 if day >= 9 else 0), 2), False
    ),
    "it is sent no more, and counts": (lambda day, passed: None if 4 <= day < 9 else round(500 + passed, 2), True),
}  # fmt: skip


@pytest.mark.parametrize("how", PAUSES)
def test_what_a_meter_did_not_count_stays_unproven_once_it_counts_again(tmp_path: Path, how: str) -> None:
    """Doses of these five days are neither; hours go on by the timer, and nothing is missed. One that counted unread proves them."""
    meter, counted = PAUSES[how]
    result = analysed(tmp_path, meter)
    assert kinds(result) == []
    told = doses(result)
    assert told is not None
    assert told.planned.sum() == LAST * DAY
    assert told.arrived[4:9].sum() == pytest.approx(5 * DAY if counted else 0, abs=2)
    assert told.failed.sum() == 0
    assert told.arrived[:4].sum() + told.arrived[9:].sum() == pytest.approx((LAST - 5) * DAY, abs=2)
    assert result.history.heard_h[-1] == pytest.approx(LAST * 8, abs=1)
    assert result.history.unmetered_us is None
    assert any("counted nothing while the pump went on" in note for note in notes(result)) == (not counted)
