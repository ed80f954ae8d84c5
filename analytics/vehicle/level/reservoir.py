"""What is known of the grease in a reservoir."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analytics.fills import Fill
from analytics.findings import Episode
from analytics.vehicle.history import History
from analytics.vehicle.level.readings import DRAWS_AIR_PCT, Readings
from ingest.arrays import Floats, Ints
from ingest.times import FOREVER_US

BEND_PCT: Final = 1.3  # by which a sound sensor reads high or low where it bends


# From a cycle up to another: the level before anything was used, and grease per cycle over what the sheet says.
Counted = tuple[int, int, float, float]


@dataclass(frozen=True, kw_only=True)
class Reservoir:
    """What is known at the end of the history.

    `level_pct` with its standard deviation (None: not known), `dose_ratio` grease per cycle over the registered dose,
    `baseline_dose_ratio` the same while sound, `level_at_cycle_pct` level as known at each cycle (cycles,), `used_pct`
    percent of the reservoir used by each cycle by the sheet (cycles,).
    """

    level_pct: float | None
    level_sd: float
    dose_ratio: float
    baseline_dose_ratio: float
    dose_ratio_sd: float
    run_ratio: float  # of late, pump runs over the registered run time; 1 where they agree
    fills: tuple[Fill, ...]
    readings: Readings  # that the level was followed by
    level_at_cycle_pct: Floats
    used_pct: Floats
    stands_still: (
        bool  # the reading has not moved since the sensor was fitted, although more was used than its step explains
    )
    by_counting: bool
    read_us: int | None  # time of the last reading that can be trusted
    low_since_us: int | None
    episodes: tuple[Episode, ...]
    unfitted: tuple[Episode, ...]  # in which points that a set-up had added got nothing, or were not there yet


def counted_down(counted: Sequence[Counted], total: Floats) -> Floats:
    """(cycles,) the level after each cycle, NaN where it was not counted; `total` is percent used by the sheet up to each."""
    levels = np.full(len(total), np.nan)
    if counted:
        first, until, unused, ratio = (np.array(column) for column in zip(*counted, strict=True))
        number = until - first
        rows = np.arange(number.sum()) + np.repeat(until - np.cumsum(number), number)
        levels[rows] = np.repeat(unused, number) - np.repeat(ratio, number) * total[rows]
    return levels


def in_short(counted: Sequence[Counted]) -> tuple[Ints, Ints, Floats, Floats]:
    """The same in columns, which take less room than rows; and by how many cycles each has and lies after the one before, since those are
    nearly all alike."""
    first, until, unused, ratio = np.array(counted, np.float64).reshape(-1, 4).T
    apart = first - np.r_[0.0, until][: len(first)]
    return (until - first).astype(np.int64), apart.astype(np.int64), unused, ratio


def at_length(columns: tuple[Ints, Ints, Floats, Floats]) -> list[Counted]:
    """What `in_short` made short."""
    number, apart, unused, ratio = columns
    until = np.cumsum(number + apart)
    return list(zip(*(column.tolist() for column in (until - number, until, unused, ratio)), strict=True))


def draws_air(history: History, reservoir: Reservoir) -> NDArray[np.bool_]:
    """(cycles,) whether the level stood so far below its mark that the pump drew no grease; after a fill that somebody recorded and
    no reading has confirmed yet, nobody knows."""
    at_us = history.cycles.at_us
    filled = [work.at_us for work in history.work if work.kind == "filled" and work.at_us > (reservoir.read_us or 0)]
    low = reservoir.level_at_cycle_pct < history.said("low_mark_pct", at_us) - DRAWS_AIR_PCT
    return np.asarray(low & (at_us < min(filled, default=FOREVER_US)), bool)
