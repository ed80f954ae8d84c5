"""Page's cumulative sum: what a small departure that lasts adds up to, and since when it has lasted."""

import numpy as np

from ingest.store import Floats


def cusum(z: Floats, allowance: float) -> Floats:
    """Page's upper cumulative sum S[i] = max(0, S[i-1] + z[i] - allowance), from 0, along the first axis."""
    total = np.cumsum(z - allowance, axis=0)
    return np.asarray(total - np.minimum(np.minimum.accumulate(total, axis=0), 0.0))


def onset(z: Floats, allowance: float) -> int:
    """Where a shift upwards that lasts at the end of `z` (n,) began: after the cumulative sum was last at zero."""
    zeros = np.flatnonzero(cusum(z, allowance) == 0)
    return int(zeros[-1]) + 1 if len(zeros) else 0
