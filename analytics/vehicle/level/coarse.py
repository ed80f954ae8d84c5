"""Grease per cycle by readings in steps so coarse that no slope tells it: by what each reading leaves possible.

A reading r in steps of s says that the level lies in r - s/2 … r + s/2, give or take how far grease sloshes and the marks of a sensor lie
apart. The last reading of one mark and the first of another so bound how much left the reservoir between them, whatever it was at first.
"""

import math
from itertools import groupby
from typing import Final

from analytics.vehicle.level.segments import Segment

_SLOSH_PCT: Final = 4.5  # three standard deviations of a reading, as the extreme of many counts


def ratio_bounds(segment: Segment) -> tuple[float, float]:
    """Between which two numbers grease per cycle over the sheet's lies by the readings of a segment: the least that any part of it
    shows, and the most that the readings since then leave possible."""
    first, last, row = dict[float, float](), dict[float, float](), 0  # of each mark: used by the sheet
    for mark, alike in groupby(segment.reading):
        number = len(list(alike))
        if number > 1:  # a single one may be wild
            first.setdefault(mark, segment.used[row])
            last[mark] = segment.used[row + number - 1]
        row += number
    least, since, doubt_pct = 0.0, -math.inf, segment.step_pct + 2 * _SLOSH_PCT
    for high, left in last.items():
        for low, reached in first.items():
            if reached > left and (high - low - doubt_pct) / (reached - left) > least:
                least, since = (high - low - doubt_pct) / (reached - left), left
    most = math.inf
    for high, reached in first.items():
        for low, left in last.items():
            if left > max(reached, since) and high >= low:
                most = min(most, (high - low + doubt_pct) / (left - max(reached, since)))
    return least, max(most, least)


def used_since_step(segment: Segment) -> float:
    """Percent used by the sheet since the reading showed another mark."""
    if not segment.reading:
        return 0.0
    other = next((k for k in reversed(range(len(segment.used))) if segment.reading[k] != segment.reading[-1]), 0)
    return segment.used[-1] - segment.used[other]
