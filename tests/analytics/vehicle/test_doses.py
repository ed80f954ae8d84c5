"""Planned doses, surely arrived, surely not: by hand, and against what the simulator knows."""

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import msgspec
import numpy as np
import pytest

from analytics.findings import Finding
from analytics.vehicle.analysis import Result, analyse
from analytics.vehicle.doses import _MOST_UNHEARD, Doses, _slots, doses
from ingest.messages import Arrival, encode, topic
from simulators import greased
from simulators.controller import messages
from simulators.machine import Simulation
from simulators.scenario import Trouble
from tests.analytics.vehicle.test_plain_messages import HOUR_US, INTERVAL_H, START_US, Said, cycles, heard
from tests.helpers.vehicles import END_H, END_US, demo, recorded

DAY = date(2026, 3, 1)  # 07:00 in the depot's zone at hour 0


def read(number: int) -> list[Said]:
    """Cycles with a sound pressure, which never reads the same twice, and an hour meter in hundredths of an hour."""
    return [
        (kind, hour, values | {"peak_kpa": {"p1": 5000.0 + 37 * (7 * n % 11)}, "engine_h": round(500.03 + hour, 2)})
        for n, (kind, hour, values) in enumerate(cycles(number))
    ]


def told(result: Result) -> Doses:
    """What came of the doses of a vehicle that was heard."""
    found = doses(result)
    assert found is not None
    return found


def totals(found: Doses) -> tuple[float, float, float]:
    """(planned, arrived, failed), all days and points together."""
    return float(found.planned.sum()), float(found.arrived.sum()), float(found.failed.sum())


def test_each_cycle_with_a_reading_brings_its_dose(tmp_path: Path) -> None:
    """Twenty cycles, twenty doses, on one day."""
    found = told(heard(tmp_path, read(20), 8.0, {}, channel="p1"))
    assert found.first == DAY
    assert totals(found) == (20, 20, 0)


def test_a_line_that_was_perhaps_faulty_from_the_start_proves_nothing_of_that_time(tmp_path: Path) -> None:
    """Where the line was surely open, twelve doses surely did not arrive; where only lines like it tell that, they are not proven."""
    result = heard(tmp_path, read(20), 8.0, {}, channel="p1")
    at_us = result.history.cycles.at_us
    sure = Finding(
        "open_line",
        "p1",
        (1,),
        int(at_us[0]),
        int(at_us[12]),
        int(at_us[12]),
        "act_now",
        "",
        {"ratio_to_expected": 0.3},
    )
    perhaps = replace(sure, evidence={"ratio_to_lines_alike": 0.3, "sister_vehicles": 4})
    lines = result.history.setup.lines
    for found, failed in ((sure, 12), (perhaps, 0)):
        found = replace(found, lines=tuple(line.line for line in lines))
        planned, arrived, not_arrived = totals(told(replace(result, findings=(found,))))
        assert (planned, not_arrived) == (20, pytest.approx(failed, abs=1))
        assert arrived == pytest.approx(8, abs=1)


def test_a_day_is_the_depots(tmp_path: Path) -> None:
    """Midnight is 17 hours after the first cycle: of 50 cycles, 0.4 h apart, those up to 16.8 h belong to the first day: 43."""
    found = told(heard(tmp_path, read(50), 20.0, {}, channel="p1"))
    assert found.planned[:, 0].tolist() == [43, 7]
    assert found.arrived[:, 0].tolist() == [43, 7]


def test_lost_messages_prove_nothing(tmp_path: Path) -> None:
    """Of twenty cycles that ran two were not heard of: planned, neither arrived nor failed."""
    said = [one for one in read(20) if one[2]["cycle_no"] not in (5, 6)]
    assert totals(told(heard(tmp_path, said, 8.0, {}, channel="p1"))) == (20, 18, 0)


def later(said: list[Said], from_no: int, hours: float) -> list[Said]:
    """The same, cycles from a number on so much later, the hour meter with them."""
    return [
        one if one[2]["cycle_no"] < from_no
        else (one[0], one[1] + hours, one[2] | {"engine_h": round(one[2]["engine_h"] + hours, 2)})
        for one in said
    ]  # fmt: skip


def test_cycles_that_never_ran_surely_brought_nothing(tmp_path: Path) -> None:
    """Ten cycles, ten intervals in which the counter stood still, ten cycles: 30 planned, 20 arrived, 10 surely not."""
    said = later(read(20), 10, 10 * INTERVAL_H)
    assert totals(told(heard(tmp_path, said, 12.0, {}, channel="p1"))) == (30, 20, 10)


