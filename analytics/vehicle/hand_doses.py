"""Was every point that is greased by hand greased as planned: doses by local day, beside those of the system (`doses`).

A dose is planned for each interval. It surely arrived where somebody recorded the greasing in time, within a tenth of the interval (common
practice, no source), and surely did not where nobody did; a greasing before half of the interval is an extra one. Not proven are doses
before the first record of a point, since nobody knows when it was greased before, and what no meter tells: how many were due then nobody
knows either, so that one in thirty days stands for them.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from analytics.hand import HAND_FROM
from analytics.vehicle.analysis import Result
from analytics.vehicle.doses import EPOCH_DAY, Dosed, Doses
from analytics.vehicle.hand_points import Meter, greased_at, typed_in
from ingest.arrays import Floats
from ingest.setups import HandPoint, Setup
from ingest.times import DAY_US, EARLIEST_US, LONG_AGO_US, local_us

_LATE: Final = 1.1  # of an interval: greased until then it was in time
_EXTRA: Final = 0.5  # of an interval: greased before, the planned dose is still to come
_UNTOLD_US: Final = 30 * DAY_US


@dataclass(frozen=True)
class _Slot:
    """A dose that was due: when, and whether it arrived (None: not proven)."""

    at_us: int
    arrived: bool | None


def hand_doses(result: Result) -> Doses | None:
    """What was planned by hand and what came of it; None where there is nothing to tell."""
    history = result.history
    begins = np.array([LONG_AGO_US, *(one.valid_from_us or LONG_AGO_US for one in history.setups[1:])], np.int64)
    planned = [frozenset(one.hand_points) for one in history.setups]
    slots: dict[int, list[_Slot]] = {}
    named = {point.number: point for one in history.setups for point in one.hand_points}
    for point in dict.fromkeys(point for one in history.setups for point in one.hand_points):
        greased = greased_at(history.work, point.number)
        begins_us = *_registered(history.setups, point.number), *greased
        begin_us = max(min(begins_us, default=history.as_of_us), EARLIEST_US)  # a sheet may be of long before
        due = list(_slots(point, greased, result, begin_us))
        # What was planned then is accounted as it was planned.
        setup_of = np.searchsorted(begins, [slot.at_us for slot in due], "right") - 1
        own = [slot for slot, k in zip(due, setup_of.tolist(), strict=True) if point in planned[k]]
        slots.setdefault(point.number, []).extend(own)
    every = [(k, slot) for k, own in enumerate(slots.values()) for slot in own]
    if not every:
        return None
    at_us = np.array([slot.at_us for _, slot in every], np.int64)
    days = local_us(at_us, ZoneInfo(history.setup.timezone)) // DAY_US
    first, width = int(days.min()), int(days.max() - days.min()) + 1
    table = np.zeros((3, width, len(slots)))
    for (k, slot), day in zip(every, (days - first).tolist(), strict=True):
        table[0, day, k] += 1
        if slot.arrived is not None:
            table[1 if slot.arrived else 2, day, k] += 1
    return Doses(
        first=date.fromordinal(EPOCH_DAY + first),
        lines=tuple(Dosed(HAND_FROM + number, named[number].point, named[number].critical) for number in slots),
        planned=table[0], arrived=table[1], failed=table[2],
    )  # fmt: skip


def _registered(setups: Sequence[Setup], number: int) -> list[int]:
    """Since when a point is registered."""
    with_it = [one for one in setups if any(point.number == number for point in one.hand_points)]
    return [
        us for one in with_it for us in (one.valid_from_us if one.valid_from_us is not None else one.registered_us,) if us is not None
    ]  # fmt: skip


def _slots(point: HandPoint, greased: Sequence[int], result: Result, begin_us: int) -> Iterator[_Slot]:
    """The doses of a point from a time on."""
    history = result.history
    until_us = history.as_of_us
    if point.unit == "d":
        meter = Meter(*_calendar(begin_us, until_us))
    else:
        meters = result.hour_meters if point.unit == "h" else typed_in(history.work, "odometer_km")
        told = [one for one in meters if one.at_us[-1] - one.at_us[0] >= DAY_US]
        if not told:
            yield from _untold(begin_us, until_us)
            return
        meter = max(told, key=lambda one: int(one.at_us[-1] - one.at_us[0]))
        yield from _untold(begin_us, int(meter.at_us[0]))
        yield from _untold(meter.read_us, until_us)
    for life in np.unique(meter.life):
        mine = meter.life == life
        at_us, counted = meter.at_us[mine], meter.counted[mine]
        first = bisect_left(greased, int(at_us[0]))
        own = [g for g in greased[first : bisect_right(greased, int(at_us[-1]))] if g >= begin_us]
        start = float(np.interp(max(begin_us, int(at_us[0])), at_us, counted))
        when_greased = [float(np.interp(g, at_us, counted)) for g in own]
        due = list(_due(point.every, start, when_greased, float(counted[-1])))
        due_us = np.interp([place for place, _ in due], *_rising(counted, at_us)).astype(np.int64)
        yield from (_Slot(us, arrived) for us, (_, arrived) in zip(due_us.tolist(), due, strict=True))


def _calendar(begin_us: int, until_us: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Days as a meter that never stands."""
    at_us = np.array([begin_us, max(until_us, begin_us + 1)], np.int64)
    return at_us, (at_us - begin_us) / DAY_US, np.zeros(2, np.int64)


def _rising(counted: Floats, at_us: np.ndarray) -> tuple[Floats, Floats]:
    """A meter's course where it rises, for looking up when it counted so much."""
    rises = np.r_[True, np.diff(counted) > 0]
    return counted[rises], at_us[rises].astype(np.float64)


def _due(every: float, start: float, greased: Sequence[float], end: float) -> Iterator[tuple[float, bool | None]]:
    """(what the meter had counted when a dose was due, whether it arrived), from what it counted at each greasing."""
    last, known = start, False
    for now in [*greased, None]:
        until = end if now is None else now
        while last + _LATE * every < until:
            last += every
            yield last, False if known else None
        if now is not None:
            if now - last >= _EXTRA * every:
                yield now, True if known else None
            last, known = now, True


def _untold(begin_us: int, until_us: int) -> Iterator[_Slot]:
    """Doses of a time of which no meter tells."""
    for at_us in range(begin_us + _UNTOLD_US, until_us + 1, _UNTOLD_US):
        yield _Slot(at_us, None)


def with_hand(system: Doses | None, by_hand: Doses | None) -> Doses | None:
    """Doses of both, day by day."""
    parts = [one for one in (system, by_hand) if one is not None]
    if len(parts) < 2:
        return parts[0] if parts else None
    first = min(one.first for one in parts)
    ends = [one.first.toordinal() + len(one.planned) for one in parts]
    width = max(ends) - first.toordinal()

    def together(name: str) -> Floats:
        tables = []
        for one in parts:
            table: Floats = getattr(one, name)
            before = one.first.toordinal() - first.toordinal()
            tables.append(np.pad(table, ((before, width - before - len(table)), (0, 0))))
        return np.concatenate(tables, axis=1)

    return Doses(
        first=first, lines=tuple(line for one in parts for line in one.lines),
        planned=together("planned"), arrived=together("arrived"), failed=together("failed"),
    )  # fmt: skip
