"""By how many points a level sensor reads high or low since it was bent, knocked or ages, though nobody recorded it.

A reading that steps up looks like a little fill, one that steps down like a little loss. What tells is what fills come up to: most
people fill to about the same height each time, so from the step on each full reservoir reads as much higher or lower as the
step was. Where the sensor drifts, full reservoirs read a little higher each time. That they read a little lower each time may as well
be people who fill less, and a date that is early hurts nobody: nothing is made of that.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import NormalDist, fmean, median
from typing import ClassVar, Final

import numpy as np

from analytics.vehicle.checkpoints import Runs, Stateful, Walk
from ingest.arrays import Floats
from ingest.times import DAY_US

_TURN_PCT: Final = 6.0  # above or below where the readings before lay, two in a row: a fill, a loss or a step
_TURN_SIGMAS: Final = 3.0  # and so many standard deviations of the readings, where slosh moves them by more
_NOISE_READINGS: Final = 40  # that tell it
_NEAR: Final = 5  # readings that tell where the level lies
_FEWEST: Final = 3
_COARSE_PCT: Final = 2.5  # steps of the sensor from which on it does not tell
_STEPS_PCT: Final = 6.0, 25.0  # the least and the most by which a sensor is taken to have stepped
_FULL_PCT: Final = 75.0  # a fill up to less is one of a part only
_FULL_SHARE: Final = 0.75  # of the fills (common practice, no source)
_FULL_SD: Final = 3.5  # of what people take for full, for two fills, before the vehicle's own tell
_FULL_BEFORE: Final = 3  # full fills that tell what is full here
_FULL_AFTER: Final = 2
_SURE: Final = 8.5  # log likelihood by which a step must be the likelier
_MAYBE: Final = 2.0
_MOST_TURNS: Final = 100  # the latest tell: readings that jump all the time must not cost hours
_MOVING: Final = 0.5  # share of a sensor's steps while nobody can fill it
_BACK_PCT: Final = 3.0  # so near to where it was it has stepped back
_DRIFT_FILLS: Final = 8
_DRIFT_DAYS: Final = 100.0
_DRIFT_PCT: Final = 6.0  # over the time of those fills
_DRIFT_SIGMAS: Final = 4.5
_DRIFT_SD: Final = 0.03  # percent a day, of sensors
_PART_SIGMAS: Final = 2.0
DOUBT_PCT: Final = 1.5  # standard deviation of a level that was put right


@dataclass
class Offset:
    """It reads high by `pct` (low where that is below 0) from reading `first` on, which reading `known` told, until reading `back`
    where it stepped back or was replaced."""

    first: int
    known: int
    pct: float
    drifts: bool = False
    back: int | None = None


@dataclass
class _Turn:
    """A rise or fall of the readings that no cycles explain, from reading `row` on: by how much, what the readings came to, and by how
    much of that the sensor was known to have stepped and drifted."""

    row: int
    change: float
    top: float
    stepped: float
    drifted: float
    stood: bool  # before it, for long enough to be filled

    @property
    def right(self) -> float:
        """What the readings came to, put right."""
        return self.top - self.stepped - self.drifted

    @property
    def fill(self) -> bool:
        """Whether it is a fill that tells what people fill up to: larger than a sensor steps. Who adds less each time tops up by amounts,
        to whatever height."""
        return self.change > _STEPS_PCT[1]

    @property
    def full(self) -> bool:
        """Whether it may be a fill up to the full mark."""
        return self.fill and self.top > _FULL_PCT


def put_right(
    reading: Floats, used: Floats, starts_anew: Sequence[bool], refitted: Sequence[bool], step_pct: Sequence[float],
    stops: Sequence[int], walk: Walk,
) -> tuple[Floats, list[Offset]]:  # fmt: skip
    """Readings (n,) with what they are off by taken out as it is known by each, and what they were off by. `used` is percent of the
    reservoir by the sheet up to each, `stops` how often it had stood by then."""
    day, unused = np.asarray(walk.at_us / DAY_US), (reading + used).tolist()
    learner = _Learner(day, stops)
    lists = starts_anew, refitted, step_pct, stops
    for j in walk.rows("offsets", (reading, used, *map(np.asarray, lists)), learner):
        if refitted[j]:
            learner.replaced(j)
        if starts_anew[j]:
            learner.first, learner.turn = j, None
        if step_pct[j] < _COARSE_PCT:
            learner.read(j, unused[j], unused, float(used[j]))
        learner.off_by.note(j, (learner.off, learner.drift, learner.drift_from))
    told = np.array(learner.off_by.values).reshape(-1, 3)[learner.off_by.places(len(reading))]
    off, drift, drift_from = told.T
    return np.asarray(reading - (off + drift * (day - drift_from))), learner.found


def turns_of(offsets: Sequence[Offset]) -> list[int]:
    """Readings from which on those put right lie otherwise than those before."""
    return [row for one in offsets for row in (one.known, one.back) if row is not None]


class _Learner(Stateful):
    GIVEN: ClassVar = frozenset(("day", "stops"))

    def __init__(self, day: Floats, stops: Sequence[int]) -> None:
        self.day, self.stops = day, stops
        self.found: list[Offset] = []
        self.turns: list[_Turn] = []
        self.first = 0  # reading of this stretch
        self.turn: tuple[int, float, float] | None = (
            None  # reading at which this stretch began with a turn, level before, what a turn is
        )
        self.off = 0.0
        self.drift, self.drift_from = 0.0, 0.0
        self.off_by: Runs[tuple[float, float, float]] = Runs()  # `off`, `drift` and `drift_from` with each reading

    def off_at(self, j: int) -> float:
        """What reading `j` is off by, as known by now."""
        return self.off + self.drift * float(self.day[j] - self.drift_from)

    def replaced(self, j: int) -> None:
        """Another sensor: nothing is known of it."""
        self._over(j)
        self.turns, self.off, self.drift = [], 0.0, 0.0

    def _back(self, j: int) -> None:
        self._over(j)
        self.off = self.drift = 0.0

    def read(self, j: int, value: float, unused: list[float], used: float) -> None:
        """Take a reading in."""
        if j - 1 - self.first >= _FEWEST:
            before = median(unused[max(self.first, j - 1 - _NEAR) : j - 1])
            least = max(min(value, unused[j - 1]) - before, before - max(value, unused[j - 1]))  # by which both lie off
            if least > _TURN_PCT and least > (limit := _turn_pct(unused[max(0, j - 1 - _NOISE_READINGS) : j - 1])):
                self.first, self.turn = j - 1, (j - 1, before, limit)
        if self.turn is not None and j - self.turn[0] == _NEAR - 1:
            row, before, limit = self.turn
            self.turn = None
            level, stood = median(unused[row : j + 1]), self.stops[row] > self.stops[row - 1]
            if abs(level - before) > limit:
                self._turned(_Turn(row, level - before, level - used, self.off, self.off_at(j) - self.off, stood), j)

    def _turned(self, turn: _Turn, j: int) -> None:
        if turn.change < 0 and self.off > 0 and abs(turn.change + self.off) < _BACK_PCT:
            self._back(j)  # what is no step would be a loss that stopped by itself
            return
        self.turns.append(turn)
        del self.turns[:-_MOST_TURNS]
        if turn.change < 0:
            return
        likelier, n = max(self._steps(), default=(0.0, -1))
        if likelier >= _SURE:
            self._stepped(n, j)
        elif turn.full and likelier < _MAYBE:  # a step may look like a drift at first
            self._drifts(j)

    def _steps(self) -> list[tuple[float, int]]:
        """(log likelihood that the sensor stepped rather than was filled or lost some, number of the turn) of each turn that may be
        one."""
        told = []
        big = [one.stood for one in self.turns if one.fill]
        moving = (len(big) - sum(big) + 0.5) / (len(big) + 1)  # of the fills: it did not seem to stand before
        unseen = max(0.0, math.log(_MOVING / moving))
        for n, turn in enumerate(self.turns):
            least, most = _STEPS_PCT
            before = [one.right for one in self.turns[:n] if one.full]
            after = [one.right for one in self.turns[n + 1 :] if one.fill]
            if least <= abs(turn.change) <= most and len(before) >= _FULL_BEFORE and len(after) >= _FULL_AFTER:
                full = _full(before)
                likelier = sum(_log(full, top - turn.change) - _log(full, top) for top in after)
                told.append((likelier + (0.0 if turn.stood else unseen), n))
        return told

    def _stepped(self, n: int, j: int) -> None:
        turn = self.turns.pop(n)
        for later in self.turns[n:]:
            later.stepped += turn.change
        self.off += turn.change
        if abs(self.off) < _BACK_PCT:
            self._back(j)
        else:
            self.found.append(Offset(turn.row, j, round(turn.change, 1)))

    def _drifts(self, j: int) -> None:
        """Whether full reservoirs read higher and higher."""
        full = [one for one in self.turns if one.full]
        day, top = self.day[[one.row for one in full]], np.array([one.top - one.stepped for one in full])
        if len(full) < _DRIFT_FILLS or np.ptp(day) < _DRIFT_DAYS:
            return
        known = next((one for one in self.found if one.drifts and one.back is None), None)
        slope, error = _slope(day, top)
        if known is None and not (slope > _DRIFT_SIGMAS * error and slope * np.ptp(day) > _DRIFT_PCT):
            return
        self.drift = max(slope, 0.0) / (1 + (error / _DRIFT_SD) ** 2)  # towards what is usual
        self.drift_from = float(day[0])
        if known is None:
            known = Offset(full[0].row, j, 0.0, drifts=True)
            self.found.append(known)
        known.pct = round(self.drift * float(self.day[j] - self.drift_from), 1)

    def _over(self, j: int) -> None:
        for one in self.found:
            one.back = j if one.back is None else one.back


def _turn_pct(unused: Sequence[float]) -> float:
    """By how much two readings have to lie off those before to be a turn: by more than slosh moves them."""
    if len(unused) < 2:
        return _TURN_PCT
    scatter = 1.4826 / math.sqrt(2) * median(abs(b - a) for a, b in pairwise(unused))
    return max(_TURN_PCT, _TURN_SIGMAS * scatter)


def _slope(day: Floats, top: Floats) -> tuple[float, float]:
    """(percent a day by which full reservoirs read higher, its standard error); fills of a part, which lie far below the others, left
    out."""
    kept = np.ones(len(day), bool)
    slope = 0.0
    for _ in range(3):
        slope, height = np.polyfit(day[kept], top[kept], 1)
        off = top - height - slope * day
        spread = math.sqrt((2 * _FULL_SD**2 + float(off[kept] @ off[kept])) / kept.sum())
        kept = off > -_PART_SIGMAS * spread
    return float(slope), spread / math.sqrt(float(((day[kept] - day[kept].mean()) ** 2).sum()))


def _full(tops: list[float]) -> NormalDist:
    """What a full reservoir reads here, by earlier ones."""
    mean = fmean(tops)
    squares = sum((top - mean) ** 2 for top in tops)
    variance = (2 * _FULL_SD**2 + squares) / (2 + len(tops) - 1)
    return NormalDist(mean, math.sqrt(variance * (1 + 1 / len(tops))))


def _log(full: NormalDist, top: float) -> float:
    """Log likelihood that a fill comes up to so much: mostly to full, else anywhere."""
    return math.log(_FULL_SHARE * full.pdf(top) + (1 - _FULL_SHARE) / 80)
