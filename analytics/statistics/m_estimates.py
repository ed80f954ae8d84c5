"""M-estimates of linear regressions that share a design, Huber's and with Tukey's biweight: iteratively reweighted least squares, of all
of them at once.

The answers are those of statsmodels' RLM with its defaults, to the bit. One by one they take several times as long, since each of some
dozen steps is a small one; and that library takes longer to load than a vehicle to analyse.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from analytics.statistics.robust import HUBER
from ingest.arrays import Floats

_MAD: Final = 0.6744897501960817  # the upper quartile of the normal distribution: its median absolute deviation
_MOST_STEPS: Final = 50
_NEAR: Final = 1e-8  # of what is minimised: so little from one step to the next is no change
_BIWEIGHT: Final = 4.685  # Tukey's constant: 95 % as efficient as least squares where the noise is normal


@dataclass(frozen=True)
class Norm:
    """How much a row counts that lies off by so many standard deviations, and what is minimised the sum of."""

    weight: Callable[[Floats], Floats]
    lost: Callable[[Floats], Floats]


@dataclass(frozen=True)
class Fits:
    """Of k regressions of n rows: coefficients (k, terms), what is left over (k, n), and its scale (k,)."""

    params: Floats
    left: Floats
    scale: Floats


def m_estimates(design: Floats, y: Floats, norm: Norm) -> Fits:
    """The regressions of `y` (k, n) on a design (n, terms)."""
    params, left = np.empty((len(y), design.shape[1])), np.empty_like(y)
    scale, lost = np.empty(len(y)), np.full(len(y), np.inf)
    going, weight = np.arange(len(y)), np.ones_like(y)
    # As that library has it: the first step knows of terms that follow from others, the next ones do not.
    rank = int(np.linalg.matrix_rank(np.diag(np.linalg.svd(design, compute_uv=False))))
    for terms in (rank, *[design.shape[1]] * (_MOST_STEPS - 1)):
        root = np.sqrt(weight)
        x, mine = root[:, :, np.newaxis] * design, (root * y[going])[:, :, np.newaxis]
        found = np.linalg.pinv(x) @ mine
        rest = y[going] - (design @ found)[:, :, 0]
        missed = (mine - x @ found)[:, :, 0]
        variance = np.vecdot(missed, missed) / (design.shape[0] - terms)
        params[going], left[going], before = found[:, :, 0], rest, lost[going]
        ordered, n = np.sort(np.abs(rest) / _MAD, axis=1), y.shape[1]
        scale[going] = (ordered[:, (n - 1) // 2] + ordered[:, n // 2]) / 2
        with np.errstate(divide="ignore", invalid="ignore"):  # nothing is left over
            lost[going] = norm.lost(rest / variance[:, np.newaxis]).sum(axis=1)
            going = going[(np.abs(lost[going] - before) > _NEAR) & (scale[going] > 0)]
        if not len(going):
            break
        weight = norm.weight(left[going] / scale[going, np.newaxis])
    return Fits(params, left, scale)


def _huber_lost(z: Floats) -> Floats:
    far = np.abs(z)
    return np.where(far <= HUBER, 0.5 * z**2, far * HUBER - 0.5 * HUBER**2)


def _biweight_lost(z: Floats) -> Floats:
    most = _BIWEIGHT**2 / 6
    return np.asarray(-((1 - (z / _BIWEIGHT) ** 2) ** 3) * (np.abs(z) <= _BIWEIGHT) * most + most)


BY_HUBER: Final = Norm(lambda z: HUBER / np.maximum(np.abs(z), HUBER), _huber_lost)
# What lies far off counts for nothing.
BY_BIWEIGHT: Final = Norm(lambda z: (1 - (z / _BIWEIGHT) ** 2) ** 2 * (np.abs(z) <= _BIWEIGHT), _biweight_lost)


def huber_errors(design: Floats, fits: Fits) -> Floats:
    """(k, terms) standard errors of Huber's, by the first of the covariances of Huber (1973)."""
    left, scale = fits.left, fits.scale
    n, rank = len(design), int(np.linalg.matrix_rank(design))
    inverse = np.linalg.pinv(design)
    with np.errstate(divide="ignore", invalid="ignore"):
        z = np.where(scale[:, np.newaxis] > 0, left / scale[:, np.newaxis], 0.0)
    near = (np.abs(z) <= HUBER).astype(np.float64)
    squares, number = (np.clip(z, -HUBER, HUBER) ** 2).sum(axis=1), near.sum(axis=1)
    told = zip(near.mean(axis=1), near.var(axis=1), squares, number, scale, strict=True)
    factors = [  # one by one: the square of an array's numbers differs from that of a number in the last digit
        (1 + rank / n * varies / share**2) ** 2 * (1 / (n - rank) * square * size**2) / ((1 / n * inner) ** 2)
        for share, varies, square, inner, size in told
    ]
    return np.asarray(np.sqrt(np.array(factors)[:, np.newaxis] * np.diag(inverse @ inverse.T)))
