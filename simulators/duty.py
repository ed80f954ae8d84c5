"""When the ignition is on: the working habits of each class of vehicle, and the days on which nobody works."""

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from ingest.times import EPOCH

Floats = NDArray[np.float64]

_WORKDAYS = frozenset(range(5))
_SIX_DAYS = frozenset(range(6))


@dataclass(frozen=True)
class Habit:
    """A class's working day in local hours: `weekdays` it works (0 is Monday), begin, ignition hours and starts a day."""

    weekdays: frozenset[int]
    begin_h: float
    hours: float
    spread_h: float
    starts: int
    day_off: float  # chance that a working day is not worked: workshop, no driver, no load
    stop_h: float = 0.25  # between two stretches of a day
    months: frozenset[int] = frozenset(range(1, 13))  # in which it works at all
    tour_days: int = 0  # works so many days in a row, nights away, and then rests for two


HABITS = {
    "day truck": Habit(_WORKDAYS, 5.8, 7.5, 1.1, 6, 0.06),  # one shift
    "shift truck": Habit(_SIX_DAYS, 4.5, 13.0, 1.4, 9, 0.05),  # two
    "long haul": Habit(frozenset(range(7)), 5.0, 9.5, 1.3, 5, 0.02, stop_h=0.6, tour_days=11),
    "yard tractor": Habit(_SIX_DAYS, 5.5, 9.0, 1.0, 100, 0.04, stop_h=0.05),  # a hundred starts a day
    "loader": Habit(_WORKDAYS, 6.5, 5.5, 1.2, 8, 0.10),
    "trailer": Habit(_SIX_DAYS, 5.0, 8.5, 2.0, 4, 0.15),
    "sweeper": Habit(_WORKDAYS, 6.0, 6.0, 1.0, 5, 0.10, months=frozenset({3, 4, 5, 9, 10, 11})),  # idle for weeks
}


def ignition(
    habit: Habit, start_h: float, days: int, zone: ZoneInfo, holidays: frozenset[tuple[int, int]], rng: np.random.Generator
) -> Floats:  # fmt: skip
    """Ignition-on stretches as (n, 2) hours since 1970 UTC, from the local day of `start_h` on.

    A day's hours are cut into as many stretches as the class has starts, with stops of some minutes between. Each day
    draws as many numbers whatever happens on it, so that the days before a change stay as they were.
    """
    first = (EPOCH + timedelta(hours=start_h)).astimezone(zone).date()
    phase = int(rng.integers(0, habit.tour_days + 2)) if habit.tour_days else 0
    begins, ends = [], []
    for day in range(days):
        today = first + timedelta(days=day)
        chance, extra, shift = rng.random(), rng.standard_normal(), rng.standard_normal()
        starts = max(1, int(rng.poisson(habit.starts)))
        parts, stops = rng.standard_gamma(2.5, starts), rng.exponential(habit.stop_h, starts)
        resting = habit.tour_days and (day + phase) % (habit.tour_days + 2) >= habit.tour_days
        worked = today.weekday() in habit.weekdays and (today.month, today.day) not in holidays and not resting
        if today.month not in habit.months or chance < (habit.day_off if worked else 0.97):
            continue
        length = parts / parts.sum() * max(0.7, habit.hours + habit.spread_h * extra)
        begin = local_hour(today, zone, habit.begin_h + 0.5 * shift) + np.r_[0.0, np.cumsum(length + stops)[:-1]]
        seen = length > 0.02
        begins.append(begin[seen])
        ends.append((begin + length)[seen])
    if not begins:
        return np.zeros((0, 2))
    begin, end = np.concatenate(begins), np.concatenate(ends)
    # A long day may run into the next one's begin: then it is one stretch.
    apart = begin[1:] > np.maximum.accumulate(end)[:-1] + 0.01
    return np.column_stack([begin[np.r_[True, apart]], np.maximum.accumulate(end)[np.r_[apart, True]]])


def local_hour(day: date, zone: ZoneInfo, hour: float) -> float:
    """Hours since 1970 UTC of a local time of day, by the offset of that day's noon."""
    noon = datetime.combine(day, time(12), zone)
    return (noon - EPOCH) / timedelta(hours=1) - 12 + hour


def without(on: Floats, idle: list[tuple[float, float]]) -> Floats:
    """The stretches that do not begin within an idle time."""
    parked = np.zeros(len(on), bool)
    for begin, end in idle:
        parked |= (on[:, 0] >= begin) & (on[:, 0] < end)
    return on[~parked]
