"""Episodes of missed cycles: between cycles, since the last one, and of controllers that have told of none yet."""

import math
from collections.abc import Iterator
from typing import ClassVar, Final, NamedTuple

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from analytics.findings import Episode
from analytics.settings import Settings
from analytics.vehicle.checkpoints import Stateful
from analytics.vehicle.gaps import Gap, GapCounter
from analytics.vehicle.history import History
from ingest.arrays import Floats, Ints, runs_of
from ingest.times import FOREVER_US, HOUR_US

_MEDIAN_OF: Final = 5  # level readings: grease does not lie flat
_FELL_PCT: Final = 5.0  # no noise of a level


class MissedEpisodes(Stateful):
    """Where enough of the latest cycles that should have been never ran, and until when."""

    GIVEN: ClassVar = frozenset(("_counter", "_history", "_settings"))

    def __init__(self, counter: GapCounter, history: History, settings: Settings) -> None:
        self.ended: list[Episode] = []
        self.trouble: Episode | None = None
        self._counter, self._history, self._settings = counter, history, settings
        self._window: list[int] = []  # cycles that end the latest gaps
        self._seen = 0.0  # expected cycles in the window
        self._good = 0  # cycles in a row before which none was missed, since the trouble began

    def restart(self) -> None:
        """The gaps before say nothing of those to come."""
        self._window, self._seen = [], 0.0

    def recount(self, first: int, last: int) -> None:
        """What looked like missed cycles between two cycles was another setting of the timer."""
        self._counter.missed[first + 1 : last + 1] = [0] * (last - first)
        self._counter.forget_phase()
        self.restart()
        if self.trouble is not None and self.trouble.began_us >= self._counter.at_us[first]:
            self.trouble = None

    def withdraw(self, first: int, last: int) -> None:
        """What looked like missed cycles between two cycles was no clock."""
        self.recount(first, last)
        self.ended = [one for one in self.ended if one.began_us < self._counter.at_us[first]]

    def take(self, gap: Gap) -> None:
        """Judge by a gap that was counted, and by those before it."""
        missed, expected, i = self._counter.missed, self._counter.expected, gap.last
        self._window.append(i)
        self._seen += expected[i]
        while len(self._window) > 1 and self._seen - expected[self._window[0]] >= self._settings.missed_window:
            self._seen -= expected[self._window.pop(0)]
        if self.trouble is not None:
            self._go_on(gap)
        elif missed[i] and sum(missed[k] for k in self._window) >= self._settings.missed_needed:
            self.trouble = self._begun(gap)
            self._good = 0

    def _begun(self, gap: Gap) -> Episode:
        counter, history = self._counter, self._history
        i, interval_h = gap.last, counter.interval_h[gap.last]
        first = next(k for k in self._window if counter.missed[k])
        before = counter.first[first]
        until_due_us, told_us = _until_due(history, before, counter.interval_h[first])
        self.looked_us = max(self.looked_us, told_us)
        due_us = counter.at_us[before] + until_due_us
        early_us = _open_gap_certain(history, gap.first, gap.first, interval_h, self._settings)
        detected_us = counter.at_us[i] if early_us is None else min(early_us, counter.at_us[i])
        evidence = _counts(sum(counter.missed[first : i + 1]), sum(counter.expected[first : i + 1]))
        return Episode("missed_cycles", None, due_us, detected_us, evidence=evidence)

    def _go_on(self, gap: Gap) -> None:
        assert self.trouble is not None
        missed, expected, i = self._counter.missed, self._counter.expected, gap.last
        counted, of = self.trouble.evidence["missed"] or 0.0, self.trouble.evidence["expected"] or 1.0
        self.trouble.evidence = _counts(counted + missed[i], of + expected[i])
        self._good = 0 if missed[i] else self._good + gap.ran
        # It is over once so many cycles in a row would be a rare chance if it went on as before.
        share = min(0.97, max(0.1, counted / max(of + expected[i] - self._good, 1.0)))
        if self._good >= max(5.0, math.log(0.01) / math.log(1 - share)):
            self.trouble.ended_us = self._counter.at_us[max(k for k in range(i + 1) if missed[k])]
            self.ended.append(self.trouble)
            self.trouble = None
            self.restart()

    def since_last_cycle(self, interval_h: float) -> int:
        """Cycles missed since the last one, as the hour meter in other messages shows."""
        history, cycle = self._history, len(self._counter.at_us) - 1
        latest = int(self._counter.gaps.latest[cycle])
        if latest < 0:
            return 0
        missed, certain_us = _since_last_cycle(history, latest, interval_h, self._settings)
        if missed >= self._settings.missed_needed:
            if self.trouble is None:
                due_us = self._counter.at_us[-1] + _until_due(history, cycle, interval_h)[0]
                self.trouble = Episode("missed_cycles", None, due_us, certain_us, evidence=_counts(0.0, 0.0))
            self.trouble.evidence = {name: (value or 0.0) + missed for name, value in self.trouble.evidence.items()}
        return missed


