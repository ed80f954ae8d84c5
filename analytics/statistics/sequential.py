"""What a small departure that lasts adds up to: Page's cumulative sum and the exponentially weighted moving average."""

import numpy as np

from ingest.arrays import Floats


def cusum(z: Floats, allowance: float) -> Floats:
    """Page's upper cumulative sum S[i] = max(0, S[i-1] + z[i] - allowance), from 0, along the first axis."""
    total = np.cumsum(z - allowance, axis=0)
    return np.asarray(total - np.minimum(np.minimum.accumulate(total, axis=0), 0.0))


def onset(z: Floats, allowance: float) -> int:
    """Where a shift upwards that lasts at the end of `z` (n,) began: after the cumulative sum was last at zero."""
    zeros = np.flatnonzero(cusum(z, allowance) == 0)
    return int(zeros[-1]) + 1 if len(zeros) else 0


def ewma(z: Floats, weight: float, start: float = 0.0) -> Floats:
    """The exponentially weighted moving average E[i] = weight * z[i] + (1 - weight) * E[i-1], from `start`, of z (n,)."""
    from scipy.signal import lfilter  # here, since it takes long to load

    smoothed, _ = lfilter([weight], [1, weight - 1], z, zi=[(1 - weight) * start])
    return np.asarray(smoothed)


def ewma_limit(weight: float, sigmas: float) -> float:
    """How far the average of independent values lies from their mean at most, in their standard deviations, after a long time:
    `sigmas` of its own."""
    return float(sigmas * np.sqrt(weight / (2 - weight)))
