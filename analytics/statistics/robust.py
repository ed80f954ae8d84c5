"""Robust linear regression that goes on learning: Huber's M-estimate with what was learned before as its prior."""

from typing import Final

import numpy as np

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
