"""Hour meters that count in coarse steps: the switching and the clock tell the rest, and nothing is told that they leave open."""

from pathlib import Path

import numpy as np
import pytest

from analytics.vehicle.coarse_meter import fine_hours, step_of
from tests.analytics.vehicle.test_cycles import HOUR_US, INTERVAL_H, drive, every, kinds


@pytest.mark.parametrize("step", [1.0, 0.5, 0.25, 0.2, 0.1, 0.05, 0.01])
def test_the_step_is_the_coarsest_that_fits_all_readings(step: float) -> None:
    """Readings of a month, as they are sent: to two decimals."""
    rng = np.random.default_rng(4)
    readings = np.round(np.floor(rng.uniform(5000, 5300, 400) / step) * step, 2)
    assert step_of(readings) == step


def messages(seed: int, lost: float) -> tuple[np.ndarray, ...]:
    """(time, true hours, number, ignition after, whether of switching) of forty shifts of which a part of the messages is lost."""
    rng = np.random.default_rng(seed)
    rows: list[tuple[float, float, float, bool]] = []
    clock, hours = 0.0, 0.3
    for _ in range(40):
        shift = rng.uniform(1, 11)
        rows.append((clock, hours, 1.0, True))
        # Two cycles, which imply an ignition that is on, then something else.
        rows += [
            (clock + t, hours + t, np.nan if k % 3 == 2 else 1.0, False)
            for k, t in enumerate(np.arange(0.4, shift, 0.4))
        ]
        clock, hours = clock + shift, hours + shift
        rows.append((clock, hours, 0.0, True))
        clock += rng.uniform(0.2, 14)
    at, true, on, switched = (np.array(column) for column in zip(*rows, strict=True))
    came = rng.random(len(at)) >= lost
    seq = np.arange(len(at))
    return (at[came] * HOUR_US).astype(np.int64), true[came], seq[came], on[came], switched[came].astype(bool)


@pytest.mark.parametrize("seed", range(5))
def test_with_every_message_hours_are_the_clock_s(seed: int) -> None:
    """Whole hours, and yet to a twentieth of an hour."""
    at, true, seq, on, switched = messages(seed, 0.0)
    hours, bounded = fine_hours(at, np.floor(true), seq, on, switched, 1.0)
    assert not bounded[1:].any()
    assert np.abs(hours - (true - true[0])).max() < 0.05


@pytest.mark.parametrize("seed", range(20))
def test_between_doubts_hours_are_fine_and_over_them_good_to_a_step(seed: int) -> None:
    """One message in twenty is lost, switching too: what is not marked as doubtful is right, or wrong by a step at most."""
    at, true, seq, on, switched = messages(seed, 0.05)
    hours, bounded = fine_hours(at, np.floor(true), seq, on, switched, 1.0)
    error = (hours - hours[0]) - (true - true[0])
    gained = np.diff(error)[~bounded[1:]]
    assert np.abs(gained).max() <= 1.05
    assert np.mean(np.abs(gained) < 0.06) > 0.98
    assert np.ptp(error) <= 2.0
    assert bounded.mean() < 0.25


@pytest.mark.parametrize("step_h", [1.0, 0.5, 0.1])
def test_a_coarse_meter_makes_no_finding(tmp_path: Path, step_h: float) -> None:
    """A sound vehicle that stood for a night."""
    stop = 40 * INTERVAL_H + 0.1
    cycles = every(range(1, 41)) + [(h + 10, n) for h, n in every(range(41, 161), first_no=40)]
    result = drive(tmp_path, cycles, step_h=step_h, off_h=(stop, stop + 10))
    assert kinds(result) == []
    assert result.audit.missed.sum() == 0


@pytest.mark.parametrize("missing", [4, 25])
@pytest.mark.parametrize("step_h", [1.0, 0.1])
def test_a_dead_pump_is_found_and_counted_beside_a_coarse_meter(tmp_path: Path, missing: int, step_h: float) -> None:
    """As exactly as with a fine one."""
    before = every(range(1, 61))
    after = every(range(61 + missing, 121 + missing), first_no=60)
    result = drive(tmp_path, before + after, step_h=step_h)
    assert kinds(result) == ["missed_cycles"]
    assert result.audit.missed.sum() == missing


def test_another_interval_is_found_beside_a_coarse_meter(tmp_path: Path) -> None:
    """Half as long again."""
    result = drive(tmp_path, every(range(1, 61), INTERVAL_H * 1.5), step_h=1.0)
    assert kinds(result) == ["timer_mismatch"]
    assert result.findings[0].evidence["interval_min"] == pytest.approx(30, rel=0.02)


def test_lost_switching_beside_a_coarse_meter_makes_no_missed_cycles(tmp_path: Path) -> None:
    """When it was switched on after the stop nobody can say: a step of the meter may be cycles or not."""
    stop = 40 * INTERVAL_H + 0.1
    cycles = every(range(1, 41)) + [(h + 10, n) for h, n in every(range(41, 81), first_no=40)]
    result = drive(tmp_path, cycles, step_h=1.0, off_h=(stop, stop + 10), lost=frozenset({41, 42}))
    assert kinds(result) == []
