"""Counting what each gap between two cycles brought: cycles whose messages were lost, and cycles that never ran.

The timer counts ignition-on time and keeps its count over a stop, so between two cycles the hour meter must gain one
interval for each cycle that the counter gained. Where it gained more, cycles never ran; where the counter gained more
than the messages, they ran and their messages were lost.
"""

import math
from typing import Final, NamedTuple

import numpy as np

from analytics.vehicle.history import History
from ingest.arrays import Floats

# A gap shorter than this many intervals may hold an extra cycle by the test button; from here on a pump stood still.
LONG_GAP: Final = 2.5
TIMER_ERROR: Final = 0.02  # a timer is good to two percent (common practice, no source)


def registered_h(history: History) -> Floats:
    """The registered interval in force at each cycle, hours."""
    intervals = np.array([s.interval_min / 60 for s in history.setups])
    return np.asarray(intervals[history.setup_at(history.cycles.at_us)])


class Gap(NamedTuple):
    """From one cycle whose hours are sure to the next: indices of both, ignition hours, cycles that the counter gained,
    how many of them somebody is known to have started, whether the first was itself started so, and by how much the hours may
    be wrong."""

    first: int
    last: int
    hours: float
    ran: int
    manual: int
    after_manual: bool
    doubt_h: float


class GapCounter:
    """What is known of each gap so far, as lists over the cycles; `take` goes from cycle to cycle.

    `lost` messages of cycles that ran, `missed` cycles that never ran, `interval_h` the vehicle's own timer as known
    then, `expected` cycles the gap should have brought, `first` the cycle at which it begins.
    """

    def __init__(self, history: History) -> None:
        # Lists: a loop takes several times as long over the numbers of an array.
        c, n = history.cycles, len(history.cycles)
        self.at_us: list[int] = c.at_us.tolist()
        self.registered_h: list[float] = registered_h(history).tolist()
        self.interval_h = list(self.registered_h)
        self.lost, self.missed, self.expected, self.first = [0] * n, [0] * n, [0.0] * n, [-1] * n
        self.last = -1  # latest cycle of this boot whose hours are sure: gaps are counted from one such to the next
        self._hours, self._run_s = history.cycle_h.tolist(), history.run_s.tolist()
        self._cycle_no = c.cycle_no.tolist()
        # Whether another controller, or one whose counters began anew, tells of a cycle; whether another interval is
        # registered from it on.
        self.new_boot: list[bool] = np.r_[True, c.boot[1:] != c.boot[:-1]][:n].tolist()
        self.new_timer: list[bool] = np.r_[True, np.diff(self.registered_h) != 0][:n].tolist()
        self._pressed, self._sure = np.cumsum(c.manual == 1).tolist(), history.cycle_sure.tolist()
        self._step_h, self._doubt_h = history.meter_step_h, history.doubt_h
        self._doubts = history.cycle_doubts.tolist()
        self._phase = 0.0  # intervals that had passed at the latest sure cycle since the timer last started the pump
        self._perhaps = (
            0  # cycles since the timer was last seen for sure that may have been its own: nobody said otherwise
        )

    def __len__(self) -> int:
        return len(self.at_us)

    def forget_phase(self) -> None:
        """The timer is another one than was thought: nothing is known of where in its interval it stands."""
        self._phase = 0.0

    def take(self, i: int) -> Gap | None:
        """Count the gap that ends with a cycle; None where nothing can be said of it."""
        if self.new_boot[i]:
            self._phase, self._perhaps, self.last = 0.0, 0, i if self._sure[i] else -1
            return None
        ran = self._cycle_no[i] - self._cycle_no[i - 1]
        # The counter stood still, went back, or gained more than the pump can run: nothing can be said of this gap.
        if not 1 <= ran <= 5 + (self.at_us[i] - self.at_us[i - 1]) / 1e6 / self._run_s[i]:
            self._phase, self.last = 0.0, i if self._sure[i] else -1
            return None
        self.lost[i] = ran - 1
        if self.new_timer[i]:  # a gap in which the timer was set otherwise says nothing
            self._perhaps, self.last = 0, i if self._sure[i] else -1
            return None
        if not self._sure[i] or self.last < 0:
            if self._sure[i]:
                self._phase, self.last = 0.0, i
            return None
        last, self.last = self.last, i
        self.first[i] = last
        pressed = self._pressed
        gap = Gap(
            last,
            i,
            self._hours[i] - self._hours[last],
            self._cycle_no[i] - self._cycle_no[last],
            pressed[i] - pressed[last],
            pressed[last] > (pressed[last - 1] if last else 0),
            self._doubt_h if self._doubts[i] != self._doubts[last] else 0.0,
        )
        self.missed[i] = self._missed(gap)
        self.expected[i] = self.missed[i] + gap.ran
        return gap

    def _missed(self, gap: Gap) -> int:
        """How many cycles of a gap never ran."""
        interval, ran, manual = self.interval_h[gap.last], gap.ran, gap.manual
        if gap.doubt_h:  # only what no error of the hours explains never ran
            self._phase, self._perhaps = 0.0, 0
            surely: int = math.floor((gap.hours - gap.doubt_h) / interval)
            return max(0, surely - ran + manual)
        slack = 0.12 + self._step_h / interval
        x = self._phase + gap.hours / interval
        nearest: int = round(x)
        if not manual and abs(x - nearest) <= slack + 0.02 * x and nearest >= 1:
            self._phase, self._perhaps = 0.0, 0
            # Over hundreds of cycles that ran unheard, the timer's own tolerance is worth several.
            return nearest - ran if nearest - ran > TIMER_ERROR * x else 0
        missed = 0
        whole = math.floor(x + slack)
        by_timer = ran - max(manual, 1) if manual or x < ran + 0.5 or x > LONG_GAP else ran
        if manual or x > LONG_GAP + ran:
            missed = max(0, whole - by_timer)
        if missed and x <= LONG_GAP:
            missed, self._perhaps = max(0, missed - self._perhaps), max(0, self._perhaps - missed)
        elif not manual:
            self._perhaps += ran - by_timer
        self._phase = max(0.0, x - whole)
        return missed
