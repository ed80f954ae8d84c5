"""Refill rounds and refills as iCalendar files (RFC 5545)."""

from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from urllib.parse import quote

from icalendar import Calendar, Event

from analytics.alarms import wording
from analytics.findings import CAUTION, FILL_STEP
from analytics.planning.rounds import WORKDAYS, WORTH, Stop
from analytics.planning.rounds import stretch as fill_window
from dashboard import formatting
from dashboard.exports import hand
from dashboard.queries.rounds import Asked, Round
from ingest.languages import cldr, tr
from ingest.setups import Setup
from ingest.times import instant

CALENDAR_DAYS = 90


def round_calendar(told: Round) -> bytes:
    """A round as an iCalendar file (RFC 5545): a whole day for each visit. The first visit of a depot has always the same name, and
    so has the second: a round planned anew moves them."""
    calendar = _calendar("refill round")
    for number, visit in enumerate(told.visits, start=1):
        day = told.today + timedelta(days=visit.day)
        event = Event()
        event.add("uid", f"{quote(told.depot)}-visit-{number}@tallow")
        event.add("dtstamp", datetime.now(UTC))
        event.add("dtstart", day)
        event.add("dtend", day + timedelta(days=1))
        only = len(visit.stops) - visit.fills
        what = [tr("fill {number}", number=visit.fills)] if visit.fills else []
        event.add(
            "summary",
            f"{told.depot}: {', '.join([*what, *([tr('grease {number} by hand', number=only)] if only else [])])}",
        )
        event.add("location", told.depot)
        take = [
            tr("Take {litres} of {grease}.", litres=formatting.litres(litres), grease=grease)
            for grease, litres in sorted(visit.litres.items())
        ]
        stops = [f"{s.need.unit} ({s.need.vehicle}): {'; '.join(_to_do(s))}" for s in visit.stops]
        event.add("description", "\n".join([*take, *stops, tr(FILL_STEP), tr(CAUTION)]))
        calendar.add_component(event)
    by_hand = [f"{one.unit}, {one.number} {one.point}" for one in told.points_undated]
    _add_undated(calendar, "round", told.depot, told.today, told.undated, by_hand)
    return bytes(calendar.to_ical())


def _to_do(stop: Stop) -> list[str]:
    fill = [formatting.litres(stop.litres)] if stop.need.fills else []
    return [
        *fill,
        *(
            tr("{point}, {amount} by hand", point=f"{one.number} {one.point}", amount=hand.amount(one))
            for one in stop.by_hand
        ),
    ]


def refill_calendar(asked: Asked, depot: str) -> bytes:
    """A depot's refills as an iCalendar file (RFC 5545), each on the last working day before its window opens, with the litres of that
    day: one that has no fill yet keeps its name while its date moves, so that the entry moves with it."""
    calendar = _calendar("refills")
    calendar.add("x-wr-calname", tr("Refills, {depot}", depot=depot))
    for one in asked.refillable:
        days, late = fill_window(one.need, WORTH, lambda day: (asked.today + timedelta(days=day)).weekday() in WORKDAYS)
        if days[-1] > CALENDAR_DAYS:
            continue
        day = asked.today + timedelta(days=days[-1])
        event = Event()
        event.add("uid", f"refill-{one.setup.fleet}-{one.setup.vehicle}-{one.filled_us or 0}@tallow")
        event.add("dtstamp", instant(one.as_of_us))
        event.add("dtstart", day)
        event.add("dtend", day + timedelta(days=1))
        event.add(
            "summary",
            tr(
                "Fill {unit}: {litres} l of {grease}",
                unit=one.setup.unit,
                litres=cldr.decimal(one.need.litres_on(days[-1]), 1),
                grease=one.setup.grease_and_grade,
            ),
        )
        event.add("location", depot)
        event.add("description", "\n".join([*([tr("Overdue.")] if late else []), tr(FILL_STEP), tr(CAUTION)]))
        event.add("url", wording.address_of(one.setup, wording.site()))
        calendar.add_component(event)
    _add_undated(calendar, "refills", depot, asked.today, asked.undated, ())
    if (
        not asked.vehicles
    ):  # moved, sold, or of another depot's name now: an empty calendar would say that nothing is due
        _add_note(calendar, "refills-none", depot, asked.today, tr("No vehicle belongs to {depot}.", depot=depot))
    return bytes(calendar.to_ical())


def _add_undated(
    calendar: Calendar, what: str, depot: str, today: date, vehicles: Sequence[Setup], points: Sequence[str]
) -> None:
    """One entry, today, of all whose date nobody knows: left out they would look as if nothing was due."""
    if not vehicles and not points:
        return
    names = ", ".join([*(f"{one.unit} ({one.vehicle})" for one in vehicles), *points])
    _add_note(calendar, f"{what}-undated", depot, today, tr("No date is known for: {names}.", names=names))


def _add_note(calendar: Calendar, what: str, depot: str, today: date, text: str) -> None:
    event = Event()
    event.add("uid", f"{quote(depot)}-{what}@tallow")
    event.add("dtstamp", datetime.now(UTC))
    event.add("dtstart", today)
    event.add("dtend", today + timedelta(days=1))
    event.add("summary", text)
    event.add("location", depot)
    calendar.add_component(event)


def _calendar(what: str) -> Calendar:
    calendar = Calendar()
    calendar.add("prodid", f"-//tallow//{what}//EN")
    calendar.add("version", "2.0")
    return calendar
