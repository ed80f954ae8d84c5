"""Calendar files that would keep whoever reads them busy."""

import time
from datetime import date

import pytest

from analytics.planning.closed_days import read_calendar
from ingest.errors import Problem

TODAY = date(2026, 11, 28)


def calendar(*rules: str, first: str = "20240229") -> bytes:
    """A calendar of whole days that repeat."""
    events = "".join(
        f"BEGIN:VEVENT\r\nUID:{n}\r\nDTSTART;VALUE=DATE:{first}\r\nRRULE:{rule}\r\nEND:VEVENT\r\n"
        for n, rule in enumerate(rules)
    )
    return f"BEGIN:VCALENDAR\r\n{events}END:VCALENDAR\r\n".encode()


@pytest.mark.parametrize(
    "rule", ["FREQ=DAILY;BYSETPOS=2;BYDAY=MO", "FREQ=DAILY;BYMONTH=2;BYMONTHDAY=30", "FREQ=MONTHLY;BYSETPOS=366"]
)
def test_a_rule_that_never_comes_true_is_left_soon(rule: str) -> None:
    """And named, be there hundreds of them: it was followed day by day to the year 9999."""
    began_s = time.process_time()
    with pytest.raises(Problem, match="names no day from 2024-02-29 to 2031-12-02"):
        read_calendar(calendar(*[rule] * 500), TODAY)
    assert time.process_time() - began_s < 30  # each of them took seconds, so this is a bound and no measure


@pytest.mark.parametrize(
    ("rule", "firsts"),
    [
        ("FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=29", ["2024-02-29", "2028-02-29"]),
        ("FREQ=YEARLY;UNTIL=20260301T000000Z", ["2024-02-29"]),
        ("FREQ=MONTHLY;BYDAY=-1FR;COUNT=2", ["2024-03-29", "2024-04-26"]),
        ("FREQ=WEEKLY;INTERVAL=100", ["2024-02-29", "2026-01-29", "2027-12-30", "2029-11-29", "2031-10-30"]),
        ("FREQ=YEARLY;BYWEEKNO=53;BYDAY=MO", ["2026-12-28"]),
    ],
)
def test_what_repeats_is_found_on_its_days(rule: str, firsts: list[str]) -> None:
    """By the calendar itself: leap days, weekdays and weeks of the year (ISO 8601: 2026 is the one with 53 of them)."""
    assert [f"{one.first}" for one in read_calendar(calendar(rule), TODAY)] == firsts


def test_what_begins_later_is_left_out() -> None:
    """It closes nothing within the years that are looked at, and is no mistake."""
    both = calendar("FREQ=YEARLY").replace(b"END:VCALENDAR\r\n", calendar("FREQ=YEARLY", first="20600101")[17:])
    assert [one.first.year for one in read_calendar(both, TODAY)] == [2024, 2028]
