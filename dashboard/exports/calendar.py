"""Refill rounds and refills as iCalendar files (RFC 5545)."""

from datetime import UTC, datetime, timedelta
from urllib.parse import quote
from zoneinfo import ZoneInfo

from icalendar import Calendar, Event
from sqlalchemy import Engine, select

from analytics.alarms import wording
from analytics.findings import CAUTION
from analytics.vehicle.refill import Refill
from dashboard.queries.rounds import Round
from dashboard.queries.scope import read_vehicles, vehicles_at
from ingest import schema, times
from ingest.times import DAY_US, instant

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
        event.add("summary", f"{told.depot}: fill {len(visit.stops)}")
        event.add("location", told.depot)
        take = [f"Take {litres:.1f} l of {grease}." for grease, litres in sorted(visit.litres.items())]
        stops = [f"{s.need.unit} ({s.need.vehicle}): {s.litres:.1f} l" for s in visit.stops]
        event.add("description", "\n".join([*take, *stops, CAUTION]))
        calendar.add_component(event)
    return bytes(calendar.to_ical())


def refill_calendar(engine: Engine, depot: str) -> bytes:
    """A depot's refills as an iCalendar file (RFC 5545), a whole day for each: one that has no fill yet keeps its name while its date
    moves, so that the entry moves with it."""
    analysis, now = schema.analysis, times.now_us()
    calendar = _calendar("refills")
    calendar.add("x-wr-calname", f"Refills, {depot}")
    with engine.connect() as connection:
        rows = {row.vehicle_id: row for row in connection.execute(
            select(analysis.c.vehicle_id, analysis.c.refill, analysis.c.due_early_us, analysis.c.filled_us, analysis.c.as_of_us)
            .where(analysis.c.due_early_us.is_not(None))
        )}  # fmt: skip
        for one in read_vehicles(connection, vehicles_at(connection, depot)):
            setup, row = one.in_force(times.now_us()), rows.get(one.id)
            if row is None or row.due_early_us > now + CALENDAR_DAYS * DAY_US:
                continue
            day = instant(max(row.due_early_us, now)).astimezone(ZoneInfo(setup.timezone)).date()
            event = Event()
            event.add("uid", f"refill-{setup.fleet}-{setup.vehicle}-{row.filled_us or 0}@tallow")
            event.add("dtstamp", instant(row.as_of_us))
            event.add("dtstart", day)
            event.add("dtend", day + timedelta(days=1))
            litres = Refill.from_row(row.refill).litres_to_full
            event.add("summary", f"Fill {setup.unit}: {litres:.1f} l of {setup.grease_and_grade}")
            event.add("location", depot)
            event.add("url", wording.address_of(setup, wording.site()))
            calendar.add_component(event)
    return bytes(calendar.to_ical())


def _calendar(what: str) -> Calendar:
    calendar = Calendar()
    calendar.add("prodid", f"-//tallow//{what}//EN")
    calendar.add("version", "2.0")
    return calendar
