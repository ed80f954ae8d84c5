"""What a depot wants: its lead time, its digest, its quiet hours; and its calendar, the days on which it is closed."""

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import MINYEAR, date, time, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

from sqlalchemy import Connection, bindparam, delete, insert, select, update

from analytics.planning.closed_days import ClosedDays, check_country, public_holidays, read_calendar, stretches
from analytics.settings import DEFAULTS
from ingest import schema
from ingest.errors import Problem
from ingest.stands import LEAST_RADIUS_M, MOST_RADIUS_M, forget_depot
from ingest.times import DAY_US, instant, microseconds

_RADIUS_M: Final = 300.0  # where none is said


@dataclass(frozen=True)
class Depot:
    """What a depot wants: how long before a refill it is told, when its day's digest comes, and when nobody is to be called.
    Minutes are of its own day."""

    name: str
    lead_days: float = DEFAULTS.lead_time_days
    digest_min: int = 360
    quiet_from_min: int | None = None
    quiet_until_min: int | None = None
    country: str | None = None  # whose public holidays it keeps, ISO 3166-1 alpha-2
    region: str | None = None  # the part of it
    latitude: float | None = None  # where it is, where who stands there is served there; degrees
    longitude: float | None = None
    radius_m: float | None = None

    @property
    def lead_us(self) -> int:
        """The lead time, microseconds."""
        return int(self.lead_days * DAY_US)

    def not_before(self, now_us: int, zone: ZoneInfo) -> int:
        """The first moment from `now_us` on that lies outside its quiet hours."""
        if self.quiet_from_min is None or self.quiet_until_min is None or self.quiet_from_min == self.quiet_until_min:
            return now_us
        at = instant(now_us).astimezone(zone)
        minute, begin, end = at.hour * 60 + at.minute, self.quiet_from_min, self.quiet_until_min
        quiet = begin <= minute < end if begin < end else minute >= begin or minute < end
        if not quiet:
            return now_us
        morning = at.replace(hour=end // 60, minute=end % 60, second=0, microsecond=0)
        return microseconds(morning if morning > at else morning + timedelta(days=1))


# Made once: they are asked with each piece of news.
_DEPOT: Final = select(schema.depot).where(schema.depot.c.name == bindparam("depot"))
_CLOSINGS: Final = (
    select(schema.closing)
    .where(schema.closing.c.depot.in_(bindparam("depots", expanding=True)))
    .order_by(schema.closing.c.first_day)
)
_KEEPS_HOLIDAYS: Final = select(schema.depot.c.name, schema.depot.c.country, schema.depot.c.region).where(
    schema.depot.c.name.in_(bindparam("depots", expanding=True)), schema.depot.c.country.is_not(None)
)


def depot(connection: Connection, name: str) -> Depot:
    """A depot's wishes, the default ones where it has none."""
    row = connection.execute(_DEPOT, {"depot": name}).one_or_none()
    return Depot(name) if row is None else Depot(*row)


def keep_depot(connection: Connection, wanted: Depot) -> None:
    """Keep what a depot wants. Raises Problem where it cannot be so."""
    if not 0 <= wanted.lead_days <= 90:
        raise Problem("lead time: 0 to 90 days")
    for minute in (wanted.digest_min, wanted.quiet_from_min, wanted.quiet_until_min):
        if minute is not None and not 0 <= minute < 1440:
            raise Problem("a time of day is between 00:00 and 23:59")
    if wanted.country is not None:
        check_country(wanted.country, wanted.region)
    _keep_place(connection, wanted)
    table = schema.depot
    values = {name: getattr(wanted, name) for name in table.c.keys() if name != "name"}  # noqa: SIM118
    theirs = select(schema.vehicle_summary.c.vehicle_id).where(schema.vehicle_summary.c.depot == wanted.name)
    connection.execute(update(schema.analysis).where(schema.analysis.c.vehicle_id.in_(theirs)).values(alarms_due_us=0))
    before = depot(connection, wanted.name)
    if (before.country, before.region, before.lead_days) != (wanted.country, wanted.region, wanted.lead_days):
        _forecast_anew(connection, wanted.name)
    done = connection.execute(update(table).where(table.c.name == wanted.name).values(**values))
    if not done.rowcount:
        connection.execute(insert(table).values(name=wanted.name, **values))


def _keep_place(connection: Connection, wanted: Depot) -> None:
    """Raises Problem where a depot cannot be there; what was known of who stood at another place of it is no longer."""
    if wanted.latitude is not None and wanted.longitude is not None and wanted.radius_m is not None:
        if not (abs(wanted.latitude) <= 90 and abs(wanted.longitude) <= 180):
            raise Problem("a position is latitude -90 to 90 and longitude -180 to 180, in degrees")
        if not LEAST_RADIUS_M <= wanted.radius_m <= MOST_RADIUS_M:
            raise Problem(f"radius: {LEAST_RADIUS_M:.0f} to {MOST_RADIUS_M:,.0f} m")
    before = depot(connection, wanted.name)
    if (before.latitude, before.longitude, before.radius_m) != (wanted.latitude, wanted.longitude, wanted.radius_m):
        forget_depot(connection, wanted.name)


def closings(connection: Connection, name: str) -> list[tuple[int, ClosedDays]]:
    """The closings that are kept of a depot, each with its number, by time."""
    table = schema.closing
    rows = connection.execute(select(table).where(table.c.depot == name).order_by(table.c.first_day, table.c.id))
    return [(row.id, _closed(row)) for row in rows]


def _closed(row: Any) -> ClosedDays:
    return ClosedDays(date.fromisoformat(row.first_day), date.fromisoformat(row.last_day), row.what)


def keep_closing(connection: Connection, name: str, closed: ClosedDays) -> None:
    """Keep that a depot is closed on some days."""
    _insert(connection, name, [closed], "form")


def drop_closing(connection: Connection, name: str, number: int) -> None:
    """Forget a closing of a depot. Raises Problem where there is none of that number."""
    table = schema.closing
    if not connection.execute(delete(table).where(table.c.id == number, table.c.depot == name)).rowcount:
        raise Problem(f"{name} has no closing of number {number}")
    _forecast_anew(connection, name)


def import_calendar(connection: Connection, name: str, content: bytes, today: date) -> int:
    """Keep the closings of an iCalendar file in place of those of the file before; how many they are. Raises Problem."""
    found = read_calendar(content, today)
    table = schema.closing
    connection.execute(delete(table).where(table.c.depot == name, table.c.origin == "file"))
    _insert(connection, name, found, "file")
    return len(found)


def _insert(connection: Connection, name: str, closed: Sequence[ClosedDays], origin: str) -> None:
    rows = [
        {"depot": name, "first_day": c.first.isoformat(), "last_day": c.last.isoformat(), "what": c.what, "origin": origin}
        for c in closed
    ]  # fmt: skip
    connection.execute(insert(schema.closing), rows)
    _forecast_anew(connection, name)


def _forecast_anew(connection: Connection, name: str) -> None:
    """Refill dates go by the calendar: its vehicles are analysed once more."""
    summary = schema.vehicle_summary
    theirs = select(summary.c.vehicle_id).where(summary.c.depot == name)
    connection.execute(update(schema.analysis).where(schema.analysis.c.vehicle_id.in_(theirs)).values(revision=-1))
    connection.execute(delete(schema.asked))


def closed_dates(connection: Connection, name: str, first_year: int, last_year: int) -> dict[date, str]:
    """Each day of these years on which a depot is closed, and why."""
    return closed_between(connection, [name], date(first_year, 1, 1), date(last_year, 12, 31)).get(name, {})


def closed_between(
    connection: Connection, names: Collection[str], first: date, last: date
) -> dict[str, dict[date, str]]:
    """Each day from `first` to `last` on which these depots are closed, and why; nothing at all of a depot whose closed days nobody ever
    named."""
    asked = {"depots": list(names)}
    kept = connection.execute(_CLOSINGS, asked).all()
    found: dict[str, dict[date, str]] = {row.depot: {} for row in kept}
    for name, country, region in connection.execute(_KEEPS_HOLIDAYS, asked):
        years = [public_holidays(country, region, year) for year in range(first.year, last.year + 1)]
        found.setdefault(name, {}).update((day, why) for year in years for day, why in year.items())
    for row in kept:
        found[row.depot] |= dict.fromkeys(_closed(row).days, row.what)
    return {name: {day: why for day, why in days.items() if first <= day <= last} for name, days in found.items()}


def closed_stretches(connection: Connection, name: str, timezone: str, at_us: int) -> tuple[tuple[int, int], ...]:
    """When a depot was and will be closed, as (begin, end): in the years around a time, for as long as forecasts reach."""
    year = instant(at_us).year
    return stretches(closed_dates(connection, name, max(year - 1, MINYEAR), year + 2), timezone)


def wished(
    now: Depot, lead_days: float | None, digest: str | None, quiet: str | None, holidays: str | None = None,
    position: str | None = None,
) -> Depot:  # fmt: skip
    """What a depot wants once somebody said so: HH:MM, HH:MM-HH:MM or none, whose public holidays it keeps (IE, AU-WA, none), and
    where it is (LATITUDE,LONGITUDE,RADIUS in degrees and metres, or none). Raises Problem."""
    changed = now
    if lead_days is not None:
        changed = replace(changed, lead_days=lead_days)
    if digest is not None:
        changed = replace(changed, digest_min=_minute(digest))
    if quiet is not None and quiet.strip().casefold() in ("", "none"):
        changed = replace(changed, quiet_from_min=None, quiet_until_min=None)
    elif quiet is not None:
        begin, dash, end = quiet.partition("-")
        if not dash:
            raise Problem(f"quiet hours {quiet!r}: write them as 20:00-05:30, or none")
        changed = replace(changed, quiet_from_min=_minute(begin), quiet_until_min=_minute(end))
    if holidays is not None:
        country, _, region = holidays.strip().partition("-")
        kept = None if country.casefold() in ("", "none") else country.upper()
        changed = replace(changed, country=kept, region=region.upper() or None if kept else None)
    if position is not None:
        latitude, longitude, radius_m = _place(position)
        changed = replace(changed, latitude=latitude, longitude=longitude, radius_m=radius_m)
    return changed


def _place(text: str) -> tuple[float | None, float | None, float | None]:
    """(latitude, longitude, metres around), all or none. Raises Problem."""
    if text.strip().casefold() in ("", "none"):
        return None, None, None
    try:
        latitude, longitude, *radius = (float(part) for part in text.split(","))
    except ValueError:
        latitude, longitude, radius = math.nan, math.nan, []
    if math.isnan(latitude) or math.isnan(longitude) or len(radius) > 1:
        raise Problem(f"{text!r} is no position; write 59.9139,10.7522,300 (degrees, and metres around), or none")
    return latitude, longitude, radius[0] if radius else _RADIUS_M


def _minute(text: str) -> int:
    try:
        at = time.fromisoformat(text.strip())
    except ValueError:
        raise Problem(f"{text!r} is no time of day such as 06:30") from None
    return at.hour * 60 + at.minute
