"""First passages: on many paths of days to come, when so many cycles are done.

A path is made of whole past weeks, drawn again hour by hour as they were, with stretches in which nothing runs cut out: stops
that come by chance, the rest of a stop that lasts, days on which the depot is closed.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from ingest.arrays import Floats

_MORE: Final = 2  # weeks looked ahead are so many times more, until nearly all paths have come to their end
_NEARLY: Final = 0.97


@dataclass(frozen=True)
class Weeks:
    """Past weeks to draw from: times of their cycles (days since the week's start, ascending), the chance of each, and for how
    many cycles of today one of each stands. The last `seasonal` of them are those of a year ago in their order: every other
    path goes by them as far as they reach."""

    times: Sequence[Floats]
    weights: Floats  # (weeks - seasonal,), sum 1
    pace: Floats  # (weeks,)
    seasonal: int = 0

    @property
    def counts(self) -> Floats:
        """(weeks, 7) cycles on each day."""
        days = [np.bincount(np.minimum(week.astype(np.intp), 6), minlength=7) for week in self.times]
        return np.array(days, np.float64) * self.pace[:, None]

    @property
    def mean(self) -> float:
        """Cycles of a week to be expected."""
        recent = len(self.times) - self.seasonal
        return float((self.counts[:recent].sum(axis=1)) @ self.weights)


@dataclass(frozen=True)
class Stops:
    """Stretches in which a vehicle stands: the chance that one begins in a week of work, and lengths to draw from, days."""

    a_week: float = 0.0
    days: Floats = field(default_factory=lambda: np.ones(1))


@dataclass(frozen=True)
class Trouble:
    """What changes how fast grease goes until somebody mends it: over the use of a sound system, for so many days (paths,)."""

    ratio: float
    days: Floats


def first_passage(
    needed: Floats, weeks: Weeks, horizon_days: int, rng: np.random.Generator, stops: Stops = Stops(),
    stands_days: Floats | None = None, closed: NDArray[np.bool_] | None = None, begun: float = 0.0, trouble: Trouble | None = None,
) -> Floats:  # fmt: skip
    """Days until `needed` sound cycles are done, one path for each of them: shape (paths,), inf beyond the horizon.

    `stands_days` (paths,) passes before anything runs; on `closed` days (paths, days) or (1, days) nothing does. Days are those
    of 24 hours that the weeks are made of; so much of the first has `begun` that what ran before then counts no more. While a
    `trouble` lasts a cycle counts for more or less than one.
    """
    counts, paths = weeks.counts, len(needed)
    mean = weeks.mean
    if mean <= 0:
        return np.full(paths, np.inf)
    stands = np.zeros(paths) if stands_days is None else stands_days
    most = int(np.ceil(horizon_days / 7)) + 1
    ahead = min(most, int(np.ceil(1.5 * np.max(needed) / mean + float(np.quantile(stands, 0.9)) / 7)) + 4)
    seed = rng.integers(1 << 62)
    while True:
        days = _passed(needed, weeks, counts, ahead, np.random.default_rng(seed), stops, stands, closed, begun, trouble)
        if ahead >= most or np.isfinite(days).mean() >= _NEARLY:
            return np.where(days <= horizon_days, days, np.inf)
        ahead = min(most, _MORE * ahead)


def _passed(
    needed: Floats, weeks: Weeks, counts: Floats, ahead: int, rng: np.random.Generator, stops: Stops, stands: Floats,
    closed: NDArray[np.bool_] | None, begun: float, trouble: Trouble | None,
) -> Floats:  # fmt: skip
    """Days until `needed` cycles are done, inf where that takes more than so many weeks."""
    paths, recent = len(needed), len(counts) - weeks.seasonal
    drawn = np.searchsorted(np.cumsum(weeks.weights[:-1]), rng.random((paths, ahead)), side="right")
    season = min(weeks.seasonal, ahead)
    drawn[::2, :season] = recent + np.arange(season)
    over = np.array(
        [np.searchsorted(week, begun) for week in weeks.times]
    )  # cycles of the first day that count no more
    running = counts[drawn].reshape(paths, 7 * ahead)
    running[:, 0] -= (over * weeks.pace)[drawn[:, 0]]
    running *= ~_standing(paths, ahead, rng, stops, stands)
    if closed is not None:
        reach = min(closed.shape[1], 7 * ahead)
        running[:, :reach] *= ~closed[:, :reach]
    each = np.ones_like(running)  # what a cycle counts for
    if trouble is not None:
        each[np.arange(7 * ahead) + 0.5 < trouble.days[:, None]] = trouble.ratio
        running *= each
    done = np.cumsum(running, axis=1)
    day = np.argmax(done >= needed[:, None], axis=1)
    path = np.flatnonzero(done[:, -1] >= needed)
    day, which = day[path], drawn[path, day[path] // 7]
    # The cycle of that day at which it is: all weeks' times one after another.
    still = needed[path] - (done[path, day] - running[path, day])
    number = np.maximum(0, np.ceil(still / (weeks.pace[which] * each[path, day])).astype(np.intp) - 1)
    length = np.array([len(week) for week in weeks.times])
    before = np.concatenate([np.zeros((len(counts), 1)), np.cumsum(counts / weeks.pace[:, None], axis=1)], axis=1)
    place = np.rint(before[which, day % 7]).astype(np.intp) + number + np.where(day == 0, over[which], 0)
    times = np.concatenate(weeks.times)
    days = np.full(paths, np.inf)
    begins = np.cumsum(length) - length
    days[path] = day // 7 * 7 + times[begins[which] + np.minimum(place, length[which] - 1)]
    return days


def _standing(paths: int, ahead: int, rng: np.random.Generator, stops: Stops, stands: Floats) -> NDArray[np.bool_]:
    """(paths, days) whether it stands: still, or again after a stretch of work, which ends by chance."""
    days = 7 * ahead
    stand = np.arange(days) + 0.5 < stands[:, None]
    until = stands + (rng.exponential(7 / stops.a_week, paths) if stops.a_week > 0 else np.inf)
    while len(path := np.flatnonzero(until < days)):
        begin, length = until[path].astype(np.intp), np.maximum(1, np.rint(rng.choice(stops.days, len(path))))
        stand[path] |= (np.arange(days) >= begin[:, None]) & (np.arange(days) < (begin + length)[:, None])
        until[path] = begin + length + rng.exponential(7 / stops.a_week, len(path))
    return np.asarray(stand)
