"""The timer's own settings, its interval from gaps between cycles and its run time, and where they are not as registered."""

import math
from collections.abc import Sequence
from functools import reduce
from operator import add
from typing import Any, ClassVar, Final

import numpy as np

from analytics.findings import Episode
from analytics.settings import Settings
from analytics.vehicle.checkpoints import Stateful
from analytics.vehicle.gaps import TIMER_ERROR, Gap, GapCounter
from analytics.vehicle.history import History
from ingest.arrays import Floats, Ints

_NEW_SETTING: Final = 0.04  # by which a timer's interval differs when somebody has changed it
_CUT_OFF: Final = 24  # short runs in a row that no intermittent fault brings about
_TIMER_SCATTER: Final = 0.04  # within which intervals are alike: a timer is good to two percent either way
# What counts strokes or turns starts cycles at any time: of the latest gaps of what never was a clock, from so many on, fewer than this
# share are whole numbers of any of them, within a part of it.
_LATEST_GAPS: Final = 24
_LEAST_GAPS: Final = 12
_BY_A_CLOCK: Final = 0.7
_WHOLE: Final = 0.12
_FEW: Final = 4.0  # times over which a timer's tolerance adds up; over more it would let anything be whole
_SCATTER: Final = 1.4  # times how gaps differ: four standard deviations of the mean of seven that scatter so
_COARSE: Final = 0.1  # of a gap: larger steps of the hour meter tell nothing of it


class TimerEstimate(Stateful):
    """The timer's own interval over the registered one (`factor`), as the latest regular gaps show it."""

    GIVEN: ClassVar = frozenset(("_counter", "_step_h", "_settings", "_hours", "_begins", "_number", "_anew"))

    def __init__(self, counter: GapCounter, step_h: float, settings: Settings) -> None:
        self.factor = 1.0
        self.ended: list[Episode] = []
        self.mismatch: Episode | None = None
        self._counter, self._step_h, self._settings = counter, step_h, settings
        gaps, regular = counter.gaps, counter.gaps.regular
        self._hours: list[float] = (gaps.hours[regular] / gaps.ran[regular]).tolist()  # per cycle of regular gaps
        self._begins: list[int] = gaps.first[regular].tolist()
        self._number: list[int] = np.cumsum(regular).tolist()  # of regular gaps up to each cycle
        anew = np.where(gaps.new_timer, self._number, 0)
        self._anew: list[int] = np.maximum.accumulate(anew).tolist()  # the one with which each cycle's timer begins
        self._since = 0  # regular gap from which on they tell of the timer as it is
        self._told, self._since_told = 0.0, 0  # by how much the evidence says it differs, and gaps since it said so
        self.is_clock: bool | None = None  # whether a clock starts the cycles, None: nothing tells yet
        self._told_by: list[int] = []  # how many of the latest regular gaps told the factor after each cycle, 0: none

    def restart(self, i: int) -> None:
        """Another interval is registered from this cycle on: what was learned of the one before says nothing."""
        self.factor, self._since = 1.0, self._number[i]
        self.is_clock = None
        self._end(self._counter.at_us[i])

    def go_on(self, state: dict[str, Any]) -> None:
        """Go on from what was put down; what the interval was known to be at each cycle follows from which gaps told it."""
        super().go_on(state)
        counter, hours, up_to = self._counter, np.array(self._hours), np.array(self._number)
        factor, told_by = np.full(len(counter.at_us) + 1, np.nan), np.array(self._told_by, np.int64)
        for number in np.unique(told_by[told_by > 0]).tolist():
            told = np.flatnonzero(told_by == number)
            mean = _mean([hours[up_to[told] - back] for back in range(number, 0, -1)])
            factor[told + 1] = mean / counter.gaps.registered_h[told]
        factor[:-1][counter.gaps.new_timer] = 1.0
        since = np.maximum.accumulate(np.where(np.isnan(factor), 0, np.arange(len(factor))))[:-1]
        counter.interval_h = (factor[since] * counter.gaps.registered_h).tolist()

    def take(self, gap: Gap) -> int | None:
        """Learn from a gap. The cycle from which the timer is found to be set otherwise than was known; None where it is not."""
        number = self._number[gap.last]
        if gap.manual and self._counter.missed[gap.last]:  # a standstill that ended by the test button
            self._since = number
        interval, registered = self._counter.interval_h[gap.last], self._counter.registered_h[gap.last]
        needed = max(self._settings.timer_gaps, math.ceil(self._step_h / (0.02 * interval)))
        self._since = max(self._since, number - 2 * needed)
        mean = self._regular(number, needed)
        if mean is None:
            if not self.is_clock:
                self.is_clock = self._by_a_clock(self._hours[max(self._anew[gap.last], number - _LATEST_GAPS) : number])
            return None
        self.is_clock = True
        scatter = self._counter.scatter(gap.last)
        off, limit = abs(mean / registered - 1), self._settings.timer_mismatch + _SCATTER * scatter
        if scatter and self.mismatch is None and off < limit:
            return None
        self._told_by += [0] * (gap.last - len(self._told_by)) + [needed]
        first = self._begins[number - needed]
        self.factor = mean / registered
        is_new = abs(mean / interval - 1) > _NEW_SETTING
        if off < limit:
            if self.mismatch is not None and off < 0.75 * limit:
                self._end(self._counter.at_us[first])
                return first if is_new else None
            return None
        is_new = is_new or self.mismatch is None
        if self.mismatch is None:
            self.mismatch = Episode("timer_mismatch", None, self._counter.at_us[first], self._counter.at_us[gap.last])
            self._told = 0.0
        # While the timer goes back the latest gaps are of both settings: what was told before stands.
        self._since_told += 1
        if off >= 0.9 * self._told or self._since_told >= 2 * needed:
            self._told, self._since_told = off, 0
            self.mismatch.evidence = {"interval_min": round(mean * 60, 2), "registered_min": round(registered * 60, 2)}
        return first if is_new else None

    def begun(self, cycle: int) -> int:
        """The cycle with which the timer of a cycle, or what there is in its place, began."""
        return self._begins[self._anew[cycle]]

    def longest_h(self) -> float:
        """Hours of the longest of the latest gaps of what is no clock, 0 where it is one."""
        return 0.0 if self.is_clock is not False else max(self._hours[-_LATEST_GAPS:])

    def _by_a_clock(self, hours: Sequence[float]) -> bool | None:
        """Whether the latest gaps look as if a clock had made them, None where that cannot be told."""
        latest = np.array(hours)
        if len(latest) < _LEAST_GAPS:
            return None
        # Each may be the clock's own interval, the others a few times as long.
        interval = latest[latest >= self._step_h / _COARSE]
        if len(interval) < len(latest) / 2:
            return None
        times = latest / interval[:, None]
        off = np.abs(times - np.round(times)) - self._step_h / interval[:, None]
        whole = (times > 0.5) & (off <= _WHOLE + TIMER_ERROR * np.minimum(times, _FEW))
        return None if whole.mean(axis=1).max() >= _BY_A_CLOCK else False

    def _regular(self, last: int, needed: int) -> float | None:
        """Hours per cycle of the latest gaps, None where they are too few or not alike."""
        if last - self._since < needed:
            return None
        latest = self._hours[last - needed : last]
        mean: float = _mean(latest)
        spread = max(max(latest) - mean, mean - min(latest))
        # Hours that stand still say nothing of a timer.
        regular = mean > 1.5 * self._step_h and spread <= self._step_h + _TIMER_SCATTER * mean
        return mean if regular else None

    def _end(self, at_us: int) -> None:
        if self.mismatch is not None:
            self.mismatch.ended_us = at_us
            self.ended.append(self.mismatch)
            self.mismatch = None