def test_what_was_due_overnight_lies_on_its_own_day(tmp_path: Path) -> None:
    """Forty-one cycles up to 16.0 h, then five that never ran, at 16.4 to 18.0 h: two of them, up to 16.8 h, before midnight."""
    said = later(read(60), 41, 5 * INTERVAL_H)
    found = told(heard(tmp_path, said, 27.0, {}, channel="p1"))
    assert found.failed[:, 0].tolist() == [2, 3]


def test_a_pump_that_stopped_for_good_is_counted_on(tmp_path: Path) -> None:
    """Twenty cycles, then 4 hours of ignition in which ten more were due; other messages tell of the hours."""
    on: list[Said] = [
        ("level", 7.6 + n, {"level_pct": 80, "engine_h": round(507.63 + n, 2)}) for n in range(1, 5)
    ]  # fmt: skip
    planned, arrived, failed = totals(told(heard(tmp_path, read(20) + on, 11.7, {}, channel="p1")))
    assert arrived == 20
    assert planned == pytest.approx(30, abs=1)
    assert failed == pytest.approx(10, abs=1)


def test_the_test_button_is_no_planned_dose(tmp_path: Path) -> None:
    """Nor does what it brings make up for another."""
    said = read(20)
    extra = [
        ("cycle", h, v | {"cycle_no": v["cycle_no"] + (v["cycle_no"] > 9), "engine_h": v["engine_h"]})
        for _, h, v in said
    ]
    hour = 9 * INTERVAL_H + 0.1
    extra.insert(
        10, ("cycle", hour, said[0][2] | {"cycle_no": 10, "engine_h": round(500.03 + hour, 2), "manual": True})
    )
    assert totals(told(heard(tmp_path, extra, 8.0, {}, channel="p1"))) == (20, 20, 0)


@pytest.mark.parametrize(("channel", "meter"), [("", True), ("p1", False)])
def test_what_nothing_watches_is_not_proven(tmp_path: Path, channel: str, meter: bool) -> None:
    """A line without a channel, and a vehicle without an hour meter: planned as far as is known, and nothing of it surely arrived."""
    said = [(k, h, v | ({} if meter else {"engine_h": None})) for k, h, v in read(20)]
    assert totals(told(heard(tmp_path, said, 8.0, {}, channel=channel))) == (20, 0, 0)


def test_a_short_run_brings_no_dose(tmp_path: Path) -> None:
    """Three of twenty cycles ran for a third of their time."""
    said = [(k, h, v | ({"run_s": 60} if v["cycle_no"] in (4, 9, 13) else {})) for k, h, v in read(20)]
    assert totals(told(heard(tmp_path, said, 8.0, {}, channel="p1"))) == (20, 17, 3)


def test_a_timer_that_drifts_was_not_always_as_far_off_as_it_is(tmp_path: Path) -> None:
    """Each cycle stands for as much as its own interval: planned is what the hours ask for, neither more nor less."""
    hours = np.cumsum(INTERVAL_H * (1 + 0.5 * np.arange(300) / 300))
    said = [
        (k, float(h), v | {"engine_h": round(500 + float(h), 2)}) for (k, _, v), h in zip(read(300), hours, strict=True)
    ]
    planned, arrived, failed = totals(told(heard(tmp_path, said, float(hours[-1]) + 0.1, {}, channel="p1")))
    assert (arrived, planned) == (300, pytest.approx(hours[-1] / INTERVAL_H, rel=0.02))
    assert failed == pytest.approx(planned - arrived, abs=1)


