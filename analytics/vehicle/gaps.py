"""Counting what each gap between two cycles brought: cycles whose messages were lost, and cycles that never ran.

The timer counts ignition-on time and keeps its count over a stop, so between two cycles the hour meter must gain one
interval for each cycle that the counter gained. Where it gained more, cycles never ran; where the counter gained more
than the messages, they ran and their messages were lost.
"""

import math
from dataclasses import dataclass
from typing import Any, ClassVar, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from analytics.vehicle.checkpoints import Stateful
from analytics.vehicle.history import History
from ingest.arrays import Floats, Ints

# A gap shorter than this many intervals may hold an extra cycle by the test button; from here on a pump stood still.
LONG_GAP: Final = 2.5
# Of cycles between two that were heard: no timer starts a pump more often than each second, and none runs for years unheard.
_SHORTEST_RUN_S: Final = 1.0
_MOST_UNHEARD: Final = 1_000_000
TIMER_ERROR: Final = 0.02  # a timer is good to two percent (common practice, no source)
_SCATTER_GAPS: Final = 5, 40  # the fewest that tell how much they scatter, and over how many it is learned
_SOUND_SCATTER: Final = 0.03  # of an interval, by which gaps of a sound timer differ from each other
# Times what is beyond: 2.5 standard deviations of how single gaps scatter about as much as usual.
_SCATTER_SLACK: Final = 1.5


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


@dataclass(frozen=True)
class Gaps:
    """What messages alone say of the gap that ends with each cycle, arrays (cycles,); what a `Gap` has is 0 where there is none.

    `first` is the cycle at which a gap begins, -1 where nothing can be said of one; `lost` are messages of cycles that ran.
    """

    registered_h: Floats
    new_boot: NDArray[np.bool_]  # another controller, or one whose counters began anew, tells of the cycle
    new_timer: NDArray[np.bool_]  # another interval is registered from it on
    broken: NDArray[np.bool_]  # the counter stood still, went back, or gained more than the pump can run
    lost: Ints
    sure: NDArray[np.bool_]
    latest: Ints  # cycle of this boot up to it whose hours are sure: gaps are counted from one such to the next
    first: Ints
    hours: Floats
    ran: Ints
    manual: Ints
    after_manual: NDArray[np.bool_]
    doubt_h: Floats

    @property
    def regular(self) -> NDArray[np.bool_]:
        """Gaps that tell of the timer."""
        return np.asarray((self.first >= 0) & (self.manual == 0) & ~self.after_manual & (self.doubt_h == 0))


def gaps_of(history: History) -> Gaps:
    """All gaps between cycles."""
    c, number, sure = history.cycles, len(history.cycles), history.cycle_sure
    registered = registered_h(history)
    new_boot = np.r_[True, c.boot[1:] != c.boot[:-1]][:number]
    new_timer = np.r_[True, np.diff(registered) != 0][:number]
    gained, passed_s = np.diff(c.cycle_no, prepend=0), np.diff(c.at_us, prepend=0) / 1e6
    can_run = np.minimum(5 + passed_s / np.maximum(history.run_s, _SHORTEST_RUN_S), _MOST_UNHEARD)
    broken = new_boot | (gained < 1) | (gained > can_run)
    anew = broken | new_timer  # a gap in which the timer was set otherwise says nothing
    place = np.maximum.accumulate(np.where(sure | anew, np.arange(number), 0))
    latest = np.where(sure[place], place, -1)
    first = np.where(sure & ~anew, np.r_[-1, latest][:number], -1)
    known, pressed = first >= 0, np.cumsum(c.manual == 1)
    return Gaps(
        registered_h=registered,
        new_boot=new_boot,
        new_timer=new_timer,
        broken=broken,
        lost=np.where(broken, 0, gained - 1),
        sure=sure,
        latest=latest,
        first=first,
        hours=np.where(known, history.cycle_h - history.cycle_h[first], 0.0),
        ran=np.where(known, c.cycle_no - c.cycle_no[first], 0),
        manual=np.where(known, pressed - pressed[first], 0),
        after_manual=known & (c.manual[first] == 1),
        doubt_h=np.where(known & (history.cycle_doubts != history.cycle_doubts[first]), history.doubt_h, 0.0),
    )