def _mean(values: Sequence[Any]) -> Any:
    """Of numbers, or of arrays of them: added one after the other, so that both come to the same to the bit."""
    return reduce(add, values) / len(values)


def run_time_mismatches(history: History, settings: Settings) -> list[Episode]:
    """Where cycles run for another time than the registered one, all alike.

    A run below `short_run` is mostly one that was cut off; it is the timer's setting only where it never comes and goes.
    """
    c, registered_s = history.cycles, history.run_s
    timed = np.flatnonzero(~(c.manual == 1))
    ratio: list[float] = (c.run_s[timed] / registered_s[timed]).tolist()
    at_us: list[int] = c.at_us[timed].tolist()
    new_sheet = np.r_[False, np.diff(registered_s[timed]) != 0][: len(timed)]
    begins = np.maximum.accumulate(
        np.where(new_sheet, np.arange(len(timed)), 0)
    )  # since when the same run time is registered
    means = _all_alike(np.array(ratio), begins, settings.timer_gaps)
    episodes: list[Episode] = []
    current: Episode | None = None
    off_sheet = np.flatnonzero(
        np.abs(means - 1) >= settings.timer_mismatch
    )  # before the first of these there is nothing
    for i in range(int(off_sheet[0]) if len(off_sheet) else len(ratio), len(ratio)):
        begin, alike = int(begins[i]), float(means[i])
        if new_sheet[i] and current is not None:
            current.ended_us = at_us[i]
            current = None
        if math.isnan(alike):
            continue
        off, first = abs(alike - 1), i - settings.timer_gaps + 1
        if current is not None and off < 0.75 * settings.timer_mismatch:
            current.ended_us = at_us[first]
            current = None
        elif off >= settings.timer_mismatch:
            if alike < settings.short_run:
                first = i - _CUT_OFF + 1
                if _alike(ratio, begin, i, _CUT_OFF) is None:
                    continue
            if current is None:
                current = Episode("timer_mismatch", None, at_us[first], at_us[i])
                episodes.append(current)
            registered = float(registered_s[timed[i]])
            current.evidence = {"run_s": round(alike * registered, 1), "registered_run_s": registered}
    return episodes


def _all_alike(values: Floats, begins: Ints, number: int) -> Floats:
    """(n,) `_alike` at each place, NaN where it is None."""
    means = np.full(len(values), np.nan)
    if len(values) >= number:
        latest = [values[k : len(values) - number + 1 + k] for k in range(number)]
        mean = _mean(latest)
        same = reduce(np.maximum, latest) - reduce(np.minimum, latest) <= 2 * _TIMER_SCATTER * mean
        inside = np.arange(len(mean)) >= begins[number - 1 :]
        means[number - 1 :] = np.where(same & inside, mean, np.nan)
    return means


def _alike(values: list[float], begin: int, last: int, number: int) -> float | None:
    """The mean of the latest values, None where they are too few or not alike."""
    if last - number + 1 < begin:
        return None
    latest = values[last - number + 1 : last + 1]
    mean: float = _mean(latest)
    return mean if max(latest) - min(latest) <= 2 * _TIMER_SCATTER * mean else None
