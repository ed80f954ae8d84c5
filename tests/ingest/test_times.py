"""Times: the local clock of a zone is the one the IANA time zone database says."""

from zoneinfo import ZoneInfo, available_timezones

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest import times
from ingest.environment import CLOCK, demo_clock
from ingest.times import instant, local_us, microseconds, read_time, rfc3339

ZONES = sorted(zone for zone in available_timezones() if "/" in zone and not zone.startswith("Etc/"))


def wall(us: int) -> str:
    """A local clock's reading as text."""
    return rfc3339(us).rstrip("Z")


@pytest.mark.parametrize(
    ("zone", "at", "local"),
    # IANA tz database, file australasia: Lord Howe's clocks go from +10:30 to +11 at 2:00 on the first Sunday of October.
    [
        ("Australia/Lord_Howe", "2026-10-03T15:29:59Z", "2026-10-04T01:59:59"),
        ("Australia/Lord_Howe", "2026-10-03T15:30:00Z", "2026-10-04T02:30:00"),
        # The same, file europe: Irish clocks go back at 1:00 UTC on the last Sunday of October.
        ("Europe/Dublin", "2026-10-25T00:59:59Z", "2026-10-25T01:59:59"),
        ("Europe/Dublin", "2026-10-25T01:00:00Z", "2026-10-25T01:00:00"),
        # The same, file asia: Nepal is ahead by five hours and three quarters all year.
        ("Asia/Kathmandu", "2026-01-01T00:00:00Z", "2026-01-01T05:45:00"),
    ],
)
def test_clocks_that_are_set_off_the_full_hour(zone: str, at: str, local: str) -> None:
    """The minute counts, not the hour of UTC."""
    (us,) = local_us(np.array([read_time(at)]), ZoneInfo(zone)).tolist()
    assert wall(us) == local


@given(
    st.sampled_from(ZONES), st.lists(st.integers(1_262_304_000_000_000, 2_208_988_800_000_000), min_size=1, max_size=20)
)
def test_any_zone_at_any_time_is_as_the_standard_library_has_it(zone: str, at_us: list[int]) -> None:
    """From 2010 to 2039, to the microsecond."""
    expected = [microseconds(instant(us).astimezone(ZoneInfo(zone)).replace(tzinfo=instant(us).tzinfo)) for us in at_us]
    assert local_us(np.array(at_us), ZoneInfo(zone)).tolist() == expected


def test_a_demos_clock_runs_faster(monkeypatch: pytest.MonkeyPatch) -> None:
    """It shows what it is set to, and a second of the machine is as many of its own as it runs faster; leases keep the machine's."""
    monkeypatch.setattr(times, "_shown", [])
    monkeypatch.setattr(times, "machine_us", lambda: 5_000_000)
    assert (times.now_us(), times.pace()) == (5_000_000, 1.0)
    times.follow_clock(times.Clock(machine_us=4_000_000, shown_us=77_000_000, speed=120.0))
    assert (times.now_us(), times.pace()) == (77_000_000 + 120 * 1_000_000, 120.0)


@pytest.mark.parametrize("told", ["", "1,2", "1,2,x", "x,2,3"])
def test_without_a_demo_there_is_no_clock(told: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is not written as a demo writes it is none."""
    monkeypatch.setenv(CLOCK, told)
    assert demo_clock() is None
    monkeypatch.setenv(CLOCK, "1,2,120.0")
    assert demo_clock() == (1, 2, 120.0)
