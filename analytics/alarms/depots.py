"""What a depot wants: its lead time, its digest, its quiet hours."""

from dataclasses import dataclass, replace
from datetime import time, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy import Connection, insert, select, update

from analytics.settings import DEFAULTS
from ingest import schema
from ingest.errors import Problem
from ingest.times import DAY_US, instant, microseconds


@dataclass(frozen=True)
class Depot:
    """What a depot wants: how long before a refill it is told, when its day's digest comes, and when nobody is to be called.
    Minutes are of its own day."""

    name: str
    lead_days: float = DEFAULTS.lead_time_days
    digest_min: int = 360
    quiet_from_min: int | None = None
    quiet_until_min: int | None = None

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


def depot(connection: Connection, name: str) -> Depot:
    """A depot's wishes, the default ones where it has none."""
    table = schema.depot
    row = connection.execute(select(table).where(table.c.name == name)).one_or_none()
    return Depot(name) if row is None else Depot(*row)


def keep_depot(connection: Connection, wanted: Depot) -> None:
    """Keep what a depot wants. Raises Problem where it cannot be so."""
    if not 0 <= wanted.lead_days <= 90:
        raise Problem("lead time: 0 to 90 days")
    for minute in (wanted.digest_min, wanted.quiet_from_min, wanted.quiet_until_min):
        if minute is not None and not 0 <= minute < 1440:
            raise Problem("a time of day is between 00:00 and 23:59")
    table = schema.depot
    values = {name: getattr(wanted, name) for name in table.c.keys() if name != "name"}  # noqa: SIM118
    theirs = select(schema.vehicle_summary.c.vehicle_id).where(schema.vehicle_summary.c.depot == wanted.name)
    connection.execute(update(schema.analysis).where(schema.analysis.c.vehicle_id.in_(theirs)).values(alarms_due_us=0))
    done = connection.execute(update(table).where(table.c.name == wanted.name).values(**values))
    if not done.rowcount:
        connection.execute(insert(table).values(name=wanted.name, **values))


def wished(now: Depot, lead_days: float | None, digest: str | None, quiet: str | None) -> Depot:
    """What a depot wants once somebody said so: HH:MM, and HH:MM-HH:MM or none. Raises Problem."""
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
    return changed


def _minute(text: str) -> int:
    try:
        at = time.fromisoformat(text.strip())
    except ValueError:
        raise Problem(f"{text!r} is no time of day such as 06:30") from None
    return at.hour * 60 + at.minute