def test_what_two_controllers_say_by_turns_proves_no_dose(tmp_path: Path) -> None:
    """Whose point a cycle greased nobody knows; of one that was swapped once it is known."""
    said = read(60)
    for turns, arrived in ((6, 6), (30, 60)):
        mixed = [(k, h, v | {"boot": "AB"[n // turns % 2]}) for n, (k, h, v) in enumerate(said)]
        assert totals(told(heard(tmp_path / str(turns), mixed, 24.0, {}, channel="p1")))[1] == pytest.approx(
            arrived, abs=1
        )


def test_who_was_never_heard_has_no_account(tmp_path: Path) -> None:
    """None, not nothing."""
    assert doses(heard(tmp_path, [], 8.0, {}, channel="p1")) is None


CASES = {
    "HS-101": (),
    "HS-102": (Trouble("blocked_line", 12, 3, line=5, ratio=4.5),),
    "HS-103": (Trouble("open_line", 15, 5, line=9, ratio=0.12),),
    "HS-105": (Trouble("blocked_line", 12, 6, line=8, ratio=9.0),),
    "HS-107": (Trouble("missed_cycles", 9, 4, variant="dead"),),
    "HS-202": (Trouble("timer_mismatch", 20, None, ratio=1.6),),
    "HS-206": (Trouble("incomplete_cycles", 12, 5, variant="not vented"),),
    "HS-305": (Trouble("radio_gap", 14, 8),),
}
DAYS = 45
SLACK = 0.005  # of the planned: timers differ from their sheets, and what began shows a few cycles later


def test_the_truth_lies_within_the_limits(tmp_path: Path) -> None:
    """Of vehicles with one trouble each, month by month and point by point: what arrived lies between what surely did and what is not
    known not to have, and within one percent where all is proven."""
    runs, batches = {}, []
    for n, (name, troubles) in enumerate(CASES.items()):
        machine = replace(next(m for m in demo().machines if m.vehicle == name), troubles=troubles, fitted_days=None)
        run = Simulation(machine, demo().depots[machine.depot], END_H - 24 * DAYS, DAYS + 1, END_H, [7, n])
        runs[name] = run
        batches.append(
            [Arrival(topic(demo().fleet, name, one.kind), encode(one.message), one.arrives_us) for one in messages(run)
             if one.arrives_us <= END_US]
        )  # fmt: skip
    _, held = recorded(tmp_path, batches)
    proven = 0
    for name, run in runs.items():
        found = told(analyse(*held[name], END_US))
        clock, weight, arrived = greased.doses(run)
        day = np.array(
            [date.fromordinal(719_163 + int(d)) for d in (clock - 0.0) // 24]
        )  # by UTC: a month is many days
        for month in ("2025-10", "2025-11"):
            mine = (np.array([f"{d:%Y-%m}" for d in day]) == month) & (clock <= END_H)
            rows = [k for k in range(len(found.planned)) if f"{found.first + timedelta(days=k):%Y-%m}" == month]
            truth = arrived[mine].sum() / (weight[mine].sum() * arrived.shape[1])
            planned, surely, not_at_all = (
                float(table[rows].sum()) for table in (found.planned, found.arrived, found.failed)
            )
            low, high = surely / planned, 1 - not_at_all / planned
            assert low - SLACK <= truth <= high + SLACK, (name, month, low, truth, high)
            if high - low < 0.005:
                proven += 1
                assert low == pytest.approx(truth, abs=0.01), (name, month)
            assert planned == pytest.approx(weight[mine].sum() * arrived.shape[1], rel=0.02), (name, month)
        _line_by_line(name, found, arrived[clock <= END_H].sum(axis=0), weight[clock <= END_H].sum())
    assert proven >= 8


def _line_by_line(name: str, found: Doses, arrived: np.ndarray, planned: float) -> None:
    """The same of each point over the whole span."""
    for k, line in enumerate(found.lines):
        truth, of = arrived[k] / planned, found.planned[:, k].sum()
        low, high = found.arrived[:, k].sum() / of, 1 - found.failed[:, k].sum() / of
        assert low - 4 * SLACK <= truth <= high + 4 * SLACK, (name, line.line, low, truth, high)


def test_a_sheet_of_an_interval_of_seconds_plans_as_many_doses_as_it_says(tmp_path: Path) -> None:
    """A thousandth of a minute over four days of ignition: all six million are counted, in no more room than a million take."""
    said: list[Said] = [("ignition", 24.0 * n, {"on": True, "engine_h": 500.0 + 24 * n}) for n in range(5)]
    result = heard(tmp_path, said, 5 * 24.0, {"interval_min": "0.001", "run_s": "0.05"})
    assert len(_slots(result).at_us) <= _MOST_UNHEARD
    assert totals(told(result))[0] == pytest.approx(4 * 24 * 60_000, rel=1e-3)


def test_what_was_heard_while_a_sheet_without_lines_held_is_no_dose(tmp_path: Path) -> None:
    """The controller was fitted before its sheet was registered."""
    later_us = START_US + 40 * HOUR_US
    result = heard(tmp_path, read(20), 8.0, {})
    by_hand = msgspec.structs.replace(result.history.setup, lines=(), controller=False)
    fitted = msgspec.structs.replace(result.history.setup, valid_from_us=later_us)
    again = replace(result, history=replace(result.history, setups=(by_hand, fitted)))
    assert doses(again) is None


def test_a_counter_that_leaps_by_millions_lost_no_messages(tmp_path: Path) -> None:
    """Nothing is put in their place: a sheet of a very short run would have billions in a year."""
    said = [
        *read(20),
        ("cycle", 9000.0, {"cycle_no": 5_000_000_000, "run_s": 0.05, "peak_kpa": {"p1": 5000.0}, "engine_h": 508.0}),
    ]
    result = heard(tmp_path, said, 9001.0, {"run_s": "0.001"}, channel="p1")
    assert result.audit.lost.max() == 0
