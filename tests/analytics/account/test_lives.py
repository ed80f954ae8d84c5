"""How long things last, and which fail more often, where the truth is known."""

import numpy as np
import pandas as pd
import pytest

from analytics.account.lives import FEWEST, compare, curve, same_age


def cells(failures: dict[tuple[str, str], int], hours: float = 1000.0) -> pd.DataFrame:
    """Failures by (kind of point, depot), each over the same hours."""
    rows = [{"point": point, "depot": depot, "failures": n, "hours": hours} for (point, depot), n in failures.items()]
    return pd.DataFrame(rows).assign(vehicle_class="truck", grease="g")


def test_what_fails_more_often_says_how_much() -> None:
    """By hand: kingpins fail 40 times in 1,000 h at one depot and 10 at the other, pins 12 and 12 times. Of kingpins that is 4 times as
    often; the standard error of the logarithm is the root of 1/40 + 1/10."""
    told = compare(
        cells({("kingpin", "A"): 40, ("kingpin", "B"): 10, ("pin", "A"): 12, ("pin", "B"): 12}), "blocked_line"
    )
    (one,) = (t for t in told if t.where == (("point", "kingpin"), ("depot", "A")))
    spread = 1.96 * np.sqrt(1 / 40 + 1 / 10)
    assert one.ratio == pytest.approx(4.0, rel=1e-4)
    assert (one.low, one.high) == (
        pytest.approx(4 / np.exp(spread), rel=1e-3),
        pytest.approx(4 * np.exp(spread), rel=1e-3),
    )
    assert (one.failures, one.hours) == (40, 1000.0)
    assert not [t for t in told if t.where[0] == ("point", "pin") and len(t.where) > 1]


def test_too_little_is_not_told() -> None:
    """Of fewer failures than five nothing is said, however the rates differ; nor where all are in one group."""
    assert compare(cells({("kingpin", "A"): FEWEST - 1, ("kingpin", "B"): 0}), "blocked_line") == []
    assert compare(cells({("kingpin", "A"): 30}), "blocked_line") == []
    assert compare(cells({("kingpin", "A"): 30, ("kingpin", "B"): 1}), "blocked_line") == []
    few = pd.DataFrame({"entry_h": [0.0] * 9, "exit_h": [10.0] * 9, "failed": [1] * 4 + [0] * 5})
    assert curve(few) is None


def test_nothing_stands_out_of_chance() -> None:
    """Forty times ten depots that are alike: at least one is told in hardly more than so many as false ones are allowed."""
    rng, wrong = np.random.default_rng(3), 0
    for _ in range(40):
        wrong += bool(compare(cells({("pin", f"depot {d}"): int(rng.poisson(12)) for d in range(10)}), "open_line"))
    assert wrong <= 5


def simulated(rng: np.random.Generator, number: int, mean_h: float, depot: str) -> pd.DataFrame:
    """Lines that last `mean_h` hours on average, whatever their age, watched from some age on for 1,000 hours."""
    life, entry = rng.exponential(mean_h, 6 * number), rng.uniform(0, 3000, 6 * number)
    seen = np.flatnonzero(life > entry)[:number]  # what failed before is never seen
    exit_ = np.minimum(life[seen], entry[seen] + 1000)
    return pd.DataFrame(
        {"entry_h": entry[seen], "exit_h": exit_, "failed": (life[seen] <= exit_).astype(int), "vehicle_id": seen // 4, "depot": depot}
    ).assign(point="pin", vehicle_class="truck", grease="g")  # fmt: skip


def test_limits_hold_the_simulated_truth() -> None:
    """Lines of a mean life of 4,000 h and of 2,000 h, which came in at any age: the limits of the curve hold the truth at nearly each of
    four ages, and the ratio of hazards is 2 within its limits; without entries lives would seem longer by far."""
    rng = np.random.default_rng(8)
    slow, fast = simulated(rng, 400, 4000.0, "A"), simulated(rng, 400, 2000.0, "B")
    told = curve(slow)
    assert told is not None
    ages, held = np.array([500.0, 1000.0, 2000.0, 3000.0]), 0
    for age in ages:
        k = int(np.searchsorted(told.at_h, age, "right")) - 1
        held += told.low[k] <= np.exp(-(age - told.from_h) / 4000) <= told.high[k]
    assert held >= 3
    naive = curve(slow.assign(entry_h=0.0))
    assert naive is not None
    assert naive.at(np.array([1000.0]))[0] > told.at(np.array([1000.0]))[0] + 0.05
    both = pd.concat([slow, fast.assign(vehicle_id=fast["vehicle_id"] + 10_000)])
    (one,) = (t for t in same_age(both, "depot", "open_line") if t.where == (("depot", "B"),))
    assert one.low <= 2.0 <= one.high
    assert one.low > 1.0