def _counts(missed: float, expected: float) -> dict[str, float | None]:
    return {"missed": missed, "expected": expected}


def _until_due(history: History, cycle: int, interval_h: float) -> tuple[int, int]:
    """(microseconds from a cycle to the time at which the next was due, when that was told): by the hour meter in other messages,
    none of which tells it yet at the end of time."""
    start_us = int(history.cycles.at_us[cycle])
    later = np.searchsorted(history.heard_us, start_us, "right")
    due = np.searchsorted(history.heard_h[later:], history.cycle_h[cycle] + interval_h) + later
    if due >= len(history.heard_us):
        return int(interval_h * HOUR_US), FOREVER_US
    before, after = due - 1, due
    gained = history.heard_h[after] - history.heard_h[before]
    part = 1.0 if gained <= 0 else (history.cycle_h[cycle] + interval_h - history.heard_h[before]) / gained
    at = history.heard_us[before] + part * (history.heard_us[after] - history.heard_us[before])
    return max(0, int(at) - start_us), int(history.heard_us[after])


def _open_gap_certain(history: History, anchor: int, cycle: int, interval_h: float, settings: Settings) -> int | None:
    """The first message after a cycle whose hour meter shows that enough cycles never came; None where none does.

    `anchor` is the latest cycle up to it whose hours are sure. Half an interval more is asked for than for a closed gap.
    """
    later, hours, unheard = _since(history, anchor, cycle, interval_h)
    needed = interval_h * (settings.missed_needed + 0.6 + unheard) + history.meter_step_h
    same = history.heard_boot[later] == history.cycles.boot[cycle]
    found = np.flatnonzero((hours >= needed) & history.heard_sure[later] & same)
    return int(history.heard_us[later][found[0]]) if len(found) else None


def _since(history: History, anchor: int, cycle: int, interval_h: float) -> tuple[slice, Floats, Ints]:
    """(messages after a cycle, ignition hours since it, numbers that have not come by then): each of those may be a cycle's."""
    c = history.cycles
    later = slice(int(np.searchsorted(history.heard_us, c.at_us[cycle], "right")), None)
    seq, same = history.heard_seq[later], history.heard_boot[later] == c.boot[cycle]
    ran = int(c.cycle_no[cycle] - c.cycle_no[anchor])
    hours = history.heard_h[later] - float(history.cycle_h[anchor]) - ran * interval_h
    hours -= np.where(history.heard_doubts[later] > history.cycle_doubts[anchor], history.doubt_h, 0.0)
    newer = same & (seq > c.seq[cycle])
    highest = np.maximum.accumulate(np.where(same, np.maximum(seq, c.seq[cycle]), c.seq[cycle]))
    return later, hours, highest - c.seq[cycle] - np.cumsum(newer)


