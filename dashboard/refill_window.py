"""The days in which a refill falls due, as people read them."""

from analytics.refills import Refill
from dashboard.formatting import day, local
from ingest.languages import cldr, tr


def window(refill: Refill, timezone: str, *, with_year: bool = True) -> str:
    """The days in which a level that is above its mark as far as anybody heard reaches it: 4 to 9 Dec 2026. Days that have passed are
    no forecast."""
    early_us, late_us, expected_us = refill.due_early_us, refill.due_late_us, refill.due_expected_us
    if early_us is None:
        return tr("far off")
    if expected_us is not None and expected_us < refill.as_of_us:
        return tr("most likely due already")
    if early_us < refill.as_of_us:
        return tr("perhaps due already")
    early = local(early_us, timezone)
    if late_us is None:
        written = day(early) if with_year else cldr.day_of_year(early)
        return tr("from {day}", day=written)
    return cldr.days(early, local(late_us, timezone), with_year=with_year)


def likely_window(refill: Refill, timezone: str) -> str:
    """The same with the most likely day, where it is still to come."""
    told = window(refill, timezone)
    if refill.due_expected_us is None or refill.due_expected_us < refill.as_of_us:
        return told
    return tr("{window}, most likely {likely}", window=told, likely=day(local(refill.due_expected_us, timezone)))


def days_ahead(refill: Refill, timezone: str) -> str:
    """The window where there is little room, and no doubt about the year: 4 to 9 Dec."""
    return window(refill, timezone, with_year=False)
