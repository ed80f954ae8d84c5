"""How many alarms people are asked to deal with, by the measures of IEC 62682 and ANSI/ISA-18.2."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from statistics import median
from typing import Final

from sqlalchemy import Connection, select

from analytics.kinds import SEVERITIES
from ingest import schema
from ingest.times import DAY_US, HOUR_US

MINUTE_US: Final = 60_000_000
_WINDOW_US: Final = 10 * MINUTE_US
FLOOD_ABOVE: Final = 10  # in ten minutes a flood begins with more than so many, and ends with fewer than
FLOOD_UNDER: Final = 5
CHATTERS_FROM: Final = 3  # raised so often within a minute
STALE_US: Final = DAY_US
# What the standards call acceptable, for one person (ISA-18.2; seen in secondary sources).
ACCEPTABLE_PER_DAY: Final = 150.0
MANAGEABLE_PER_DAY: Final = 300.0
NEEDED_DAYS: Final = 30  # rates over fewer days say little


@dataclass(frozen=True)
class Raised:
    """An alarm asked for attention."""

    at_us: int
    alarm: int
    severity: str
    acknowledged_us: int | None  # when somebody then took note of it


@dataclass(frozen=True)
class Figures:
    """Over a period; shares are of 1."""

    days: float
    persons: int
    raised: int
    standing: int
    stale: int
    busiest_10_min: int
    floods: int
    flood_share: float
    chattering: int
    by_severity: dict[str, int]
    top_ten_share: float
    hours_to_acknowledge: float | None

    @property
    def per_day_and_person(self) -> float:
        """Alarms raised, for each day and each person who deals with them."""
        return self.raised / self.days / self.persons


def figures(
    raised: Sequence[Raised], standing_since_us: Sequence[int], persons: int, from_us: int, until_us: int
) -> Figures:
    """The measures over [from, until); `standing_since_us` are the times since which those alarms stand that are active now."""
    raised = sorted((r for r in raised if from_us <= r.at_us < until_us), key=lambda r: r.at_us)
    busiest, floods, flooded_us = _floods([r.at_us for r in raised], until_us)
    times_of: dict[int, list[int]] = {}
    for r in raised:
        times_of.setdefault(r.alarm, []).append(r.at_us)
    waited = [r.acknowledged_us - r.at_us for r in raised if r.acknowledged_us is not None]
    return Figures(
        days=(until_us - from_us) / DAY_US,
        persons=max(1, persons),
        raised=len(raised),
        standing=len(standing_since_us),
        stale=sum(until_us - since > STALE_US for since in standing_since_us),
        busiest_10_min=busiest,
        floods=floods,
        flood_share=flooded_us / max(1, until_us - from_us),
        chattering=sum(_chatters(at) for at in times_of.values()),
        by_severity={name: sum(r.severity == name for r in raised) for name in SEVERITIES},
        top_ten_share=sum(sorted(map(len, times_of.values()))[-10:]) / len(raised) if raised else 0.0,
        hours_to_acknowledge=median(waited) / HOUR_US if waited else None,
    )


def _floods(times_us: Sequence[int], until_us: int) -> tuple[int, int, int]:
    """(most alarms in any ten minutes, floods, microseconds of flood)."""
    steps = sorted([(t, 1) for t in times_us] + [(t + _WINDOW_US, -1) for t in times_us])
    count = busiest = floods = flooded_us = 0
    since: int | None = None
    for at_us, change in steps:
        count += change
        busiest = max(busiest, count)
        if since is None and count > FLOOD_ABOVE:
            since, floods = at_us, floods + 1
        elif since is not None and count < FLOOD_UNDER:
            flooded_us += min(at_us, until_us) - since
            since = None
    return busiest, floods, flooded_us


def _chatters(times_us: Sequence[int]) -> bool:
    return any(last - first <= MINUTE_US for first, last in zip(times_us, times_us[CHATTERS_FROM - 1 :], strict=False))


def read_figures(connection: Connection, days: float, now_us: int) -> Figures:
    """The measures over the last days of what is recorded."""
    transition, alarm = schema.transition, schema.alarm
    from_us = now_us - int(days * DAY_US)
    rows = connection.execute(
        select(transition.c.alarm_id, transition.c.at_us, transition.c.event, transition.c.state, transition.c.who,
               alarm.c.severity)
        .join(alarm)
        .where(transition.c.at_us >= from_us, transition.c.at_us < now_us)
        .order_by(transition.c.alarm_id, transition.c.number)
    ).all()  # fmt: skip
    raised: list[Raised] = []
    persons = {row.who for row in rows if row.event == "acknowledge"}
    for _, its in groupby(rows, key=lambda row: row.alarm_id):
        before, waiting = "", list[Raised]()
        for row in its:
            if row.state == "unacknowledged" != before:
                waiting.append(Raised(row.at_us, row.alarm_id, row.severity, None))
            elif row.event == "acknowledge":
                raised += [replace(one, acknowledged_us=row.at_us) for one in waiting]
                waiting = []
            before = row.state
        raised += waiting
    first_us = connection.scalar(select(transition.c.at_us).order_by(transition.c.at_us).limit(1))
    standing = connection.execute(
        select(alarm.c.raised_us).where(alarm.c.state.in_(("unacknowledged", "acknowledged")))
    ).scalars()
    begin_us = max(from_us, min(first_us if first_us is not None else from_us, now_us - DAY_US))
    return figures(raised, list(standing), len(persons), begin_us, now_us)
