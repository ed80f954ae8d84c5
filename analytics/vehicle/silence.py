"""Silence: nothing heard for longer than the stops before it explain."""

from itertools import pairwise

import numpy as np

from analytics.findings import Stretch
from analytics.settings import Settings
from analytics.vehicle.history import History
from ingest.times import DAY_US, HOUR_US


def analyse(history: History, settings: Settings) -> list[Stretch]:
    """Stretches in which nothing was heard for longer than the stops before them explain."""
    heard = np.unique(history.heard_us)
    if not len(heard):
        return []
    stretches: list[Stretch] = []
    ordinary: list[float] = []
    for before, after in pairwise([*heard.tolist(), None]):
        gap_h = ((history.as_of_us if after is None else after) - before) / HOUR_US
        if gap_h < settings.silent_min_h / 4:
            continue
        limit = limit_h(ordinary, (before - int(heard[0])) / DAY_US, settings)
        detected = before + int(limit * HOUR_US)
        for left_us, back_us in history.away():  # nobody expects to hear of it
            if left_us <= detected < back_us:
                detected = back_us + int(limit * HOUR_US)
            elif after is None and detected < left_us <= history.as_of_us:
                after = left_us
        if detected <= history.as_of_us if after is None else detected < after:
            stretches.append(Stretch("silent", None, before, detected, after, {"silent_h": round(gap_h, 1)}))
        ordinary.append(gap_h)
    return stretches


def limit_h(gaps_h: list[float], days: float, settings: Settings) -> float:
    """Hours of silence that are out of the ordinary after such gaps in `days` days of history.

    The longest ordinary stop with a margin; long parks among the gaps count only up to the upper bound.
    """
    longest = max((g for g in gaps_h if g <= settings.silent_max_h), default=0.0)
    limit = float(min(max(settings.silent_min_h, settings.silent_margin * longest), settings.silent_max_h))
    return max(limit, settings.silent_young_h) if days < settings.silent_young_days else limit
