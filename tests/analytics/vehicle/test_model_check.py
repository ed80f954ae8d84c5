"""Whether the pressure model fits: figures against reference libraries, words where it does not."""

from typing import Any

import numpy as np
import pytest
from scipy import stats
from statsmodels.tsa.stattools import acf

from analytics.settings import DEFAULTS
from analytics.statistics.standing_out import discoveries
from analytics.vehicle.analysis import analyse
from analytics.vehicle.model_check import FEWEST, FEWEST_ALIKE, REMARKS, check, checks, lean_of, outstanding
from tests.helpers.vehicles import END_US, arrivals, recorded

WIDTH = 0.05


def noise(n: int = 2_000, memory: float = 0.0, seed: int = 7) -> np.ndarray:
    """Noise of standard deviation `WIDTH` that remembers."""
    white = np.random.default_rng(seed).normal(0, WIDTH * np.sqrt(1 - memory**2), n)
    out = np.zeros(n)
    for k in range(n):
        out[k] = white[k] + (memory * out[k - 1] if k else 0.0)
    return out


def temperatures(n: int = 2_000) -> np.ndarray:
    """A year of it."""
    return 10 + 12 * np.sin(np.linspace(0, 2 * np.pi, n))


def test_figures_are_those_of_reference_libraries() -> None:
    """statsmodels' autocorrelation, scipy's straight line and its limits; a share of 5 % by the meaning of 95 % limits."""
    left, temp = noise(memory=0.3) + 0.01 * temperatures() / 10, temperatures()
    told = check("p1", (1,), left, temp, WIDTH)
    assert told.memory == pytest.approx(acf(left, nlags=1)[1], abs=1e-12)
    assert told.spread_percent == pytest.approx(100 * np.expm1(left.std(ddof=1)))
    line = stats.linregress(temp / 10, left)
    plain = lean_of(left, temp, 0.0)
    assert plain is not None
    z = stats.norm.ppf(0.975)
    expected = [100 * np.expm1(line.slope + k * z * line.stderr) for k in (0, -1, 1)]
    assert plain == pytest.approx(tuple(expected), rel=1e-3)
    pure = check("p1", (1,), noise(20_000), np.full(20_000, np.nan), WIDTH)
    assert pure.outside == pytest.approx(0.05, abs=0.006)
    assert pure.lean_percent is None  # no temperature is known
    assert pure.remarks == ()
    assert pure.worst is not None
    assert pure.worst < 1


def test_limits_of_the_lean_hold_though_readings_are_alike() -> None:
    """Of 300 channels whose noise goes on from cycle to cycle (0.6), the 95 % limits hold the truth in 90 to 99 of 100."""
    held, temp = 0, temperatures(400)
    for seed in range(300):
        left = noise(400, 0.6, seed) + 0.02 * temp / 10
        told = check("p1", (1,), left, temp, WIDTH)
        assert told.lean_low is not None
        assert told.lean_high is not None
        held += told.lean_low <= 100 * np.expm1(0.02) <= told.lean_high
    assert 270 <= held <= 297


@pytest.mark.parametrize(
    ("left", "assumed", "remark"),
    [
        (noise() + 0.08 * temperatures() / 10, 0.11, "leans"),
        (noise(memory=0.8), WIDTH, "remembers"),
        (3 * noise(), 3 * WIDTH, "wide"),
        (np.where(np.arange(2_000) % 4 < 1, 2.2, 0.6) * noise(), WIDTH * 0.6, "outside"),
    ],
)
def test_what_is_wrong_is_named(left: np.ndarray, assumed: float, remark: str) -> None:
    """First what is furthest beyond its limit."""
    told = check("p1", (1,), left, temperatures(), assumed)
    assert told.remarks[:1] == (remark,)
    assert told.worst is not None
    assert told.worst > 1


def test_a_lean_that_may_be_none_is_none() -> None:
    """Where few readings leave its limits on either side of nothing."""
    told = check("p1", (1,), noise(FEWEST, 0.45, 3), temperatures(FEWEST), WIDTH)
    assert told.lean_low is not None
    assert told.lean_high is not None
    assert told.lean_low < 0 < told.lean_high
    assert "leans" not in told.remarks


def test_few_readings_tell_nothing() -> None:
    """Not known is not sound."""
    told = check("p1", (1,), noise(FEWEST - 1), temperatures(FEWEST - 1), WIDTH)
    assert (told.worst, told.spread_percent, told.readings, told.remarks) == (None, None, FEWEST - 1, ())


def test_those_named_are_the_four_of_the_published_example() -> None:
    """Benjamini and Hochberg (1995), Controlling the False Discovery Rate, J. R. Stat. Soc. B 57, 3.2: of fifteen p-values of a trial
    four are named at 5 %."""
    published = (
        0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0,
    )  # fmt: skip
    named = discoveries(np.array([np.nan, *published]), 0.05)
    assert named.tolist() == [False] + [True] * 4 + [False] * 11


def test_what_half_of_the_fleet_does_is_no_channels_own() -> None:
    """Of 400 channels whose spread lies about the limit the one that is three times as wide is worth a look, and one with a memory that no
    other has; of a handful nobody can say what is usual, and all that is beyond its limit is."""
    rng = np.random.default_rng(11)
    n, limit = 400, 11.0
    measured = np.column_stack(
        [
            rng.normal(0, 0.5, n),
            rng.normal(0.1, 0.05, n),
            rng.lognormal(np.log(limit), 0.15, n),
            rng.normal(0.07, 0.01, n),
        ]
    )
    measured[3, 2], measured[5, 1], measured[7, 0] = 3 * limit, 0.7, np.nan
    beyond = np.zeros((n, 4), bool)
    beyond[:, 2], beyond[:, 1] = measured[:, 2] > limit, measured[:, 1] > 0.5
    assert beyond[:, 2].sum() > 150
    assert np.argwhere(outstanding(measured, beyond)).tolist() == [
        [3, REMARKS.index("wide")],
        [5, REMARKS.index("remembers")],
    ]
    few = FEWEST_ALIKE - 1
    assert (outstanding(measured[:few], beyond[:few]) == beyond[:few]).all()
    unread = measured.copy()
    unread[:, 0] = np.nan  # no temperature is known of any
    assert np.argwhere(outstanding(unread, beyond)).tolist() == [[3, 2], [5, 1]]


@pytest.fixture(scope="module")
def sound_vehicle(tmp_path_factory: pytest.TempPathFactory) -> list[Any]:
    """A simulated vehicle in which nothing breaks."""
    engine, held = recorded(tmp_path_factory.mktemp("check"), [arrivals("HS-101", (), days=120)])
    engine.dispose()
    return [analyse(*held["HS-101"], END_US), held["HS-101"]]


def test_a_sound_vehicle_is_well_modelled(sound_vehicle: list[Any]) -> None:
    """Every channel is told of once; the model that judges simulated readings fits them."""
    result, (_, setups) = sound_vehicle
    told = checks(result)
    assert {one.channel for one in told} == set(setups[-1].channels)
    assert all(one.worst is not None for one in told)
    assert sum(bool(one.remarks) for one in told) <= len(told) // 4
    widest = DEFAULTS.blocked_log_ratio / DEFAULTS.sigmas
    assert all(one.spread_percent is not None and one.spread_percent < 100 * np.expm1(widest) for one in told)
