"""Days on which a depot is closed: as somebody says, as a calendar file says, and the public holidays of its country."""

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from functools import lru_cache
from typing import Any, Final
from zoneinfo import ZoneInfo

from ingest.errors import Problem
from ingest.times import microseconds

MOST_DAYS: Final = 366  # of one closing
MOST_ENTRIES: Final = 2_000  # of one calendar file
MOST_BYTES: Final = 1_000_000  # of one, too
_AHEAD_YEARS: Final = 5  # that a rule which repeats is followed for
_FIRST_YEAR: Final = 1900  # in which one that repeats begins
_CYCLE_YEARS: Final = 400  # after which days and weekdays of the calendar are the same again
_LAST_YEAR: Final = 9_998
# What has a rule repeat within a day: it closes no whole days, and would be followed second by second.
_WITHIN_A_DAY: Final = re.compile(r"FREQ=(SECOND|MINUTE|HOUR)LY|BY(SECOND|MINUTE|HOUR)=", re.IGNORECASE)
_DAY: Final = timedelta(days=1)


@dataclass(frozen=True, order=True)
class ClosedDays:
    """Days, both included, on which a depot is closed, and why."""

    first: date
    last: date
    what: str = ""

    def __post_init__(self) -> None:
        if not 0 <= (self.last - self.first).days < MOST_DAYS:
            raise Problem(f"closed from {self.first} to {self.last}: the last day comes after the first, within a year")

    @property
    def days(self) -> list[date]:
        """Each of the days."""
        return [self.first + n * _DAY for n in range((self.last - self.first).days + 1)]


def closed_days(first: str, last: str, what: str = "") -> ClosedDays:
    """Closed days as somebody writes them, YYYY-MM-DD. Raises Problem."""
    try:
        return ClosedDays(date.fromisoformat(first.strip()), date.fromisoformat(last.strip()), what.strip()[:256])
    except ValueError:
        raise Problem(f"{first!r} to {last!r}: write both days as 2026-12-24") from None


def read_calendar(content: bytes, today: date) -> tuple[ClosedDays, ...]:
    """The whole days of an iCalendar file's events (RFC 5545), by time; what repeats is followed for some years from `today` on.
    Events of some hours, and those that are called off, close nothing. Raises Problem."""
    from icalendar import Calendar

    try:
        events = [event for calendar in Calendar.from_ical(content, multiple=True) for event in calendar.walk("VEVENT")]
        found = {closed for event in events for closed in _closed_by(event, today)}
    except (ValueError, KeyError, AttributeError, TypeError, OverflowError) as problem:
        raise Problem(f"no calendar in the iCalendar format (RFC 5545): {problem}") from None
    if not found:
        raise Problem("this calendar names no whole day on which the depot is closed")
    if len(found) > MOST_ENTRIES:
        raise Problem(f"this calendar names {len(found)} closings; at most {MOST_ENTRIES} are kept")
    return tuple(sorted(found))


def _closed_by(event: Any, today: date) -> list[ClosedDays]:
    if str(event.get("STATUS", "")).upper() == "CANCELLED" or event.get("DTSTART") is None:
        return []
    begin = event["DTSTART"].dt
    end = event["DTEND"].dt if event.get("DTEND") is not None else None
    if end is None:
        whole = _DAY if not isinstance(begin, datetime) else timedelta(0)
        end = begin + (event["DURATION"].dt if event.get("DURATION") is not None else whole)
    first = begin if not isinstance(begin, datetime) else begin.date()
    if isinstance(begin, datetime) and begin.time() > time():
        first += _DAY  # closed during a part of the day only
    length = ((end if not isinstance(end, datetime) else end.date()) - first).days
    if length < 1:
        return []
    what = str(event.get("SUMMARY", ""))[:256]
    firsts = [first]
    if event.get("RRULE") is not None:
        firsts = _repeated(event, first, today)
    return [ClosedDays(day, day + (length - 1) * _DAY, what) for day in firsts]


