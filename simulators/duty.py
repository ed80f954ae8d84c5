"""When the ignition is on: the working habits of each class of vehicle."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Habit:
    """A class's working day in local hours: `weekdays` it works (0 is Monday), begin, ignition hours and starts a day."""

    weekdays: frozenset[int]
    begin_h: float
    hours: float
    spread_h: float
    starts: int
    day_off: float  # chance that a working day is not worked


HABITS = {
    "day truck": Habit(frozenset(range(5)), 5.8, 7.5, 1.1, 6, 0.06),
    "shift truck": Habit(frozenset(range(6)), 4.5, 13.0, 1.4, 9, 0.05),
    "loader": Habit(frozenset(range(5)), 6.5, 5.5, 1.2, 8, 0.10),
    "trailer": Habit(frozenset(range(6)), 5.0, 8.5, 2.0, 4, 0.15),
}


def ignition(
    habit: Habit, first_weekday: int, days: int, utc_offset_h: float, idle: list[tuple[float, float]], rng: np.random.Generator
) -> Floats:  # fmt: skip
    """Ignition-on stretches as (n, 2) hours since the first day's 00:00 UTC; none within the `idle` stretches.

    A day's hours are cut into as many stretches as the class has starts, with stops of some minutes between.
    """
    out: list[tuple[float, float]] = []
    for day in range(days):
        worked = (first_weekday + day) % 7 in habit.weekdays
        if (not worked and rng.random() > 0.03) or (worked and rng.random() < habit.day_off):
            continue
        hours = max(0.7, habit.hours + habit.spread_h * rng.standard_normal())
        starts = max(1, int(rng.poisson(habit.starts)))
        parts = rng.dirichlet(np.full(starts, 2.5)) * hours
        at = day * 24 + habit.begin_h + 0.5 * rng.standard_normal() - utc_offset_h
        for part in parts:
            if part > 0.02 and not any(a <= at < b for a, b in idle):
                out.append((at, at + part))
            at += part + rng.exponential(0.25)
    stretches = np.array(out).reshape(-1, 2)
    if not len(stretches):
        return stretches
    # A long day may run into the next one's begin: then it is one stretch.
    kept = [stretches[0]]
    for begin, end in stretches[1:]:
        if begin <= kept[-1][1] + 0.01:
            kept[-1][1] = max(kept[-1][1], end)
        else:
            kept.append(np.array([begin, end]))
    return np.array(kept)
