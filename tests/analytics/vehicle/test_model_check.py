"""Whether the pressure model fits: figures against reference libraries, words where it does not."""

from typing import Any

import numpy as np
import pytest
from scipy import stats
from statsmodels.tsa.stattools import acf

from analytics.settings import DEFAULTS
from analytics.vehicle.analysis import analyse
from analytics.vehicle.model_check import FEWEST, check, checks, lean_of
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