def _since_last_cycle(history: History, anchor: int, interval_h: float, settings: Settings) -> tuple[int, int]:
    """(cycles missed since the last one, when that was certain) by the hour meter of other messages."""
    cycle = len(history.cycles) - 1
    at = _open_gap_certain(history, anchor, cycle, interval_h, settings)
    if at is None:
        return 0, 0
    later, hours, unheard = _since(history, anchor, cycle, interval_h)
    sure = history.heard_sure[later] & (history.heard_boot[later] == history.cycles.boot[cycle])
    # What was missed by some moment stays missed, whatever is not heard after it.
    return int(np.max((hours[sure] - history.meter_step_h) // interval_h - unheard[sure], initial=0)), at


class Idle(NamedTuple):
    """A controller that ran while no cycle did: the episode, how many never ran, and the next cycle there was, if any."""

    episode: Episode
    missed: int
    cycle: int | None


def idle_controllers(history: History, interval_h: list[float], settings: Settings) -> Iterator[Idle]:
    """Controllers that began anew, or for the first time, and told of no cycle for longer than their timer allows.

    `interval_h` is the timer's own as known at each cycle. Nothing but the messages of that boot tells.
    """
    boot = history.heard_boot
    if not len(boot) or runs_unheard(history):
        return
    begins = runs_of(boot)
    cycle_boot = history.cycles.boot
    firsts = {str(cycle_boot[row]): row for row in reversed(runs_of(cycle_boot).tolist())}
    for first, end in zip(begins.tolist(), [*begins[1:].tolist(), len(boot)], strict=True):
        idle = _idle(history, first, end, firsts.get(str(boot[first])), interval_h, settings)
        if idle is not None:
            yield idle


def runs_unheard(history: History) -> bool:
    """Whether the level of a controller that never told of a cycle falls as if the pump ran all the same, at half of the sheet's pace at
    least: then nobody knows whether cycles were missed."""
    setup, levels = history.setup, history.levels
    read = np.flatnonzero(np.isfinite(levels.level_pct))
    if len(history.cycles) or setup.level != "percent" or len(read) < 2 * _MEDIAN_OF:
        return False
    middle = np.median(sliding_window_view(levels.level_pct[read], _MEDIAN_OF), axis=1)
    top = int(np.argmax(middle))
    fell_pct = float(middle[top] - middle[-1])
    first_h, last_h = np.interp(
        levels.at_us[read[[top + _MEDIAN_OF // 2, -1 - _MEDIAN_OF // 2]]], history.heard_us, history.heard_h
    )
    by_sheet = (last_h - first_h) / (setup.interval_min / 60) * setup.dose_cm3 / (10 * setup.reservoir_l)
    return bool(fell_pct >= max(_FELL_PCT, by_sheet / 2))


def _idle(
    history: History, first: int, end: int, cycle: int | None, own_h: list[float], settings: Settings
) -> Idle | None:
    """The same of one run of messages of one boot, `first` up to `end`, whose first cycle is `cycle`."""
    c, us = history.cycles, history.heard_us
    if cycle is not None:
        end = min(end, int(np.searchsorted(us, c.at_us[cycle])))
    before = int(np.searchsorted(c.at_us, us[first]))
    sheets = [history.setup_of(int(us[row])).interval_min / 60 for row in (first, max(first, end - 1))]
    interval_h = max(own_h[before - 1 : before] + sheets)
    hours, seq, sure = history.heard_h[first:end], history.heard_seq[first:end], history.heard_sure[first:end]
    if not sure.any():
        return None
    start, doubts = int(np.argmax(sure)), history.heard_doubts[first:end]
    hours = np.maximum(hours - hours[start] - np.where(doubts > doubts[start], history.doubt_h, 0.0), 0.0)
    if hours[-1] < interval_h * settings.missed_needed:
        return None
    unheard = np.maximum(np.maximum.accumulate(seq) - seq[0] - np.arange(len(seq)), 0)
    found = np.flatnonzero(
        sure & (hours >= interval_h * (settings.missed_needed + 0.6 + unheard) + history.meter_step_h)
    )
    if not len(found):
        return None
    detected = int(us[first + found[0]])
    due = int(us[first + int(np.searchsorted(hours, interval_h))])
    count = int(np.max((hours[sure] - history.meter_step_h) // interval_h - unheard[sure]))
    last = end == len(us)
    over = None if last and cycle is None else int(us[end] if cycle is None else c.at_us[cycle])
    if over is not None and cycle is None:  # another controller came before any cycle: theirs ends the count
        later = int(np.searchsorted(c.at_us, over))
        cycle = later if later < len(c) else None
    return Idle(Episode("missed_cycles", None, min(due, detected), detected, over, _counts(count, count)), count, cycle)
