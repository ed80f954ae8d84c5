"""The measures of alarm systems against the thresholds of the standards.

Second-hand: ANSI/ISA-18.2 and IEC 62682 as secondary sources tell them, the standards themselves were not read: a flood
begins with more than 10 alarms in 10 minutes and ends with fewer than 5; chattering is 3 or more a minute; stale is
standing for more than a day (24 h from memory); rates are per operator position, about 150 a day acceptable and 300
manageable, and need 30 days of data.
"""

import pytest

from analytics.alarms.performance import (
    ACCEPTABLE_PER_DAY,
    MANAGEABLE_PER_DAY,
    MINUTE_US,
    NEEDED_DAYS,
    Figures,
    Raised,
    figures,
)
from ingest.times import DAY_US

END_US = 30 * DAY_US


def measured(
    minutes: list[float], alarms: list[int] | None = None, persons: int = 1, standing: tuple[float, ...] = ()
) -> Figures:
    """The measures of alarms raised at these minutes, each its own alarm unless told otherwise, over thirty days."""
    numbers = alarms or list(range(len(minutes)))
    raised = [Raised(int(m * MINUTE_US), a, "plan", None) for m, a in zip(minutes, numbers, strict=True)]
    return figures(raised, [END_US - int(days * DAY_US) for days in standing], persons, 0, END_US)


@pytest.mark.parametrize(("number", "floods"), [(10, 0), (11, 1), (40, 1)])
def test_a_flood_begins_with_more_than_ten_in_ten_minutes(number: int, floods: int) -> None:
    """Ten within ten minutes are none."""
    told = measured([100 + 9.9 * k / number for k in range(number)])
    assert told.floods == floods
    assert told.busiest_10_min == number


def test_a_flood_ends_with_fewer_than_five() -> None:
    """Eleven at once, then one every two and a half minutes keep four in the window: it ends when the eleven leave it; one every 1.9
    minutes keep five, and it goes on."""
    slow = measured([0.0] * 11 + [2.5 * k for k in range(1, 40)])
    fast = measured([0.0] * 11 + [1.9 * k for k in range(1, 40)])
    assert slow.floods == fast.floods == 1
    assert slow.flood_share * 30 * 1440 == pytest.approx(10.0, abs=2.6)
    assert fast.flood_share * 30 * 1440 > 65


@pytest.mark.parametrize(("minutes", "chattering"), [([0, 0.5, 1.0], 1), ([0, 0.5, 1.1], 0), ([0, 0.2], 0)])
def test_chattering_is_three_a_minute(minutes: list[float], chattering: int) -> None:
    """Of one alarm; three different ones in a minute are none."""
    assert measured(minutes, [7] * len(minutes)).chattering == chattering
    assert measured(minutes).chattering == 0


def test_rates_are_per_day_and_person() -> None:
    """4,500 in thirty days are 150 a day for one person and 75 for each of two."""
    minutes = [k * 30 * 1440 / 4500 for k in range(4500)]
    assert measured(minutes).per_day_and_person == pytest.approx(ACCEPTABLE_PER_DAY)
    assert measured(minutes, persons=2).per_day_and_person == pytest.approx(ACCEPTABLE_PER_DAY / 2)
    assert 2 * ACCEPTABLE_PER_DAY == MANAGEABLE_PER_DAY
    assert NEEDED_DAYS == 30


def test_stale_is_more_than_a_day() -> None:
    """Of three that stand, one for longer."""
    told = measured([], standing=(0.5, 0.99, 1.01))
    assert (told.standing, told.stale) == (3, 1)