class GapCounter(Stateful):
    """What is known of each gap so far, as lists over the cycles; `take` goes from cycle to cycle.

    `missed` cycles that never ran, `interval_h` the vehicle's own timer as known then, `expected` cycles the gap should have
    brought.
    """

    GIVEN: ClassVar = frozenset("gaps at_us registered_h first interval_h expected _of_gaps _step_h".split())

    def __init__(self, history: History) -> None:
        # Lists: a loop takes several times as long over the numbers of an array.
        self.gaps = gaps = gaps_of(history)
        self.at_us: list[int] = history.cycles.at_us.tolist()
        self.registered_h: list[float] = gaps.registered_h.tolist()
        self.first: list[int] = gaps.first.tolist()
        self.interval_h = list(self.registered_h)
        columns = gaps.hours, gaps.ran, gaps.manual, gaps.after_manual, gaps.doubt_h
        self._of_gaps = [values.tolist() for values in columns]
        self.expected = [ran if first >= 0 else 0.0 for ran, first in zip(self._of_gaps[1], self.first, strict=True)]
        self.missed = [0] * len(self.first)
        self.counted: dict[int, int] = {}  # what was missed in gaps as it was counted at first, where it was any
        self._step_h = history.meter_step_h
        # Gaps of one cycle in a row so far, the latest, and their usual difference.
        self._single: tuple[int, float, float] = (0, 0.0, 0.0)
        self._phase = 0.0  # intervals that had passed at the latest sure cycle since the timer last started the pump
        self._perhaps = (
            0  # cycles since the timer was last seen for sure that may have been its own: nobody said otherwise
        )

    def state(self) -> dict[str, Any]:
        """As it is put down: before few cycles any was missed."""
        return {**super().state(), "missed": {i: missed for i, missed in enumerate(self.missed) if missed}}

    def go_on(self, state: dict[str, Any]) -> None:
        """Go on from what was put down."""
        super().go_on({**state, "missed": self.missed})
        for i, missed in state["missed"].items():
            self.missed[i] = missed
        for i, missed in self.counted.items():
            self.expected[i] += missed

    def forget_phase(self) -> None:
        """The timer is another one than was thought: nothing is known of where in its interval it stands."""
        self._phase = 0.0

    def take(self, i: int) -> Gap | None:
        """Count the gap that ends with a cycle; None where nothing can be said of it."""
        if self.first[i] < 0:
            gaps = self.gaps
            if gaps.broken[i] or gaps.sure[i]:
                self._phase = 0.0
            if gaps.new_boot[i] or (gaps.new_timer[i] and not gaps.broken[i]):
                self._perhaps = 0
            return None
        gap = Gap(self.first[i], i, *(values[i] for values in self._of_gaps))
        self._learn_scatter(gap)
        missed = self._missed(gap)
        if missed:
            self.missed[i] = self.counted[i] = missed
            self.expected[i] += missed
        return gap

    def scatter(self, i: int) -> float:
        """By how much of an interval gaps in a row differ as a rule, beyond what a sound timer and the steps of the meter make of it: some
        controllers count other hours than their meters do."""
        number, _, usual = self._single
        sound = math.hypot(_SOUND_SCATTER, self._step_h / 2 / self.interval_h[i])
        return math.sqrt(usual**2 - sound**2) if usual > sound and number > _SCATTER_GAPS[0] else 0.0

    def _learn_scatter(self, gap: Gap) -> None:
        interval, (number, before, usual) = self.interval_h[gap.last], self._single
        if gap.ran != 1 or gap.manual or gap.after_manual or gap.doubt_h or gap.hours > 1.5 * interval:
            return
        if number:
            apart = min(abs(gap.hours - before) / interval, 0.5)
            usual += max(1 / number, 1 / _SCATTER_GAPS[1]) * (apart - usual)
        self._single = number + 1, gap.hours, usual

    def _missed(self, gap: Gap) -> int:
        """How many cycles of a gap never ran."""
        interval, ran, manual = self.interval_h[gap.last], gap.ran, gap.manual
        if gap.doubt_h:  # only what no error of the hours explains never ran
            self._phase, self._perhaps = 0.0, 0
            surely: int = math.floor((gap.hours - gap.doubt_h) / interval)
            return max(0, surely - ran + manual)
        slack = 0.12 + self._step_h / interval + _SCATTER_SLACK * self.scatter(gap.last)
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
