"""A thermometer that fails makes no line faulty, and is told itself."""

import numpy as np
import pytest

from analytics.settings import DEFAULTS
from analytics.vehicle import pressure
from analytics.vehicle.pressure.readings import trusted_temperature
from ingest.arrays import Floats
from tests.helpers.pressures import drive, history, told


@pytest.mark.parametrize("channels", [1, 2, 12])
@pytest.mark.parametrize("shows", [-40.0, 85.0, None])
@pytest.mark.parametrize("parked_days", [0, 14])
def test_a_thermometer_that_fails_makes_no_finding(channels: int, shows: float | None, parked_days: int) -> None:
    """At an end of its range, or at the value it had, on the move or after a long stop; a fault is found nevertheless."""
    for seed in range(3):
        made = drive(200, channels, 40 + seed)
        failed = int(np.searchsorted(made.day, 80))
        made.temp_c[failed:] = made.temp_c[failed] if shows is None else shows
        made.at_us[failed:] += parked_days * 86_400_000_000
        assert told(made) == []
        since_us = pressure.analyse(history(made), (), DEFAULTS).thermometer_failed_us
        assert since_us is not None
        assert 0 <= (since_us - made.at_us[failed]) / 86_400_000_000 < 4
        made.log_kpa[made.day > 120, 0] += np.log(2.6)
        assert [(s.kind, s.channel) for s in told(made)] == [("blocked_line", "p00")]


def test_weather_is_believed() -> None:
    """Cold snaps, a warm hall, whole degrees that repeat: nothing of it is a failure."""
    made = drive(200, 1, 50)
    made.temp_c = np.round(made.temp_c)
    made.temp_c[300:340] -= 18
    assert pressure.analyse(history(made), (), DEFAULTS).thermometer_failed_us is None
    assert np.isfinite(trusted_temperature(made.temp_c, made.day * 24)).mean() > 0.9
    hall = np.r_[np.full(5, -14.0) + np.arange(5) / 10, np.full(40, 12.0) + np.arange(40) % 3 / 10]
    trusted = trusted_temperature(hall, np.arange(45.0))
    assert np.isnan(trusted[5:11]).all()
    assert np.isfinite(trusted[12:]).all()


@pytest.mark.parametrize("channels", [2, 8])
@pytest.mark.parametrize("quick", [False, True])
def test_nights_in_a_heated_hall_lose_no_pump_its_pressure(channels: int, quick: bool) -> None:
    """In deep cold the first cycles of a day run with the warm grease of the hall, and the thermometer, which comes out of it as well,
    says so: after a long stop that is no failure. A quick one says so but once."""
    made = drive(180, channels, 52)
    outside: Floats = 8 - 32 * np.minimum(made.day / 90, 1.0)
    hours_out = (made.day % 1) * 24 - 6
    temp: Floats = np.where(made.day > 30, outside + (14 - outside) * np.exp(-hours_out / 5), outside)

    def stiff(temp_c: Floats) -> Floats:
        return -0.03 * (temp_c - 10) - 0.12 * np.tanh((temp_c - 10) / 20)

    made.log_kpa += (stiff(temp) - stiff(made.temp_c) - 0.8)[:, None]
    shown: Floats = np.where(quick & (hours_out > 0.1), outside, temp)
    made.temp_c = np.round(shown, 1)
    assert told(made) == []


def test_nothing_later_is_used() -> None:
    """What is trusted of the first readings is the same however many follow."""
    made = drive(60, 1, 51)
    made.temp_c[200:230] = -40.0
    hours = made.day * 24
    whole = trusted_temperature(made.temp_c, hours)
    for n in (150, 203, 215, 240):
        np.testing.assert_array_equal(trusted_temperature(made.temp_c[:n], hours[:n]), whole[:n])
