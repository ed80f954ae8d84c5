"""A little grease filled in now and then that nobody recorded, or a pump that delivers less: both keep the level up.

A top-up lifts the level at one stop and leaves the grease per cycle as it is; a pump that delivers less lifts every reading a little
over the one before, against what the sheet would have left. Both are fitted to the runs between stops, and their likelihoods
compared (maximum likelihood with a penalty for each top-up, found by dynamic programming over the stops).
"""

import math
from dataclasses import dataclass
from typing import Final

from analytics.vehicle.level.segments import Segment

_LEAST_PCT: Final = 2.0  # what is less is no top-up
_MOST_PCT: Final = 9.0  # what is more is seen as a fill
_PENALTY: Final = 3.0  # log likelihood by which a top-up must mend the fit: about one stop in twenty has one
_SLOPE_PENALTY: Final = 1.0  # the same for grease per cycle that differs from the sound one
_ALIKE: Final = 0.3  # correlation of the readings of one run: a vehicle that works on a slope reads high all the while
_MOST_RUNS: Final = 100


@dataclass(frozen=True)
class Runs:
    """Readings of a segment by runs between two stops: first reading, effective number, mean percent used, mean reading."""

    first: list[int]
    number: list[float]
    used: list[float]
    reading: list[float]


def weigh(
    segments: list[Segment], since_us: int, sound: float, dose_ratio: float, noise_pct: float
) -> tuple[float, dict[int, list[int]]]:
    """(log likelihood of top-ups with the sound dose ratio, less that of `dose_ratio` without any; first reading after each
    top-up, by segment) over the readings since a time."""
    ratio, found = 0.0, {}
    for n in range(len(segments) - 1, -1, -1):
        segment = segments[n]
        start = next((i for i, at_us in enumerate(segment.at_us) if at_us >= since_us), len(segment.at_us))
        if start < len(segment.at_us):
            runs = runs_of(segment, start)
            fit, found[n] = _with_top_ups(runs, sound, noise_pct)
            ratio += fit - _steady(runs, dose_ratio, noise_pct)
            weight, falling = segment.within_runs(start)
            if weight > 0:
                in_runs = -falling / weight
                ratio += weight / (2 * noise_pct**2) * ((in_runs - dose_ratio) ** 2 - (in_runs - sound) ** 2)
        if segment.start_us < since_us:
            break
    return ratio + _SLOPE_PENALTY, {n: firsts for n, firsts in found.items() if firsts}


def runs_of(segment: Segment, start: int) -> Runs:
    """The runs of a segment from a reading on, the latest `_MOST_RUNS`."""
    firsts = [i for i in range(start, len(segment.run)) if i == start or segment.run[i] != segment.run[i - 1]]
    firsts = firsts[-_MOST_RUNS:]
    numbers, used, reading = [], [], []
    for first, last in zip(firsts, [*firsts[1:], len(segment.run)], strict=True):
        n = last - first
        numbers.append(n / (1 + _ALIKE * (n - 1)))
        used.append(sum(segment.used[first:last]) / n)
        reading.append(sum(segment.reading[first:last]) / n)
    return Runs(firsts, numbers, used, reading)


def _steady(runs: Runs, dose_ratio: float, noise_pct: float) -> float:
    """Log likelihood, up to a constant, of one level that goes down by a dose ratio."""
    levels = [r + dose_ratio * u for r, u in zip(runs.reading, runs.used, strict=True)]
    total = sum(runs.number)
    mean = sum(n * x for n, x in zip(runs.number, levels, strict=True)) / total
    squares = sum(n * (x - mean) ** 2 for n, x in zip(runs.number, levels, strict=True))
    return -squares / (2 * noise_pct**2)


def _with_top_ups(runs: Runs, dose_ratio: float, noise_pct: float) -> tuple[float, list[int]]:
    """The largest log likelihood of levels that go down by a dose ratio and rise at some of the stops, and the first reading after
    each rise."""
    levels = [r + dose_ratio * u for r, u in zip(runs.reading, runs.used, strict=True)]
    count, square, total = [0.0], [0.0], [0.0]
    for n, x in zip(runs.number, levels, strict=True):
        count.append(count[-1] + n)
        total.append(total[-1] + n * x)
        square.append(square[-1] + n * x * x)

    def cost(a: int, b: int) -> float:
        return (square[b] - square[a] - (total[b] - total[a]) ** 2 / (count[b] - count[a])) / (2 * noise_pct**2)

    best: list[tuple[float, int, float]] = [
        (0.0, 0, math.nan)
    ]  # least cost up to a run, where its level began, that level
    for b in range(1, len(levels) + 1):
        choice = (cost(0, b), 0, total[b] / count[b])
        for a in range(1, b):
            level = (total[b] - total[a]) / (count[b] - count[a])
            if _LEAST_PCT <= level - best[a][2] <= _MOST_PCT and (c := best[a][0] + cost(a, b) + _PENALTY) < choice[0]:
                choice = (c, a, level)
        best.append(choice)
    firsts, b = [], len(levels)
    while best[b][1] > 0:
        b = best[b][1]
        firsts.append(runs.first[b])
    return -best[-1][0], firsts[::-1]
