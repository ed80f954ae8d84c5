"""Calendars against what others publish: an iCalendar example of RFC 5545, and the public holidays that states have by law."""

from datetime import date

import pytest

from analytics.planning.closed_days import public_holidays, read_calendar

# RFC 5545 section 3.6.1 (www.rfc-editor.org/rfc/rfc5545): "a multi-day event scheduled from June 28th, 2007 to July 8th, 2007
# inclusively", and an anniversary of each year.
RFC_5545 = """BEGIN:VCALENDAR
VERSION:2.0
PRODID:-//hacksw/handcal//NONSGML v1.0//EN
BEGIN:VEVENT
UID:20070423T123432Z-541111@example.com
DTSTAMP:20070423T123432Z
DTSTART;VALUE=DATE:20070628
DTEND;VALUE=DATE:20070709
SUMMARY:Festival International de Jazz de Montreal
TRANSP:TRANSPARENT
END:VEVENT
BEGIN:VEVENT
UID:19970901T130000Z-123403@example.com
DTSTAMP:19970901T130000Z
DTSTART;VALUE=DATE:19971102
SUMMARY:Our Blissful Anniversary
TRANSP:TRANSPARENT
CLASS:CONFIDENTIAL
CATEGORIES:ANNIVERSARY,PERSONAL,SPECIAL OCCASION
RRULE:FREQ=YEARLY
END:VEVENT
END:VCALENDAR
"""


def test_the_examples_of_the_standard() -> None:
    """DTEND is the day after the last; a rule without an end goes on."""
    told = read_calendar(RFC_5545.encode(), date(2007, 1, 1))
    festival = next(closed for closed in told if closed.what.startswith("Festival"))
    assert (festival.first, festival.last) == (date(2007, 6, 28), date(2007, 7, 8))
    years = [closed.first for closed in told if closed.what.startswith("Our")]
    assert years[:11] == [date(1997 + n, 11, 2) for n in range(11)]


# 5 U.S.C. 6103 (a): the legal public holidays of the United States, for 2024 as the Office of Personnel Management lists them.
UNITED_STATES_2024 = "01-01 01-15 02-19 05-27 06-19 07-04 09-02 10-14 11-11 11-28 12-25"
# Banking and Financial Dealings Act 1971, schedule 1, Good Friday and Christmas Day by common law: England and Wales 2024, as
# gov.uk/bank-holidays lists them.
ENGLAND_2024 = "01-01 03-29 04-01 05-06 05-27 08-26 12-25 12-26"
# Organisation of Working Time Act 1997 (Ireland), second schedule as amended: 2024, Saint Patrick's Day being a Sunday.
IRELAND_2024 = "01-01 02-05 03-17 04-01 05-06 06-03 08-05 10-28 12-25 12-26"


@pytest.mark.parametrize(
    ("country", "region", "listed"),
    [("US", None, UNITED_STATES_2024), ("GB", "ENG", ENGLAND_2024), ("IE", None, IRELAND_2024)],
)
def test_public_holidays_are_those_of_the_law(country: str, region: str | None, listed: str) -> None:
    """Every day of the list, and none beside."""
    assert {f"{day:%m-%d}" for day in public_holidays(country, region, 2024)} == set(listed.split())
