"""The level against the low mark and the full mark, by readings, by counting cycles, and by a switch at the low mark."""

import math
from typing import ClassVar, Final

import numpy as np

from analytics.findings import Episode
from analytics.settings import Settings
from analytics.vehicle.checkpoints import Stateful
from analytics.vehicle.history import History
from analytics.vehicle.level.readings import STOOD_H, SheetUse
from analytics.vehicle.level.reservoir import BEND_PCT
from analytics.vehicle.level.segments import Segment
from ingest.times import HOUR_US

_SURE_PCT: Final = 0.25  # below the mark
_UNSEEN_FILL_PCT: Final = 4.0  # by counting cycles alone, a level must lie so far below the mark after a stop
_SWITCH_US: Final = 1_200_000_000  # twenty minutes: a switch that closes for less was wetted by slosh
_LOOKED_BACK: Final = 10  # readings after a fill that tell how full it was then


class Marks(Stateful):
    """Low level and overfill, noted as readings and cycles come."""

    GIVEN: ClassVar = frozenset(("history", "settings", "total", "low_mark", "highest", "stood", "stops"))

    def __init__(self, history: History, use: SheetUse, settings: Settings, ended: list[Episode]) -> None:
        self.history, self.settings, self.ended, self.total = history, settings, ended, use.total
        self.low: Episode | None = None
        self.over: Episode | None = None
        self.low_mark = history.said("low_mark_pct", history.cycles.at_us)
        self.highest = max(self.low_mark.tolist(), default=-math.inf) - _SURE_PCT  # at which any mark is near
        at_us = history.cycles.at_us
        gap_us = np.diff(at_us, prepend=at_us[:1])
        stood_h = gap_us / HOUR_US - np.diff(history.cycle_h, prepend=history.cycle_h[:1])
        self.stood = stood_h > STOOD_H  # before each cycle, for long enough that somebody may have filled it
        self.stops: list[int] = [0, *np.cumsum(self.stood).tolist()]
        self._stood_since_reading = False
        self._overfilled_us: int | None = None  # when the segment began that was overfilled last

    def read(self) -> None:
        """A reading was taken in: who filled before it is seen."""
        self._stood_since_reading = False

    def end(self, at_us: int) -> None:
        """What a sensor told of ends for everybody when it is there no more."""
        for episode in (self.low, self.over):
            if episode is not None:
                episode.ended_us = max(at_us, episode.detected_us)
                self.ended.append(episode)
        self.low = self.over = None

    def restore(self, low: Episode | None, over: Episode | None) -> None:
        """Go back to what stood before a fill that was none."""
        self.low, self.over = low, over
        if low is not None and low in self.ended:
            self.ended.remove(low)
            low.ended_us = None

    def count_down(
        self, segment: Segment, dose_ratio: float, unused: float, cycles: tuple[int, int], pending: bool
    ) -> None:
        """Judge the level after each of the cycles from the first up to the last, which would be `unused` before anything was."""
        first, last = cycles
        stood, stopped = self._stood_since_reading, self._stood_since_reading or self.stops[last] > self.stops[first]
        self._stood_since_reading = stopped
        if self.low is None and self.over is None and unused - dose_ratio * self.total[last - 1] > self.highest:
            return  # no mark is near, since use only grows
        level, highest = unused - dose_ratio * self.total[first:last], self.low_mark[first:last] - _SURE_PCT
        if self.low is None and self.over is None and (level > highest).all():
            return
        # After a stop somebody may have filled it: until a reading tells, only a level well below counts.
        sure = highest.copy()
        if stopped:
            sure[0 if stood else int(np.argmax(self.stood[first:last])) :] -= _UNSEEN_FILL_PCT
        turns = {0, last - first - 1, int(np.argmax(level <= sure)), int(np.argmax(level <= 100))}
        for k in sorted(turns):
            at_us = int(self.history.cycles.at_us[first + k])
            at, support = segment.level(float(self.total[first + k]), dose_ratio)
            if support:
                self._judge_low(at_us, at, support, float(sure[k]), segment, pending)
                self._judge_full(at_us, at)

    def at_reading(
        self, segment: Segment, now_us: int, used: float, dose_ratio: float, noise_pct: float, pending: bool
    ) -> None:
        """Judge the level at a reading that was taken in."""
        level, support = segment.level(used, dose_ratio)
        if not support:
            return
        sure = self.history.setup_of(now_us).low_mark_pct - _SURE_PCT
        self._judge_low(now_us, level, support, sure, segment, pending)
        if self.over is not None:
            self._judge_full(now_us, level)
        elif support >= 2 and level > 100 + self._doubt(noise_pct, support):
            self._overfilled(segment, now_us, level)
        elif len(segment.reading) <= _LOOKED_BACK:
            self._look_back(segment, now_us, dose_ratio, noise_pct)

    def _doubt(self, noise_pct: float, readings: int) -> float:
        return max(self.settings.overfill_margin_pct, 2 * 1.1 * noise_pct / math.sqrt(readings))

    def _overfilled(self, segment: Segment, now_us: int, level: float) -> None:
        self._overfilled_us = segment.start_us
        self.over = Episode("overfill", None, max(segment.start_us, segment.at_us[0]), now_us)
        self.over.evidence = {"level_pct": round(level, 1)}

    def _look_back(self, segment: Segment, now_us: int, dose_ratio: float, noise_pct: float) -> None:
        """A fill above the full mark may be used up to it before readings are enough to be sure; then later ones still tell."""
        level, number = segment.level_at_start(segment.used[0], dose_ratio)
        doubt_pct = 2 * math.hypot(1.1 * noise_pct / math.sqrt(max(number, 1)), BEND_PCT)
        if segment.start_us == self._overfilled_us or number < 2 or level <= 100 + doubt_pct:
            return
        self._overfilled(segment, now_us, level)
        at_full = int(np.searchsorted(self.total, segment.used[0] + (level - 100) / dose_ratio))
        if at_full < len(self.total) and self.history.cycles.at_us[at_full] <= now_us:
            self._judge_full(int(self.history.cycles.at_us[at_full]), 100.0)

    def _judge_low(self, now_us: int, level: float, support: int, sure: float, segment: Segment, pending: bool) -> None:
        mark = self.history.setup_of(now_us).low_mark_pct
        if self.low is None and level <= sure and support >= 2 and not pending:
            self.low = Episode("low_level", None, now_us, now_us)
        elif self.low is not None and level >= mark + self.settings.low_hysteresis_pct:
            self.end_low(segment, now_us, level)
        if self.low is not None:
            self.low.evidence = {"level_pct": round(max(level, 0.0), 1)}

    def _judge_full(self, now_us: int, level: float) -> None:
        if self.over is not None and level <= 100:
            self.over.ended_us = now_us
            self.ended.append(self.over)
            self.over = None

    def end_low(self, segment: Segment, now_us: int, level: float) -> None:
        """A fill that ends above the low mark ends it."""
        if self.low is None or not level > self.history.setup_of(now_us).low_mark_pct:
            return
        # Where it was filled before the count of cycles had come down to the mark, it never was low.
        if segment.start_us > self.low.began_us:
            self.low.ended_us = min(now_us, max(segment.start_us, self.low.detected_us))
            self.ended.append(self.low)
        self.low = None


