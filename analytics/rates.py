"""How often something happens, fairly compared: events against the time they could have happened in."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from ingest.store import Floats


@dataclass(frozen=True)
class Rate:
    """Events over exposure, with the exact limits of a Poisson count (Garwood 1936), per unit of exposure."""

    events: int
    exposure: float
    rate: float
    low: float
    high: float


def rate(events: int, exposure: float, confidence: float = 0.95) -> Rate:
    """The rate of `events` in an exposure above 0."""
    from statsmodels.stats.rates import confint_poisson  # here, since it takes long to load

    low, high = confint_poisson(events, exposure, method="exact-c", alpha=1 - confidence)
    return Rate(events, exposure, events / exposure, float(np.nan_to_num(low)), float(high))


@dataclass(frozen=True)
class MeanCumulative:
    """Mean number of events a unit has had up to each time (n,), and its confidence limits."""

    time: Floats
    mean: Floats
    low: Floats
    high: Floats
    error: Floats


def mean_cumulative(
    events: Sequence[tuple[str, float]], ends: Mapping[str, float], confidence: float = 0.95
) -> MeanCumulative:
    """The mean cumulative function of repeated events (unit, time) of units that are watched from 0 to their end.

    Nelson's estimate with the variance of Lawless and Nadeau (1995), which does not assume that a unit's events come
    independently. A unit whose watch ends at the time of an event still counts then. The limits are those of the logarithm.
    """
    units = sorted(ends)
    time = np.array(sorted({t for _, t in events}), float)
    place = {float(t): k for k, t in enumerate(time)}
    number = np.zeros((len(units), len(time)))
    for unit, t in events:
        number[units.index(unit), place[float(t)]] += 1
    watched = np.array([ends[unit] for unit in units])[:, None] >= time[None, :]
    at_risk = watched.sum(axis=0)
    step = number.sum(axis=0) / np.maximum(at_risk, 1)
    mean = np.cumsum(step)
    off = np.where(watched, (number - step) / np.maximum(at_risk, 1), 0.0)
    error = np.sqrt((np.cumsum(off, axis=1) ** 2).sum(axis=0))
    spread = np.exp(NormalDist().inv_cdf((1 + confidence) / 2) * error / np.maximum(mean, 1e-12))
    return MeanCumulative(time, mean, mean / spread, mean * spread, error)
