"""Parts to have, worked out by hand."""

from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from analytics.account.parts import Course, Rate, Rates, chances, grease_needs, needs, rates_of, upper

NO_LIVES = pd.DataFrame({"what": [], "point": [], "entry_h": [], "exit_h": [], "failed": []}, dtype=float)


def parts(number: int, **changes: Any) -> pd.DataFrame:
    """Lines alike."""
    row = {
        "what": "blocked_line", "point": "pin", "lines": 1, "pace_h": 10.0, "age_h": np.nan, "fails_now": False, "worn_days": np.nan,
        "worn_early_days": np.nan, "depot": "A", "feed": "direct", "length_m": 3.0, "bore_mm": 4.0,
    }  # fmt: skip
    return pd.DataFrame([row | changes] * number)


def test_expected_and_enough() -> None:
    """A hundred lines at 10 h a day for 90 days, of a kind that failed 9 times in 100,000 h: each fails with 1 - exp(-0.081), so that
    7.78 are expected. The variance is that of chance and (7.78)**2 / 9 of a rate known from nine failures."""
    rates = {("blocked_line", "pin"): Rate(of="pin", failures=9, hours=100_000.0)}
    chance = 1 - np.exp(-9 / 100_000 * 900)
    (one,) = needs(chances(parts(100), rates))
    assert (one.depot, one.part, one.unit) == ("A", "fitting", "")
    assert one.expected == pytest.approx(100 * chance)
    variance = 100 * chance * (1 - chance) + (100 * chance) ** 2 / 9
    size = (100 * chance) ** 2 / (variance - 100 * chance)
    assert one.enough == stats.nbinom.ppf(0.9, size, 100 * chance / variance)


def test_enough_is_enough_nine_times_in_ten() -> None:
    """Of 40 simulated depots of 200 lines each, whose lines fail once in 50,000 h: what came in the next 90 days was within what was told
    to be enough, by the failures of the 4,000 h before, in 78 to 99 of 100; and what was expected came on average."""
    rng, held, expected, came = np.random.default_rng(5), 0, [], []
    for _ in range(40):
        seen = pd.DataFrame(
            {
                "what": ["blocked_line"],
                "point": ["pin"],
                "failures": [rng.poisson(200 * 4000 / 5e4)],
                "hours": [200 * 4000.0],
            }
        )
        (one,) = needs(chances(parts(200), rates_of(seen, NO_LIVES)))
        assert one.expected is not None
        assert one.enough is not None
        came.append(int(rng.binomial(200, -np.expm1(-900 / 5e4))))
        expected.append(one.expected)
        held += came[-1] <= one.enough
    assert 0.78 <= held / 40 <= 0.99
    assert np.mean(expected) == pytest.approx(np.mean(came), rel=0.15)


def test_what_failed_and_what_wears_out() -> None:
    """One has failed, one passes its limit in 30 days (10 at the earliest) and one in 90, half a chance: 1 + 0.99... + 0.5 of the part."""
    rates = {("blocked_line", ""): Rate(of="pin", failures=5, hours=1e9)}
    rows = pd.concat([
        parts(1, fails_now=True), parts(1, worn_days=30.0, worn_early_days=10.0), parts(1, worn_days=90.0, worn_early_days=70.0),
    ])  # fmt: skip
    (one,) = needs(chances(rows, rates))
    assert one.now == 1.0
    assert one.wearing == pytest.approx(1.5, abs=1e-6)
    assert one.expected == pytest.approx(2.5, abs=1e-4)


def test_what_nobody_knows_has_no_number() -> None:
    """Where too few failed to say, what has failed and what wears out still counts, and nothing is expected."""
    (one,) = needs(chances(pd.concat([parts(5), parts(1, fails_now=True)]), {}))
    assert (one.expected, one.enough, one.now) == (1.0, None, 1.0)
    (one,) = needs(chances(parts(5), {}))
    assert (one.expected, one.enough) == (None, None)
    assert needs(chances(parts(3, what="missed_cycles"), {})) == []  # nobody can say what it takes


