"""The refill window against the theory of first passages.

The values are worked out by the theory, not quoted: drifted Brownian motion reaches a level a at an inverse Gaussian time,
mean a/v, shape a**2/s**2; scipy's parametrisation is documented at docs.scipy.org, scipy.stats.invgauss.
"""

import numpy as np
import pytest
from scipy.stats import invgauss

from analytics.vehicle.first_passage import Weeks, first_passage


@pytest.mark.parametrize(
    ("needed", "weekly", "spread"), [(600.0, 140.0, 60.0), (1500.0, 140.0, 90.0), (2400.0, 220.0, 80.0)]
)
def test_constant_use_with_noise_is_an_inverse_gaussian(needed: float, weekly: float, spread: float) -> None:
    """The 10, 50 and 90 % points, for weeks whose cycles are independent, evenly spread and normal in number."""
    rng = np.random.default_rng(1)
    counts = np.maximum(1, np.rint(rng.normal(weekly, spread, 500))).astype(int)
    weeks = Weeks([np.linspace(0, 7, n, endpoint=False) for n in counts], np.full(500, 1 / 500), np.ones(500))
    got = first_passage(np.full(20_000, needed), weeks, 730, rng)
    drift, variance = counts.mean() / 7, counts.var() / 7  # cycles a day, and their variance a day
    mean, shape = needed / drift, needed**2 / variance
    theory = invgauss(mu=mean / shape, scale=shape).ppf([0.1, 0.5, 0.9])
    assert np.quantile(got, [0.1, 0.5, 0.9]) == pytest.approx(theory, rel=0.04)
