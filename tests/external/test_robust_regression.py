"""The robust fit against published coefficients and against statsmodels."""

import warnings
from typing import Any

import numpy as np
import pytest
import statsmodels.api as sm
from numpy.typing import NDArray

from analytics.statistics.m_estimates import BY_BIWEIGHT, BY_HUBER, huber_errors, m_estimates
from analytics.statistics.robust import huber_update, middle_of

# Brownlee's stack loss data (Statistical Theory and Methodology in Science and Engineering, 1965, p. 454), as shipped
# with statsmodels; Huber's M-estimate as printed in the statsmodels manual for RLM (R's MASS::rlm gives the same: from memory).
PUBLISHED = (-41.0265, 0.8294, 0.9261, -0.1278)
ERRORS = (9.79189854, 0.11100521, 0.30293016, 0.12864961)  # likewise
SCALE = 2.440536  # not printed there: what statsmodels itself gives


def stackloss() -> tuple[np.ndarray, np.ndarray]:
    data = sm.datasets.stackloss.load()
    return sm.add_constant(np.asarray(data.exog, float)), np.asarray(data.endog, float)


def test_our_fit_gives_the_published_coefficients() -> None:
    """From a prior that knows nothing, with the scale that statsmodels gives."""
    x, y = stackloss()
    theta, _ = huber_update(np.zeros(4), np.eye(4) * 1e8, x, y, SCALE, rounds=60)
    assert theta == pytest.approx(PUBLISHED, abs=6e-4)


def test_fits_side_by_side_give_the_published_coefficients_and_errors() -> None:
    """Each of them as if it were alone."""
    x, y = stackloss()
    told = m_estimates(x, np.stack([y, y[::-1], y]), BY_HUBER)
    errors = huber_errors(x, told)
    for k in (0, 2):
        assert told.params[k] == pytest.approx(PUBLISHED, abs=5e-5)
        assert errors[k] == pytest.approx(ERRORS, abs=5e-9)
        assert told.scale[k] == pytest.approx(SCALE, abs=5e-7)


@pytest.mark.parametrize("rows", [6, 41, 90, 400])
def test_fits_side_by_side_are_those_of_a_library(rows: int) -> None:
    """statsmodels' RLM one by one, to the last bit: with wild values, readings in coarse steps, nothing left over, and a design of which
    one term follows from others."""
    rng = np.random.default_rng(rows)
    warm, two = rng.normal(size=rows), rng.integers(0, 2, rows).astype(float)
    for of_it in (warm, two):
        x = np.column_stack([np.ones(rows), np.linspace(0, 1, rows), of_it, of_it**2])
        y = 0.1 * x[:, 1] + 0.02 * rng.standard_t(2, (12, rows))
        y[3], y[4] = np.round(y[3], 2), 0.5
        told, biweight = m_estimates(x, y, BY_HUBER), m_estimates(x, y, BY_BIWEIGHT)
        ours = huber_errors(x, told)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of a singular design, and of a row of which nothing is left over
            library = [sm.RLM(one, x).fit() for one in y]
            errors = [one.bse for one in library]
            by_biweight = [sm.RLM(one, x, M=sm.robust.norms.TukeyBiweight()).fit() for one in y]
        assert np.array_equal(ours, errors, equal_nan=True)
        for fits, theirs in ((told, library), (biweight, by_biweight)):
            for k, alone in enumerate(theirs):
                assert np.array_equal(fits.params[k], alone.params, equal_nan=True)
                assert np.array_equal(fits.left[k], alone.resid, equal_nan=True)
                assert fits.scale[k] == alone.scale


def test_learning_block_by_block_agrees_with_one_fit() -> None:
    """On clean data the order of learning does not matter; with outliers it stays near the robust fit."""
    rng = np.random.default_rng(3)
    x = np.column_stack([np.ones(600), rng.normal(size=600), rng.normal(size=600)])
    truth = np.array([8.0, -0.13, 0.03])
    clean = x @ truth + 0.07 * rng.standard_normal(600)
    wild = clean + np.where(rng.random(600) < 0.05, rng.normal(0, 1.5, 600), 0.0)
    for y, tolerance in ((clean, 2e-3), (wild, 8e-3)):
        theta, cov = np.zeros(3), np.eye(3) * 1e6
        for block in range(0, 600, 12):
            theta, cov = huber_update(theta, cov, x[block : block + 12], y[block : block + 12], 0.07)
        assert theta == pytest.approx(sm.RLM(y, x).fit().params, abs=tolerance)
        assert theta == pytest.approx(truth, abs=0.015)


@pytest.mark.parametrize("kind", [np.float32, np.float64])
def test_the_middle_is_the_median_to_the_bit(kind: type) -> None:
    """Of NumPy."""
    draw = np.random.default_rng(2)
    for number in range(1, 40):
        values: NDArray[Any] = draw.normal(1.0, 0.3, number).astype(kind)
        assert np.asarray(middle_of(values)).tobytes() == np.asarray(np.median(values)).tobytes()
