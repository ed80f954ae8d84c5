"""A depot's calendar: said by somebody, read from a file, taken from its country; forecasts and rounds go by it."""

from datetime import date, timedelta
from pathlib import Path

import pytest
from sqlalchemy import select

from analytics.alarms import depots
from analytics.pipeline.tasks import analysed
from analytics.planning.closed_days import ClosedDays, check_country, open_days, read_calendar, stretches
from analytics.planning.rounds import Need, plan
from ingest import database, schema
from ingest.errors import Problem
from ingest.registry import read_vehicles
from ingest.times import DAY_US, LONG_AGO_US, instant, read_time
from tests.helpers.vehicles import END_US, arrivals, recorded

TODAY = date(2025, 11, 24)


def calendar(*events: str) -> bytes:
    body = "".join(f"BEGIN:VEVENT\r\nUID:{n}\r\n{event}\r\nEND:VEVENT\r\n" for n, event in enumerate(events))
    return f"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//x//EN\r\n{body}END:VCALENDAR\r\n".encode()


def test_only_whole_days_close() -> None:
    """A meeting closes nothing, nor does what is called off; timed events close the days that they cover wholly."""
    told = read_calendar(
        calendar(
            "DTSTART;VALUE=DATE:20251224\r\nDTEND;VALUE=DATE:20260105\r\nSUMMARY:Works holiday",
            "DTSTART;VALUE=DATE:20251201\r\nSUMMARY:Stocktaking",
            "DTSTART:20251203T100000Z\r\nDTEND:20251203T120000Z\r\nSUMMARY:Meeting",
            "DTSTART:20251209T120000\r\nDTEND:20251212T060000\r\nSUMMARY:Yard resurfaced",
            "DTSTART;VALUE=DATE:20251215\r\nSTATUS:CANCELLED\r\nSUMMARY:Not after all",
            "DTSTART;VALUE=DATE:20251218\r\nDURATION:P2D\r\nSUMMARY:Inventory",
        ),
        TODAY,
    )
    assert told == (
        ClosedDays(date(2025, 12, 1), date(2025, 12, 1), "Stocktaking"),
        ClosedDays(date(2025, 12, 10), date(2025, 12, 11), "Yard resurfaced"),
        ClosedDays(date(2025, 12, 18), date(2025, 12, 19), "Inventory"),
        ClosedDays(date(2025, 12, 24), date(2026, 1, 4), "Works holiday"),
    )


def test_what_repeats_is_followed_for_some_years() -> None:
    """Every year, with one left out; and a rule that ends."""
    told = read_calendar(
        calendar(
            "DTSTART;VALUE=DATE:20231227\r\nDTEND;VALUE=DATE:20231230\r\nRRULE:FREQ=YEARLY\r\nEXDATE;VALUE=DATE:20251227",
            "DTSTART;VALUE=DATE:20260105\r\nRRULE:FREQ=WEEKLY;UNTIL=20260119T000000Z",
        ),
        TODAY,
    )
    assert [c.first.year for c in told if c.first.month == 12] == [2023, 2024, 2026, 2027, 2028, 2029]
    assert all((c.last - c.first).days == 2 for c in told if c.first.month == 12)
    assert [c.first for c in told if c.first.month == 1] == [date(2026, 1, 5), date(2026, 1, 12), date(2026, 1, 19)]


@pytest.mark.parametrize(
    ("content", "why"),
    [
        (b"closed at Christmas", "RFC 5545"),
        (b"\xff\xfe\x00", "RFC 5545"),
        (calendar("DTSTART:20251203T100000Z\r\nDTEND:20251203T120000Z"), "no whole day"),
        (calendar(), "no whole day"),
        (calendar("DTSTART;VALUE=DATE:20200101\r\nDTEND;VALUE=DATE:20250101"), "within a year"),
        (calendar("DTSTART;VALUE=DATE:20200101\r\nRRULE:FREQ=DAILY"), "at most 2000"),
        (calendar("DTSTART;VALUE=DATE:19700101\r\nRRULE:FREQ=SECONDLY"), "repeats by the day"),
        (calendar("DTSTART;VALUE=DATE:19700101\r\nRRULE:FREQ=DAILY;BYHOUR=1,2;BYSECOND=3"), "repeats by the day"),
        (calendar("DTSTART;VALUE=DATE:00010101\r\nRRULE:FREQ=DAILY"), "repeats by the day"),
        (calendar("DTSTART;VALUE=DATE:99991231\r\nDURATION:P999999999D"), "RFC 5545"),
    ],
)
def test_a_file_that_cannot_be_used_says_why(content: bytes, why: str) -> None:
    """One line that says what is wrong."""
    with pytest.raises(Problem, match=why):
        read_calendar(content, TODAY)