def test_what_a_repair_takes() -> None:
    """A broken line its length of tube and two fittings; a blocked one of an injector system an injector, too."""
    rates: Rates = {}
    broken = needs(chances(parts(2, what="open_line", fails_now=True), rates))
    assert [(one.part, one.unit, one.now) for one in broken] == [("fitting", "", 4.0), ("tube, 4 mm bore", "m", 6.0)]
    blocked = needs(chances(parts(1, feed="injector", fails_now=True), rates))
    assert [(one.part, one.now) for one in blocked] == [("fitting", 1.0), ("injector", 1.0)]
    worn = needs(chances(parts(1, what="under_delivery", fails_now=True), rates))
    assert [(one.part, one.now) for one in worn] == [("pumping element", 1.0)]


def test_age_counts_where_enough_failed() -> None:
    """Of 60 lines half fail evenly between 1,000 and 2,000 h: one of 1,000 h is likelier to fail in the next 900 than one that is new."""
    exits = np.r_[np.linspace(1000, 2000, 30), np.full(30, 2500.0)]
    lives = pd.DataFrame(
        {"what": "blocked_line", "point": "pin", "entry_h": 0.0, "exit_h": exits, "failed": [1] * 30 + [0] * 30}
    )
    cells = pd.DataFrame({"what": ["blocked_line"], "point": ["pin"], "failures": [30], "hours": [float(exits.sum())]})
    rates = rates_of(cells, lives)
    old, new, unknown = (chances(parts(1, age_h=age), rates)["chance"].iloc[0] for age in (1000.0, 0.0, np.nan))
    assert old > 1.5 * unknown
    assert new < unknown / 2


def test_what_hardly_fails_is_not_taken_for_the_rest() -> None:
    """Of pins 20 failed in 10,000 h; of two more kinds none in 10,000 h, where 10 should have by the average: they count half a failure
    together. Had they been watched for 1,000 h only, they would be taken for the average."""

    def told(hours: float) -> Rates:
        points = {"point": ["pin", "bush", "joint"], "failures": [20, 0, 0], "hours": [1e4, hours / 2, hours / 2]}
        return rates_of(pd.DataFrame(points).assign(what="blocked_line"), NO_LIVES)

    assert told(1e4)["blocked_line", "bush"].per_h == pytest.approx(0.5 / 1e4)
    assert told(1e3)["blocked_line", "bush"].per_h == pytest.approx(20 / 1.1e4)
    assert told(1e4)["blocked_line", "pin"].per_h == pytest.approx(20 / 1e4)


def test_enough_of_an_amount() -> None:
    """A count without more than chance is Poisson's: of 2.3 expected 4 are enough; of nothing nothing; an amount is a gamma's."""
    assert upper(2.3, 2.3, whole=True) == 4.0  # P(at most 4) = 0.916, P(at most 3) = 0.799
    assert upper(0.0, 0.0, whole=True) == 0.0
    assert upper(10.0, 10.0, whole=False) == pytest.approx(stats.gamma.ppf(0.9, 10.0, scale=1.0))


def test_grease_to_have() -> None:
    """0.5 l a day are 45 l in 90 days; months of 12, 15 and 18 l scatter by a fifth, which over three months is 0.2 / sqrt(2.96)."""
    one, other = grease_needs([
        Course(depot="A", grease="g, NLGI 2", litres_a_day=0.5, months_l=(12.0, 15.0, 18.0)),
        Course(depot="B", grease="g, NLGI 2", litres_a_day=0.1, months_l=(3.0,)),
    ])  # fmt: skip
    assert one.expected == pytest.approx(45.0)
    sd = 45 * 0.2 * np.sqrt(30.4 / 90)
    assert one.enough == pytest.approx(stats.gamma.ppf(0.9, (45 / sd) ** 2, scale=sd**2 / 45))
    assert (other.expected, other.enough) == (pytest.approx(9.0), None)
