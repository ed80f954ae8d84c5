"""Which of many stand out from the rest, so that few of those that are named are named by chance."""

import numpy as np
from numpy.typing import NDArray

from ingest.arrays import Floats

_QUARTILES_APART = 1.349  # of a normal distribution, in standard deviations


def upper_tail(values: Floats) -> Floats:
    """For each of `values` (n,; NaN where not known) the probability of one as high, were all drawn alike: by a normal distribution about
    their median, as wide as their middle half. NaN stays."""
    from scipy.stats import norm  # here, since it takes long to load

    low, middle, high = np.nanquantile(values, (0.25, 0.5, 0.75))
    width = max((high - low) / _QUARTILES_APART, 1e-12)
    return np.asarray(norm.sf((values - middle) / width), np.float64)


def discoveries(p: Floats, false_share: float) -> NDArray[np.bool_]:
    """Which of `p` (any shape; NaN: not known, and never named) may be named so that of those about `false_share` are so by chance
    (Benjamini and Hochberg 1995)."""
    from statsmodels.stats.multitest import multipletests  # here, since it takes long to load

    known, named = np.isfinite(p), np.zeros(p.shape, bool)
    if known.any():
        named[known] = multipletests(p[known], false_share, "fdr_bh")[0]
    return named
