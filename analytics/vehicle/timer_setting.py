"""The timer's own interval, from gaps between cycles, and where it is another one than the registered."""

import math
from typing import Final

from analytics.findings import Stretch
from analytics.settings import Settings
from analytics.vehicle.gaps import Gap, GapCounter

_NEW_SETTING: Final = 0.04  # by which a timer's interval differs when somebody has changed it
_TIMER_SCATTER: Final = 0.04  # within which intervals are alike: a timer is good to two percent either way


class TimerEstimate:
    """The timer's own interval over the registered one (`factor`), as the latest regular gaps show it."""

    def __init__(self, counter: GapCounter, step_h: float, settings: Settings) -> None:
        self.factor = 1.0
        self.ended: list[Stretch] = []
        self.mismatch: Stretch | None = None
        self._counter, self._step_h, self._settings = counter, step_h, settings
        self._gaps: list[tuple[float, int]] = []  # hours per cycle of the latest regular gaps, and where they begin

    def restart(self, i: int) -> None:
        """Another interval is registered from this cycle on: what was learned of the one before says nothing."""
        self.factor, self._gaps = 1.0, []
        self._end(self._counter.at_us[i])

    def take(self, gap: Gap) -> int | None:
        """Learn from a gap. The cycle from which the timer is found to be set otherwise than was known; None where it is not."""
        if gap.manual and self._counter.missed[gap.last]:  # a standstill that ended by the test button
            self._gaps = []
        elif not gap.manual and not gap.after_manual:
            self._gaps.append((gap.hours / gap.ran, gap.first))
        interval, registered = self._counter.interval_h[gap.last], self._counter.registered_h[gap.last]
        needed = max(self._settings.timer_gaps, math.ceil(self._step_h / (0.02 * interval)))
        if len(self._gaps) > 2 * needed:
            del self._gaps[: -2 * needed]
        mean = self._regular(needed)
        if mean is None:
            return None
        off = abs(mean / registered - 1)
        first = self._gaps[-needed][1]
        if off < self._settings.timer_mismatch:
            self.factor = mean / registered
            if off < 0.75 * self._settings.timer_mismatch:
                self._end(self._counter.at_us[first])
            return None
        is_new = self.mismatch is None or abs(mean / interval - 1) > _NEW_SETTING
        self.factor = mean / registered
        if self.mismatch is None:
            self.mismatch = Stretch("timer_mismatch", None, self._counter.at_us[first], self._counter.at_us[gap.last])
        self.mismatch.evidence = {"interval_min": round(mean * 60, 2), "registered_min": round(registered * 60, 2)}
        return first if is_new else None

    def _regular(self, needed: int) -> float | None:
        """Hours per cycle of the latest gaps, None where they are too few or not alike."""
        if len(self._gaps) < needed:
            return None
        latest = [hours for hours, _ in self._gaps[-needed:]]
        mean = sum(latest) / needed
        spread = max(max(latest) - mean, mean - min(latest))
        # Hours that stand still say nothing of a timer.
        regular = mean > 1.5 * self._step_h and spread <= self._step_h + _TIMER_SCATTER * mean
        return mean if regular else None

    def _end(self, at_us: int) -> None:
        if self.mismatch is not None:
            self.mismatch.ended_us = at_us
            self.ended.append(self.mismatch)
            self.mismatch = None
