"""Numbers and dates as the language of whoever reads writes them, by the Unicode CLDR (the Babel library); English as it is written in
the code: a point, the day before the month."""

import math
from datetime import date, datetime
from functools import cache
from typing import Any

from ingest.languages import ENGLISH, language

_WHOLE = 1e-7  # what sums of fractions may lack of a whole


def decimal(value: float, digits: int) -> str:
    """A number with so many digits after the point: 1.8 or 1,8."""
    name = language()
    if name == ENGLISH:
        return f"{value:.{digits}f}"
    from babel.numbers import format_decimal

    return format_decimal(round(value, digits), "0." + "0" * digits if digits else "0", locale=name)


def floored(value: float, digits: int) -> str:
    """The same rounded down: a share that is not whole must not look so."""
    scale = 10**digits
    return decimal(math.floor(value * scale + _WHOLE) / scale, digits)


def signed(value: float) -> str:
    """A whole number with its sign: +12, -3."""
    return f"+{decimal(value, 0)}" if round(value) >= 0 else decimal(value, 0)


def plain(value: float) -> str:
    """A number with as many digits as it has, six at most: 2.5, 90."""
    name, written = language(), f"{value:g}"
    if name == ENGLISH or "e" in written:
        return written
    from babel.numbers import get_decimal_symbol, get_minus_sign_symbol

    return written.replace(".", get_decimal_symbol(name)).replace("-", get_minus_sign_symbol(name))


def grouped(value: float, digits: int = 0) -> str:
    """A large number: 12,300 or 12.300."""
    name = language()
    if name == ENGLISH:
        return f"{value:,.{digits}f}"
    from babel.numbers import format_decimal

    return format_decimal(round(value, digits), "#,##0." + "0" * digits if digits else "#,##0", locale=name)


def day(at: datetime | date) -> str:
    """25 Nov 2026: how every date is written."""
    return f"{at.day} {at:%b %Y}" if language() == ENGLISH else _skeleton("yMMMd", at)


def day_of_year(at: datetime | date) -> str:
    """25 Nov, where there is no doubt about the year."""
    return f"{at.day} {at:%b}" if language() == ENGLISH else _skeleton("MMMd", at)


def month(at: datetime | date) -> str:
    """Nov 2026."""
    return f"{at:%b %Y}" if language() == ENGLISH else _skeleton("yMMM", at)


def weekday(at: datetime | date) -> str:
    """Monday."""
    return f"{at:%A}" if language() == ENGLISH else _skeleton("EEEE", at)


def _skeleton(skeleton: str, at: datetime | date) -> str:
    from babel.dates import format_skeleton

    midnight = at if isinstance(at, datetime) else datetime(at.year, at.month, at.day)  # noqa: DTZ001  # a date has no zone
    return format_skeleton(skeleton, midnight.replace(tzinfo=None), locale=language())


@cache
def for_charts(name: str) -> dict[str, Any]:
    """What Plotly's charts want to know of a language: its separators and the names of months and days."""
    from babel import Locale
    from babel.numbers import get_decimal_symbol, get_group_symbol

    locale = Locale(name)
    months, days_of_week = locale.months["format"], locale.days["format"]
    in_plotly = [(n - 1) % 7 for n in range(7)]  # Babel begins the week with Monday
    return {
        "decimal": get_decimal_symbol(name),
        "thousands": get_group_symbol(name),
        "months": [months["wide"][n] for n in range(1, 13)],
        "shortMonths": [months["abbreviated"][n] for n in range(1, 13)],
        "days": [days_of_week["wide"][n] for n in in_plotly],
        "shortDays": [days_of_week["abbreviated"][n] for n in in_plotly],
    }


def days(first: datetime | date, last: datetime | date, *, with_year: bool = True) -> str:
    """A stretch of days, the first and the last: 4 to 9 Dec 2026."""
    name = language()
    if name == ENGLISH:
        return _english_days(first, last, with_year=with_year)
    from babel.dates import format_interval

    skeleton = "yMMMd" if with_year else "MMMd"
    begin, end = (date(at.year, at.month, at.day) for at in (first, last))
    return format_interval(begin, end, skeleton, locale=name)


def _english_days(first: datetime | date, last: datetime | date, *, with_year: bool) -> str:
    written = day if with_year else day_of_year
    if (first.year, first.month, first.day) == (last.year, last.month, last.day):
        return written(first)
    if (first.year, first.month) == (last.year, last.month):
        return f"{first.day} to {written(last)}"
    if first.year == last.year:
        return f"{day_of_year(first)} to {written(last)}"
    return f"{written(first)} to {written(last)}"
