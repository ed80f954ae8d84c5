"""The level that is followed from reading to reading, against the published local level model of the Nile.

Source: Durbin and Koopman, Time Series Analysis by State Space Methods (2nd ed. 2012), section 2.2.5: variances 15099 of
the readings and 1469.1 of the level's steps (as another package's tests quote them); data from statsmodels. The steady
variance follows from the Riccati equation.
"""

import numpy as np
import pytest
from statsmodels.datasets import nile
from statsmodels.tsa.statespace.structural import UnobservedComponents

from analytics.statistics import robust

READINGS, STEPS = 15099.0, 1469.1


def test_the_nile_is_followed_as_published(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without what makes it robust, the recursion is the filter: the same levels as statsmodels, the same steady variance."""
    monkeypatch.setattr(robust, "HUBER", 1e9)
    flow = nile.load_pandas().data["volume"].to_numpy(float)
    model = UnobservedComponents(flow, "llevel")
    model.ssm.initialize("diffuse")
    model.loglikelihood_burn = 0
    expected = model.filter([READINGS, STEPS]).filtered_state[0]
    theta, cov = np.zeros(1), np.array([[1e12]])
    levels = []
    for n, value in enumerate(flow):
        if n:
            cov = cov + STEPS
        theta, cov = robust.huber_update(theta, cov, np.ones((1, 1)), np.array([value]), READINGS**0.5)
        levels.append(float(theta[0]))
    assert levels == pytest.approx(expected.tolist(), rel=1e-6)
    ratio = STEPS / READINGS
    steady = (ratio + np.sqrt(ratio**2 + 4 * ratio)) / 2
    assert float(cov[0, 0]) == pytest.approx(READINGS * steady / (1 + steady), rel=1e-4)


def test_a_wild_year_moves_it_less() -> None:
    """With it, one reading of ten times the flow moves the level by no more than one just beyond the bound would."""
    theta, cov = np.array([900.0]), np.array([[4000.0]])
    wild, _ = robust.huber_update(theta, cov, np.ones((1, 1)), np.array([9000.0]), READINGS**0.5, rounds=30)
    bound, _ = robust.huber_update(
        theta, cov, np.ones((1, 1)), np.array([900.0 + 3 * READINGS**0.5]), READINGS**0.5, rounds=30
    )
    assert 0 < wild[0] - 900 <= 1.05 * (bound[0] - 900)
