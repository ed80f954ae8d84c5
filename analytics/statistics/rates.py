"""How often something happens, fairly compared: events against the time they could have happened in."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from ingest.arrays import Floats


@dataclass(frozen=True)
class Rate:
    """Events over exposure, with the exact limits of a Poisson count (Garwood 1936), per unit of exposure."""

    events: int
    exposure: float
    rate: float
    ci_low: float
    ci_high: float


def rate(events: int, exposure: float, confidence: float = 0.95) -> Rate:
    """The rate of `events` in an exposure above 0."""
    import numpy as np  # here, since it takes long to load
    from statsmodels.stats.rates import confint_poisson

    low, high = confint_poisson(events, exposure, method="exact-c", alpha=1 - confidence)
    return Rate(events, exposure, events / exposure, float(np.nan_to_num(low)), float(high))


@dataclass(frozen=True)
class Share:
    """How many of so many, with the exact limits of a binomial share (Clopper and Pearson 1934)."""

    hits: int
    of: int
    ci_low: float
    ci_high: float


def share(hits: int, of: int, confidence: float = 0.95) -> Share:
    """The share of `hits` among `of`, at least one."""
    from statsmodels.stats.proportion import proportion_confint  # here, since it takes long to load

    low, high = proportion_confint(hits, of, alpha=1 - confidence, method="beta")
    return Share(hits, of, float(low), float(high))


@dataclass(frozen=True)
class MeanCumulative:
    """Mean number of events a unit has had up to each time (n,), and its confidence limits."""

    time: "Floats"
    mean: "Floats"
    ci_low: "Floats"
    ci_high: "Floats"
    std_error: "Floats"


_CELLS_AT_ONCE: Final = 1_000_000  # units times events


def mean_cumulative(
    events: Sequence[tuple[int, float]], ends: Mapping[int, float], confidence: float = 0.95
) -> MeanCumulative:
    """The mean cumulative function of repeated events (unit, time) of units that are watched from 0 to their end.

    Nelson's estimate with the variance of Lawless and Nadeau (1995), which does not assume that a unit's events come
    independently. A unit whose watch ends at the time of an event still counts then. The limits are those of the logarithm.
    """
    import numpy as np

    time, when = np.unique([t for _, t in events], return_inverse=True)
    place = {unit: k for k, unit in enumerate(ends)}
    unit = np.array([place[one] for one, _ in events], np.intp)
    last = np.array([*ends.values()], np.float64)
    at_risk = len(last) - np.searchsorted(np.sort(last), time, "left")
    step = np.bincount(when, minlength=len(time)) / np.maximum(at_risk, 1)
    mean = np.cumsum(step)
    variance = np.zeros(len(time))
    at_once = max(1, _CELLS_AT_ONCE // max(1, len(time)))
    for first in range(0, len(last), at_once):  # some at a time: there may be very many
        some = slice(first, first + at_once)
        number = np.zeros((len(last[some]), len(time)))
        mine = (unit >= first) & (unit < first + at_once)
        np.add.at(number, (unit[mine] - first, when[mine]), 1)
        watched = last[some, None] >= time[None, :]
        off = np.where(watched, (number - step) / np.maximum(at_risk, 1), 0.0)
        variance += (np.cumsum(off, axis=1) ** 2).sum(axis=0)
    std_error = np.sqrt(variance)
    spread = np.exp(NormalDist().inv_cdf((1 + confidence) / 2) * std_error / np.maximum(mean, 1e-12))
    return MeanCumulative(time, mean, mean / spread, mean * spread, std_error)
