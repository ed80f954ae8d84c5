"""Cumulative sum and moving average against published worked examples, run lengths and a known year of change.

Sources: NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2.3 (CUSUM of 20 group means) and 6.3.2.4 (EWMA of 20 values),
read in public test files that quote them, not on the page itself;
Lucas and Crosier 1982, table 1, and Lucas and Saccucci 1990, table 3 (average run lengths), both as the manual of
the R package spc quotes them;
Montgomery, Statistical Quality Control, table 9.1 (30 values around 10 that step up after the twentieth): the data as manuals of
statistics libraries print it; the charts' values were recomputed from it;
Nile flow at Aswan 1871-1970, change after 1898 (Cobb 1978), data from statsmodels.
"""

import numpy as np
import pytest
from statsmodels.datasets import nile

from analytics.statistics.sequential import cusum, ewma, ewma_limit, onset

# fmt: off
MEANS = np.array([
    324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
    324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
])
HIGH = [0, 0, 0, 0, .0325, 0, 0, 0, 0, 0, 0, 0, 3.0075, 4.94, 7.4475, 10.63, 11.9875, 14.445, 16.0025, 19.035]
LOW = [0, .0075, 0, .3325, 0, 0, .5575, .715, .1725, .255, .3125, 0, 0, 0, 0, 0, 0, 0, 0, 0]
VALUES = np.array([52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6,
    49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
AVERAGES = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11,
    49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]
STEPPED = np.array([9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34, 9.03, 11.47, 10.51, 9.40, 10.08,
    9.37, 10.62, 10.31, 8.52, 10.84, 10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62, 11.31, 10.52])
# fmt: on


def test_the_handbook_example_of_the_moving_average() -> None:
    """Weight 0.3 from the target 50, s 2.0539, three sigmas: limits 52.5884 and 47.4115, no value beyond."""
    smoothed = ewma(VALUES, 0.3, 50.0)
    assert smoothed == pytest.approx(AVERAGES, abs=0.0051)
    limit = 2.0539 * ewma_limit(0.3, 3.0)
    assert (50 + limit, 50 - limit) == (pytest.approx(52.5884, abs=1e-4), pytest.approx(47.4115, abs=1.1e-4))
    assert (np.abs(smoothed - 50) < limit).all()


@pytest.mark.parametrize(("shift", "published"), [(0.0, 500), (0.5, 31.3), (1.0, 10.3), (2.0, 4.36)])
def test_run_lengths_of_the_moving_average_are_the_published_ones(shift: float, published: float) -> None:
    """Weight 0.1 and 2.814 sigmas."""
    rng = np.random.default_rng(9)
    limit = ewma_limit(0.1, 2.814)
    lengths = []
    for z in shift + rng.standard_normal((1500, 5000)):
        beyond = np.abs(ewma(z, 0.1)) > limit
        assert beyond.any()
        lengths.append(int(np.argmax(beyond)) + 1)
    assert np.mean(lengths) == pytest.approx(published, rel=0.07)


def test_the_handbook_example() -> None:
    """Target 325, allowance 0.3175, decision limit 4.1959: both sides, first signal at group 14, begun at 13."""
    high, low = cusum(MEANS - 325, 0.3175), cusum(325 - MEANS, 0.3175)
    assert high == pytest.approx(HIGH, abs=5e-5)
    assert low == pytest.approx(LOW, abs=5e-5)
    assert int(np.argmax(high > 4.1959)) + 1 == 14
    assert not (low > 4.1959).any()
    assert onset(MEANS[:14] - 325, 0.3175) + 1 == 13


def test_a_textbooks_step_is_signalled_at_the_29th_value_by_both_charts() -> None:
    """Allowance 0.5 and limit 5, and weight 0.1 with 2.7 sigmas; the first tells that it began after the 22nd."""
    high, low = cusum(STEPPED - 10, 0.5), cusum(10 - STEPPED, 0.5)
    assert (high[27], high[28], high[29]) == (pytest.approx(4.47), pytest.approx(5.28), pytest.approx(5.30))
    assert int(np.argmax(high > 5)) == 28
    assert onset(STEPPED[:29] - 10, 0.5) == 22
    assert low.max() == pytest.approx(1.77)
    smoothed, limit = ewma(STEPPED, 0.1, 10.0), ewma_limit(0.1, 2.7)
    assert 10 + limit == pytest.approx(10.61942, abs=1e-5)
    assert (smoothed[0], smoothed[27], smoothed[28]) == pytest.approx((9.945, 10.5731, 10.6468), abs=5e-5)
    assert np.flatnonzero(np.abs(smoothed - 10) > limit)[0] == 28


@pytest.mark.parametrize(("shift", "published"), [(0.0, 168), (0.5, 26.6), (1.0, 8.38), (2.0, 3.34)])
def test_run_lengths_are_the_published_ones(shift: float, published: float) -> None:
    """Allowance 0.5 and limit 4, one-sided doubled: 1 / ARL = 1 / upper + 1 / lower."""
    rng = np.random.default_rng(8)
    z = shift + rng.standard_normal((1500, 6000))
    beyond = (cusum(z, 0.5) > 4) | (cusum(-z, 0.5) > 4)
    assert beyond.any(axis=0).mean() > 0.999
    lengths = np.argmax(beyond, axis=0) + 1
    assert lengths.mean() == pytest.approx(published, rel=0.04)


def test_the_nile_changed_after_1898() -> None:
    """Against the first twenty years, the fall is signalled within a few years and its beginning told as 1899."""
    flow = nile.load_pandas().data["volume"].to_numpy(float)
    z = -(flow - flow[:20].mean()) / flow[:20].std(ddof=1)
    signal = int(np.argmax(cusum(z, 0.5) > 5))
    assert 1899 < 1871 + signal <= 1906
    assert 1871 + onset(z[: signal + 1], 0.5) == 1899
