"""A ratio of two sums over units that differ, with limits that go by how much they differ."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def ratio_error(n: Floats, x: Floats, y: Floats, xx: Floats, xy: Floats, yy: Floats) -> Floats:
    """Standard error of the ratio sum(y) / sum(x) over n units, from the sums of x, y, x**2, x*y and y**2 over them, each of any one
    shape; NaN where there is but one unit.

    The linear estimate for a ratio of sample totals (Cochran, Sampling Techniques, 3rd edition 1977, section 6.4), without correction
    for a finite population: the units at hand are taken for a sample of what such units do.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = y / x
        spread = np.maximum(yy - 2 * ratio * xy + ratio**2 * xx, 0.0)
        return np.where(n > 1, np.sqrt(n / (n - 1) * spread) / x, np.nan)
