"""What a few wild values do not move: Huber's M-estimate of a linear regression that goes on learning, with what was learned before as its
prior, and the median of the latest values."""

import math
from bisect import bisect_left, insort
from collections import deque
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from ingest.arrays import Floats

# Huber's constant: 95 % as efficient as least squares where the noise is normal (Huber 1964).
HUBER: Final = 1.345


def huber_update(
    mean: Floats, cov: Floats, x: Floats, y: Floats, sigma: float, rounds: int = 4
) -> tuple[Floats, Floats]:
    """(mean of the coefficients (terms,), their covariance) after rows `x` (n, terms) with outcomes `y` (n,), whose noise has
    the standard deviation `sigma`.

    Iteratively reweighted least squares: a row whose miss m exceeds HUBER * sigma counts HUBER * sigma / |m|.
    """
    information = np.linalg.inv(cov)
    pull = information @ mean
    for _ in range(rounds):
        miss = np.abs(y - x @ mean)
        weight = np.minimum(1.0, HUBER * sigma / np.maximum(miss, 1e-12)) / sigma**2
        cov = np.asarray(np.linalg.inv(information + (x * weight[:, None]).T @ x), np.float64)
        mean = np.asarray(cov @ (pull + x.T @ (weight * y)), np.float64)
    return mean, cov


def middle_of(values: NDArray[Any]) -> Any:
    """The median of some numbers (n,), at least one and none of them NaN: what numpy.median gives, to the bit, for a tenth of its cost."""
    ordered, number = np.sort(values), len(values)
    return (ordered[(number - 1) // 2] + ordered[number // 2]) / 2


class MovingMedian:
    """The median of the latest values of a series, at most `most` of them: each costs a place in a sorted list, not a sort."""

    def __init__(self, most: int) -> None:
        self._latest, self._most, self._ordered = deque[float](), most, list[float]()

    def __len__(self) -> int:
        return len(self._ordered)

    def add(self, value: float) -> None:
        """The next value of the series; no NaN."""
        if len(self._latest) == self._most:
            del self._ordered[bisect_left(self._ordered, self._latest.popleft())]
        self._latest.append(value)
        insort(self._ordered, value)

    @property
    def value(self) -> float:
        """The median; NaN while there is no value."""
        number = len(self._ordered)
        if not number:
            return math.nan
        return (self._ordered[(number - 1) // 2] + self._ordered[number // 2]) / 2
