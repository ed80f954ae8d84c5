"""Cycles that ran and did not do their work: not confirmed, too short, or the main line did not vent afterwards."""

import math
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analytics.findings import Episode, joined
from analytics.settings import Settings
from analytics.statistics.robust import MovingMedian
from analytics.vehicle.history import History
from ingest.arrays import Floats
from ingest.times import HOUR_US

_USUAL_READINGS: Final = 200  # that tell the usual rest pressure
_LEAST_CHATTER: Final = 0.05  # share of cycles that a switch may fail to confirm without anybody having seen it before


def flawed(history: History, explained: Floats, settings: Settings) -> NDArray[np.bool_]:
    """(cycles,) whether a cycle did not do its work: not confirmed, too short, or the main line kept its pressure.

    `explained` is 1 for cycles whose pressures already tell of a blockage or of a pump without grease.
    """
    c = history.cycles
    short = c.run_s < settings.short_run * history.run_s
    return np.asarray((c.complete == 0) | short | _not_vented(history, explained, settings), bool)


def analyse(history: History, flaws: NDArray[np.bool_], explained: Floats, settings: Settings) -> list[Episode]:
    """Stretches of cycles that ran and are `flawed`, where nothing else explains it."""
    at_us, bad, window = history.cycles.at_us, flaws & (explained == 0), settings.incomplete_window
    episodes: list[Episode] = []
    current: Episode | None = None
    began = latest = count = 0  # cycles: the first of an episode, the latest flawed one; how many are flawed
    longer = 3 * window
    over, inside = 0, 0  # cycle at which the episode before was over; cycles of all of them
    usual = 0.1  # flawed ones outside of episodes: one switch in many chatters
    for i in [*np.flatnonzero(bad).tolist(), len(bad)]:
        if current is not None and latest + window < i:
            current.ended_us = int(at_us[latest + 1])
            current, over = None, latest + window
            inside += over - began + 1
        if i == len(bad):
            break
        latest = i
        if current is not None:
            count += 1
            current.evidence = {"count": float(count)}
            continue
        seen = 100.0 + i - inside
        first = max(0, i - window + 1)
        recent = bad[first : i + 1]
        needed = max(settings.incomplete_needed, _more_than_chance(usual / seen, window))
        if recent.sum() < needed and i - over >= longer:
            # What comes and goes may pass for chatter, cycle by cycle: against what was usual before, a day or two tell.
            lately = bad[i - longer + 1 : i + 1]
            earlier = (usual - float(lately[:-1].sum())) / max(seen - longer, 1.0)
            if lately.sum() >= _more_than_chance(min(max(earlier, _LEAST_CHATTER), 1.0), longer):
                first, recent, needed = i - longer + 1, lately, 0
        if recent.sum() < needed:
            usual += 1.0
            continue
        began, count = i, int(recent.sum())
        current = Episode("incomplete_cycles", None, int(at_us[first + int(np.argmax(recent))]), int(at_us[i]))
        current.evidence = {"count": float(count)}
        episodes.append(current)
        usual -= count - 1  # what began it was no chatter
    return joined(episodes, int(settings.pause_h * HOUR_US))


@cache
def _more_than_chance_at(thousandths: int, of: int) -> int:
    from scipy.stats import binom  # here, since it takes long to load

    return int(binom.isf(1e-6, of, thousandths / 1000)) + 1


def _more_than_chance(share: float, of: int) -> int:
    """How many of so many cycles must be flawed, so that a switch that fails for a share of them does it once in a million."""
    return min(of - 1, _more_than_chance_at(math.ceil(1000 * share), of))


def _not_vented(history: History, explained: Floats, settings: Settings) -> Floats:
    """Whether the main line of an injector system kept its pressure after the pump stopped: (cycles,) of bool.

    Half of the peak still there is no vented line, whatever this vehicle's own past was like. Less than that is told from its own
    usual rest pressure, alone and beside the peak, since cold raises both; but not where it is so cold that grease is stiff: then
    lines vent slowly, mostly after a night.
    """
    c = history.cycles
    flag = np.zeros(len(c), bool)
    if history.setup.feed != "injector" or not len(c):
        return flag
    relief = history.said("relief_kpa", c.at_us)[:, None]
    possible = (c.peak_kpa > settings.impossible_below_kpa) & (c.peak_kpa < settings.impossible_over_relief * relief)
    rest = np.log(np.clip(np.where(possible, c.rest_kpa.astype(np.float64), np.nan), 1.0, None))
    peak = np.log(np.clip(c.peak_kpa.astype(np.float64), 1.0, None))
    for channel in range(rest.shape[1]):
        usual, usual_part = MovingMedian(_USUAL_READINGS), MovingMedian(_USUAL_READINGS)
        rows = np.flatnonzero(~np.isnan(rest[:, channel]))
        read = zip(rows.tolist(), rest[rows, channel].tolist(), peak[rows, channel].tolist(), strict=True)
        for i, left, top in read:
            limit = math.inf
            if len(usual) >= 8 and not c.temp_c[i] < settings.stiff_below_c:
                limit = max(usual.value, top + usual_part.value) + settings.not_vented_log_ratio
            high = left > min(limit, top - 0.6) and left > top - 1.6
            flag[i] |= high
            if not high and not explained[i]:
                usual.add(left)
                usual_part.add(left - top)
    return flag
