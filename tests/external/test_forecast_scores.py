"""The loss that refill dates are judged by, against scores that others define.

Sources: Koenker and Bassett 1978 (check function of a quantile); Gneiting and Raftery 2007, equation 43 (interval score), in the form that
the CRAN package scoringfunctions states; the same, equation 5 (continuous ranked probability score of a normal forecast).
"""

import numpy as np
import pytest
from scipy.stats import norm

from analytics.planning.backtest import pinball


@pytest.mark.parametrize(
    ("quantile", "truth", "loss"), [(0.9, 12, 1.8), (0.9, 7, 0.3), (0.5, 12, 1.0), (0.1, 12, 0.2), (0.1, 7, 2.7)]
)
def test_the_loss_of_a_quantile(quantile: float, truth: float, loss: float) -> None:
    """A forecast of 10: too early costs by the quantile, too late by what is left of one."""
    assert pinball(quantile, truth, 10.0) == pytest.approx(loss)


@pytest.mark.parametrize(("truth", "alpha", "score"), [(10, 0.2, 10), (18, 0.2, 40), (2, 0.1, 70)])
def test_both_ends_of_a_window_make_the_interval_score(truth: float, alpha: float, score: float) -> None:
    """A window from 5 to 15: its width, and 2 / alpha for each unit that the truth lies outside."""
    both = pinball(alpha / 2, truth, 5.0) + pinball(1 - alpha / 2, truth, 15.0)
    assert 2 / alpha * both == pytest.approx(score)


@pytest.mark.parametrize(
    ("mean", "spread", "truth", "score"), [(0, 1, 0, 0.233695), (0, 1, 1, 0.602441), (20, 3, 25, 3.426390)]
)
def test_all_quantiles_make_the_ranked_probability_score(
    mean: float, spread: float, truth: float, score: float
) -> None:
    """Twice the mean loss over all quantiles of a normal forecast."""
    quantiles = (np.arange(20_000) + 0.5) / 20_000
    losses = [pinball(q, truth, said) for q, said in zip(quantiles, norm.ppf(quantiles, mean, spread), strict=True)]
    assert 2 * np.mean(losses) == pytest.approx(score, abs=2e-4)