def test_days_become_stretches_of_the_depots_zone() -> None:
    """Days that follow each other are one stretch, from midnight to midnight there; a day on which the clock is set has 25 hours."""
    days = [date(2025, 10, 26), date(2025, 10, 25), date(2025, 11, 1)]
    told = stretches(days, "Europe/Dublin")
    assert [(a, b) for a, b in told] == [
        (read_time("2025-10-25T00:00:00+01:00"), read_time("2025-10-27T00:00:00+00:00")),
        (read_time("2025-11-01T00:00:00+00:00"), read_time("2025-11-02T00:00:00+00:00")),
    ]


def test_a_country_that_is_not_known_is_refused() -> None:
    """With what would be right."""
    check_country("AU", "WA")
    with pytest.raises(Problem, match="two letters"):
        check_country("XX", None)
    with pytest.raises(Problem, match="its parts are: ACT"):
        check_country("AU", "ZZ")


def test_a_round_visits_nobody_on_a_closed_day() -> None:
    """Due on Friday, and the depot is closed from Thursday on: on Wednesday."""
    closed = ClosedDays(TODAY + timedelta(days=3), TODAY + timedelta(days=13)).days
    need = Need("a", 50, 2.0, "NLGI 2", 4.9, 5)
    weekdays = frozenset(range(5))
    assert [visit.day for visit in plan([need], 0.4, None, open_days(TODAY, weekdays, []))] == [4]
    assert [visit.day for visit in plan([need], 0.4, None, open_days(TODAY, weekdays, closed))] == [2]


def test_forecasts_go_by_what_is_kept_of_a_depot(tmp_path: Path) -> None:
    """A closing by form, then a file in place of the file before, then public holidays; each is seen by the next forecast."""
    engine, _ = recorded(tmp_path, [arrivals("HS-103", (), 120)])
    at_us = END_US - 9 * DAY_US
    first = instant(at_us).date() + timedelta(days=2)

    def due_us() -> int:
        with engine.connect() as connection:
            (one,) = (v for v in read_vehicles(connection) if v.name == "HS-103")
            (result,) = analysed(connection, one, [at_us], None, ())
        assert result.refill.due_expected_us is not None
        return result.refill.due_expected_us

    with engine.connect() as connection:
        name = next(v.newest.depot for v in read_vehicles(connection) if v.name == "HS-103")
    plain = due_us()
    with database.writing(engine) as connection:
        depots.keep_closing(connection, name, ClosedDays(first, first + timedelta(days=9), "resurfacing"))
    ten = due_us()
    assert ten - plain == pytest.approx(10 * DAY_US, abs=3.5 * DAY_US)
    content = calendar(f"DTSTART;VALUE=DATE:{first + timedelta(days=10):%Y%m%d}\r\nDURATION:P7D\r\nSUMMARY:more")
    with database.writing(engine) as connection:
        assert depots.import_calendar(connection, name, content, TODAY) == 1
        assert depots.import_calendar(connection, name, content, TODAY) == 1
        numbered = depots.closings(connection, name)
        assert [closed.what for _, closed in numbered] == ["resurfacing", "more"]
    assert due_us() - ten == pytest.approx(7 * DAY_US, abs=3.5 * DAY_US)
    with database.writing(engine) as connection:
        for number, _ in numbered:
            depots.drop_closing(connection, name, number)
        with pytest.raises(Problem, match="no closing of number"):
            depots.drop_closing(connection, name, numbered[0][0])
    assert due_us() == plain
    with database.writing(engine) as connection:
        depots.keep_depot(connection, depots.wished(depots.depot(connection, name), None, None, None, "ie"))
        assert depots.depot(connection, name).country == "IE"
        assert depots.closed_dates(connection, name, 2025, 2025)[date(2025, 12, 25)]
        assert depots.closed_stretches(connection, name, "Etc/UTC", LONG_AGO_US) == ()  # before all calendars
        with pytest.raises(Problem, match="two letters"):
            depots.keep_depot(connection, depots.wished(depots.Depot(name), None, None, None, "XX"))
        kept = depots.wished(depots.depot(connection, name), None, None, None, "none")
        assert (kept.country, kept.region) == (None, None)
        assert depots.wished(kept, None, None, None, "au-wa").region == "WA"
        assert connection.execute(select(schema.closing)).all() == []