def _repeated(event: Any, first: date, today: date) -> list[date]:
    """The first days of an event that repeats, but those that are left out."""
    from dateutil.rrule import rrulestr

    # By the day: the rule's end may have a zone of its own, which whole days have not.
    text = event["RRULE"].to_ical().decode()
    if _WITHIN_A_DAY.search(text) or first.year < _FIRST_YEAR:
        raise ValueError(f"{text} from {first} on: write what repeats by the day, from {_FIRST_YEAR} on")
    until = today + timedelta(days=366 * _AHEAD_YEARS)
    parts = dict(part.upper().split("=", 1) for part in text.split(";"))
    if "UNTIL" in parts:
        until = min(until, date.fromisoformat(parts.pop("UNTIL")[:8]))
    if first > until:
        return []
    # The library follows a rule to the year 9999 where it finds nothing: later by whole cycles of the calendar, that is not far.
    cycles = (_LAST_YEAR - until.year) // _CYCLE_YEARS * _CYCLE_YEARS
    begin, end = (datetime.combine(at.replace(year=at.year + cycles), time()) for at in (first, until))
    rule = rrulestr(";".join(f"{name}={value}" for name, value in parts.items()), dtstart=begin)
    found = [at.date().replace(year=at.year - cycles) for at in rule.between(begin, end, inc=True)]
    if not found:
        raise ValueError(f"{text} names no day from {first} to {until}")
    left_out = event.get("EXDATE", [])
    left = {
        at.dt.date() if isinstance(at.dt, datetime) else at.dt
        for one in (left_out if isinstance(left_out, list) else [left_out])
        for at in one.dts
    }
    return [day for day in found if day not in left]


def check_country(country: str, region: str | None) -> None:
    """Raises Problem where the public holidays of a country, or of that part of it, are not known."""
    import holidays

    parts = holidays.list_supported_countries(include_aliases=False)
    if country not in parts:
        raise Problem(f"no public holidays are known of country {country!r}; write its code of two letters, such as IE")
    if region is not None and region not in parts[country]:
        known = ", ".join(parts[country]) or "none"
        raise Problem(f"no public holidays are known of {region!r} in {country}; its parts are: {known}")


@lru_cache(64)
def public_holidays(country: str, region: str | None, year: int) -> dict[date, str]:
    """The public holidays of a country (ISO 3166-1 alpha-2) or of a part of it, as the `holidays` library has them."""
    import holidays

    return dict(holidays.country_holidays(country, subdiv=region, years=year).items())


def joined(days: Mapping[date, str]) -> list[ClosedDays]:
    """Closed days, each with why, by time: those that follow each other for one reason as one."""
    found: list[ClosedDays] = []
    for day, why in sorted(days.items()):
        if found and found[-1].last + _DAY == day and found[-1].what == why:
            found[-1] = ClosedDays(found[-1].first, day, why)
        else:
            found.append(ClosedDays(day, day, why))
    return found


def stretches(days: Iterable[date], timezone: str) -> tuple[tuple[int, int], ...]:
    """Days as stretches (begin, end) in microseconds since 1970 UTC, days that follow each other as one."""
    zone = ZoneInfo(timezone)
    found: list[tuple[date, date]] = []
    for day in sorted(set(days)):
        if found and found[-1][1] == day:
            found[-1] = (found[-1][0], day + _DAY)
        else:
            found.append((day, day + _DAY))
    return tuple(
        (microseconds(datetime.combine(a, time(), zone)), microseconds(datetime.combine(b, time(), zone)))
        for a, b in found
    )


def open_days(today: date, weekdays: frozenset[int], closed: Sequence[date] | frozenset[date]) -> Callable[[int], bool]:
    """Whether somebody works so many days from today: on these weekdays (0 is Monday), unless the depot is closed."""
    shut = frozenset(closed)

    def is_working(days: int) -> bool:
        day = today + timedelta(days=days)
        return day.weekday() in weekdays and day not in shut

    return is_working