def by_switch(history: History) -> list[Episode]:
    """Low level where there is only a switch at the mark: once it has stayed closed for a while."""
    faults = history.faults
    found: list[Episode] = []
    since: int | None = None
    for i in range(len(faults) + 1):
        over = i == len(faults)
        if not over and (faults.code[i] != "level_low" or history.setup_of(int(faults.at_us[i])).level != "switch"):
            continue
        now = history.as_of_us if over else int(faults.at_us[i])
        off_us = None if since is None else _taken_off(history, since, now)
        if since is not None and off_us is not None:
            if (low := _closed(history, since, off_us, off_us)) is not None:
                found.append(low)
            since = None
        if since is not None and (over or faults.active[i] == 0):
            if (low := _closed(history, since, now, None if over else now)) is not None:
                found.append(low)
            since = None
        elif not over and faults.active[i] == 1 and since is None:
            since = now
    return found


def _taken_off(history: History, since_us: int, until_us: int) -> int | None:
    """When between two times a set-up without the switch came into force."""
    setups = (s for s in history.setups if s.valid_from_us is not None and since_us < s.valid_from_us <= until_us)
    return next((s.valid_from_us for s in setups if s.level != "switch"), None)


def _closed(history: History, since_us: int, until_us: int, ended_us: int | None) -> Episode | None:
    """Low level while a switch was closed between two times, if it was for long enough."""
    heard = history.heard_us
    later = heard[(heard >= since_us + _SWITCH_US) & (heard <= until_us)]
    if not len(later):
        return None
    evidence: dict[str, float | None] = {"level_pct": history.setup_of(since_us).low_mark_pct, "by_switch": 1}
    return Episode("low_level", None, since_us, int(later[0]), ended_us, evidence)
