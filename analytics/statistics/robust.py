"""Robust linear regression that goes on learning: Huber's M-estimate with what was learned before as its prior."""

from typing import Final

import numpy as np

from ingest.arrays import Floats

# Huber's constant: 95 % as efficient as least squares where the noise is normal (Huber 1964).
HUBER: Final = 1.345


def update(
    theta: Floats, cov: Floats, x: Floats, seen: Floats, noise: float, rounds: int = 4
) -> tuple[Floats, Floats]:  # fmt: skip
    """(coefficients, their covariance) after rows `x` (n, terms) with outcomes `seen` (n,) and a known noise.

    Iteratively reweighted least squares: a row whose miss m exceeds HUBER * noise counts HUBER * noise / |m|.
    """
    information = np.linalg.inv(cov)
    pull = information @ theta
    for _ in range(rounds):
        miss = np.abs(seen - x @ theta)
        weight = np.minimum(1.0, HUBER * noise / np.maximum(miss, 1e-12)) / noise**2
        cov = np.asarray(np.linalg.inv(information + (x * weight[:, None]).T @ x), np.float64)
        theta = np.asarray(cov @ (pull + x.T @ (weight * seen)), np.float64)
    return theta, cov
