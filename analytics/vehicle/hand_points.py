"""When points that somebody greases by hand are due: from what people recorded, and from how the vehicle's meters advance.

Hours are the ignition hours of the controller where it has a meter; else a meter that somebody else reads (`outside_meters`), else readings
that people typed in. Kilometres are typed in. A meter that was replaced goes on without a gap where its last reading and the first of the
new one lie within a day; else nobody knows what was driven between.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from analytics.hand import HandState
from analytics.vehicle import outside_meters
from analytics.vehicle.history import History
from analytics.vehicle.hour_meter import RESET_H
from ingest.arrays import Floats, Ints, States, chosen
from ingest.languages import later
from ingest.setups import HandPoint
from ingest.times import DAY_US, HOUR_US, instant, microseconds
from ingest.work import Work

RATE_DAYS: Final = 28  # over which a meter's pace is taken: two weeks of work and their weekends, twice
STALE_DAYS: Final = 45  # so long after its last reading a meter says nothing of today
WORTH: Final = 0.8  # of an interval: greasing before it is waste (common practice, no source)
FAR_DAYS: Final = 20 * 365  # no pace tells of what lies further ahead


@dataclass(frozen=True)
class Meter:
    """What a meter showed: times (n,) in order, and how much it had counted by then (n,), in hours or kilometres since its first reading.
    Between readings of a different `life` (n,) nobody knows what it would have counted."""

    at_us: Ints
    counted: Floats
    life: Ints

    def at(self, at_us: int) -> float | None:
        """What it had counted at a time; None outside its readings, and where it was replaced around it."""
        if not len(self.at_us) or not self.at_us[0] <= at_us <= self.at_us[-1]:
            return None
        after = int(np.searchsorted(self.at_us, at_us))
        if self.at_us[after] != at_us and self.life[after] != self.life[after - 1]:
            return None
        return float(np.interp(at_us, self.at_us, self.counted))

    def time_of(self, counted: float) -> int:
        """When it had counted so much, which it has."""
        return int(self.at_us[int(np.searchsorted(self.counted, counted - 1e-9))])

    @property
    def read_us(self) -> int:
        """When it was read last."""
        return int(self.at_us[-1])

    @property
    def pace_a_day(self) -> float | None:
        """How much it counts in a day, over the latest RATE_DAYS of its readings or the two latest; None of fewer than two within its
        life, a day apart."""
        mine = self.life == self.life[-1]
        at_us, counted = self.at_us[mine], self.counted[mine]
        first = int(np.searchsorted(at_us, at_us[-1] - RATE_DAYS * DAY_US))
        base = first if at_us[-1] - at_us[first] >= DAY_US else first - 1
        if base < 0:
            return None
        return float((counted[-1] - counted[base]) / ((at_us[-1] - at_us[base]) / DAY_US))


def hour_meters(history: History, readings: States) -> list[Meter]:
    """The hour meters of a vehicle, the best first; `readings` are of meters that somebody else reads."""
    meters = []
    if history.metered and len(history.heard_us):
        counted = len(history.heard_us)
        if history.unmetered_us is not None:  # it shows nothing since
            counted = int(np.searchsorted(history.heard_us, history.unmetered_us, "right"))
        meters.append(Meter(history.heard_us[:counted], history.heard_h[:counted], np.zeros(counted, np.int64)))
    outside = outside_meters.usable(chosen(readings, readings.at_us <= history.as_of_us))
    if len(outside):
        outside = chosen(outside, np.argsort(outside.at_us, kind="stable"))
        new = np.r_[False, outside.boot[1:] != outside.boot[:-1]]
        meters.append(
            _joined(outside.at_us, outside.engine_h, new, np.diff(outside.at_us, prepend=outside.at_us[0]) / HOUR_US)
        )
    return [*meters, *typed_in(history.work, "engine_h")]


def typed_in(work: Iterable[Work], name: str) -> list[Meter]:
    """The meter of which people recorded what it showed, `engine_h` or `odometer_km`; none where nobody did."""
    read = [(one.at_us, getattr(one, name), one.new_meter) for one in work if getattr(one, name) is not None]
    if not read:
        return []
    at_us, shown = np.array([one[0] for one in read], np.int64), np.array([one[1] for one in read], np.float64)
    new = np.array([one[2] for one in read]) | (np.diff(shown, prepend=shown[:1]) < -RESET_H)
    new[0] = False
    return [_joined(at_us, shown, new)]


def _joined(at_us: Ints, shown: Floats, new: np.ndarray, passed_h: Floats | None = None) -> Meter:
    """A meter out of what it showed, which counts afresh where it is `new` (n,). Hours that nobody looked at are no more than those that
    have `passed_h` (n,) since the reading before."""
    gained = np.diff(shown, prepend=shown[:1])
    if passed_h is not None:
        gained = np.minimum(gained, passed_h + RESET_H)
    gained[new] = 0.0
    far = new & (np.diff(at_us, prepend=at_us[:1]) > DAY_US)
    return Meter(at_us, np.maximum.accumulate(np.cumsum(gained)), np.cumsum(far))


def states(history: History, hours: Sequence[Meter]) -> list[HandState]:
    """How each point greased by hand stands at `as_of_us`, in the order of the list; by hours of these meters, the best first."""
    meters = {"h": list(hours), "km": typed_in(history.work, "odometer_km")}
    zone = ZoneInfo(history.setup.timezone)
    return [
        _state(point, greased_at(history.work, point.number), meters, history.as_of_us, zone)
        for point in history.setup.hand_points
    ]


def greased_at(work: Iterable[Work], number: int) -> list[int]:
    """When a point was greased by record, oldest first."""
    return [one.at_us for one in work if one.kind == "points_greased" and number in one.points]


def _state(
    point: HandPoint, greased: Sequence[int], meters: dict[str, list[Meter]], as_of_us: int, zone: ZoneInfo
) -> HandState:
    if not greased:
        return HandState(point=point, reason=later("never greased by record"))
    last = greased[-1]
    hours = next((h for m in meters["h"] if (h := _since(m, last)) is not None), None)
    hours = None if hours is None else round(hours, 1)
    if point.unit == "d":
        early_us, late_us = (on_calendar(last, share * point.every, zone) for share in (WORTH, 1.0))
        days = round((as_of_us - last) / DAY_US, 1)
        return HandState(point=point, greased_us=last, since=days, hours_since=hours, from_us=early_us, due_us=late_us)
    usable = meters[point.unit]
    told = [
        (since, from_us, due_us, meter, why)
        for meter in usable
        for since, (from_us, due_us, why) in [(_since(meter, last), _due(meter, last, point.every, as_of_us))]
    ]
    best = next((one for one in told if one[2] is not None), told[0] if told else None)
    if best is None:
        why = later("no reading of its hour meter") if point.unit == "h" else later("no reading of its odometer")
        return HandState(point=point, greased_us=last, hours_since=hours, reason=why)
    since, from_us, due_us, meter, why = best
    return HandState(
        point=point, greased_us=last, since=None if since is None else round(since, 1), hours_since=hours,
        read_us=meter.read_us, from_us=from_us, due_us=due_us, reason=why,
    )  # fmt: skip


def on_calendar(since_us: int, days: float, zone: ZoneInfo) -> int:
    """The beginning of the day so many days after another, where the vehicle is."""
    day = instant(since_us).astimezone(zone).date() + timedelta(days=round(days))
    return microseconds(datetime.combine(day, time(), zone))


def _since(meter: Meter, greased_us: int) -> float | None:
    """What a meter counted from then to its latest reading; None where it does not tell."""
    then = meter.at(greased_us)
    if then is None or meter.life[int(np.searchsorted(meter.at_us, greased_us))] != meter.life[-1]:
        return None
    return float(meter.counted[-1]) - then


def _due(meter: Meter, greased_us: int, every: float, as_of_us: int) -> tuple[int | None, int | None, str]:
    """(from when greasing is no waste, when it is due, why neither is known)."""
    pace, read_us = meter.pace_a_day, meter.read_us
    since = _since(meter, greased_us)
    if since is not None and since >= every:
        then = float(meter.counted[-1]) - since
        return meter.time_of(then + WORTH * every), meter.time_of(then + every), ""
    if since is None and greased_us < read_us:
        why = (
            later("its meter was first read later")
            if greased_us < meter.at_us[0]
            else later("its meter was replaced since")
        )
        return None, None, why
    if pace is None:
        return None, None, later("its meter was read only once")
    if pace <= 0:
        return None, None, later("its meter does not advance")
    begin_us, done = (greased_us, 0.0) if since is None else (read_us, since)
    if every - done > pace * FAR_DAYS:
        return None, None, later("its meter hardly advances")

    def when(share: float) -> int:
        return int(begin_us + (share * every - done) / pace * DAY_US)

    if as_of_us - read_us > STALE_DAYS * DAY_US and when(1.0) > as_of_us:
        return None, None, f"its meter was not read for {(as_of_us - read_us) / DAY_US:.0f} days"
    return when(WORTH), when(1.0), ""
