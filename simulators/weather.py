"""Air temperature of a depot: season, day, fronts that pass in some days, and cold snaps. The climates are invented."""

from dataclasses import dataclass
from itertools import accumulate

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_YEAR_H = 8766.0


@dataclass(frozen=True)
class Climate:
    """Degrees Celsius: the mean of the year, the swing of the seasons and of the day, and how much fronts bring."""

    mean_c: float
    season_c: float
    day_c: float
    front_c: float
    utc_offset_h: float
    snaps: tuple[tuple[float, float, float], ...] = ()  # cold snaps: (begin, in days before the end; days; depth)


def air_c(
    climate: Climate, start_h: float, end_h: float, hours: int, more_hours: int, rng: np.random.Generator
) -> Floats:
    """Air temperature at each full hour from `start_h` (hours since 1970 UTC): shape (hours + more_hours,). Snaps count back
    from `end_h`."""
    t = start_h + np.arange(hours + more_hours)
    season = -np.cos(2 * np.pi * (t / _YEAR_H - 20 / 365.25)) * climate.season_c
    day = -np.cos(2 * np.pi * (t + climate.utc_offset_h - 3) / 24) * climate.day_c
    # Fronts: noise that forgets itself within two days.
    keep = np.exp(-1 / 48)
    shock, first = rng.standard_normal(hours), rng.standard_normal() * climate.front_c
    shock = np.r_[shock, rng.standard_normal(more_hours)] * climate.front_c * np.sqrt(1 - keep**2)
    front = _followed(keep, shock, first)
    cold = np.zeros(len(t))
    for begin_days, days, depth in climate.snaps:
        begin = end_h - 24 * begin_days
        inside = (t >= begin) & (t < begin + 24 * days)
        cold[inside] -= depth * np.sin(np.pi * (t[inside] - begin) / (24 * days))
    return np.asarray(climate.mean_c + season + day + front + cold)


def lagged(air: Floats, lag_h: float) -> Floats:
    """Temperature of the grease, which follows the air with a lag of hours: shape (hours,)."""
    pace = 1 - np.exp(-1 / lag_h)
    return _followed(1 - pace, pace * air, float(air[0]))


def _followed(keep: float, added: Floats, first: float) -> Floats:
    """x[i] = keep * x[i-1] + added[i], from x[-1] = first."""
    keep = float(keep)
    return np.array(list(accumulate(added.tolist(), lambda x, more: keep * x + more, initial=first))[1:])
