"""Lines that creep are found however slow; seasons, ageing and another grade of grease are not called faults."""

import numpy as np
import pytest

from tests.helpers.pressures import Drive, analysed, drive, told, work

# One drawing of the noise, and in the long run some more.
SEEDS = pytest.mark.parametrize("seed", [0, *(pytest.param(seed, marks=pytest.mark.long) for seed in (1, 2, 3))])


def creep(made: Drive, channel: int, ratio: float, begin_day: float, days: float) -> None:
    """A line's pressure goes to `ratio` times what it was, at an even pace of its logarithm, and stays there."""
    made.log_kpa[:, channel] += np.log(ratio) * np.clip((made.day - begin_day) / days, 0, 1)


@SEEDS
@pytest.mark.parametrize("ratio", [3.0, 1.9, 0.42, 0.3])
@pytest.mark.parametrize("days", [24, 45, 90, 180, 365])
@pytest.mark.parametrize("channels", [1, 2, 4, 12])
def test_what_creeps_is_found_before_it_has_gone_far(channels: int, days: int, ratio: float, seed: int) -> None:
    """By the time that it passes 1.8 or 0.45 times what it was, and nothing else is found."""
    made = drive(days + 70, channels, seed)
    creep(made, 0, ratio, 40, days)
    found = told(made)
    assert [(s.kind, s.channel) for s in found] == [("blocked_line" if ratio > 1 else "open_line", "p00")]
    limit = np.log(1.8 if ratio > 1 else 0.45)
    passed_day = 40 + days * limit / np.log(ratio)
    detected_day = (found[0].detected_us - made.at_us[0]) / 86_400_000_000 + made.day[0]
    assert detected_day < passed_day + 2.0  # a week-end apart
    assert found[0].ended_us is None


@SEEDS
@pytest.mark.parametrize("channels", [1, 2, 4, 12])
@pytest.mark.parametrize("noise", [0.04, 0.07, 0.1])
def test_a_year_of_seasons_and_of_sound_ageing_says_nothing(channels: int, noise: float, seed: int) -> None:
    """Every line ages by up to a tenth in 1,000 ignition hours, up or down."""
    made = drive(365, channels, 100 + seed, noise)
    pace = np.linspace(-1, 1, channels) if channels > 1 else np.array([(-1.0) ** seed])
    made.log_kpa += np.log(1.1) * pace * made.ignition_h[:, None] / 1000
    assert told(made) == []


@SEEDS
@pytest.mark.parametrize("channels", [1, 2, 12])
@pytest.mark.parametrize("ratio", [0.62, 0.75, 1.4, 1.7])
def test_another_grade_of_grease_is_no_fault(channels: int, ratio: float, seed: int) -> None:
    """All pressures step at a fill, and step back at the next but one."""
    made = drive(200, channels, 200 + seed)
    fills = tuple(int(made.at_us[np.searchsorted(made.day, day)]) - 600_000_000 for day in (30, 60, 90, 120, 150, 180))
    made.log_kpa[(made.at_us > fills[1]) & (made.at_us < fills[3])] += np.log(ratio)
    assert told(made, fills) == []


def test_a_recorded_fill_explains_another_grade_where_no_level_tells() -> None:
    """The same step without a fill is a finding on a lone channel."""
    made = drive(120, 1, 210)
    at_us = int(made.at_us[np.searchsorted(made.day, 60)]) - 600_000_000
    made.log_kpa[made.at_us > at_us] += np.log(1.6)
    assert [s.kind for s in told(made)] == ["blocked_line"]
    made.work.append(work(at_us, "filled", to_pct=95.0, grease="lithium complex, NLGI 2"))
    assert told(made) == []


@pytest.mark.parametrize("channels", [1, 12])
def test_a_sudden_change_between_fills_is_found_beside_them(channels: int) -> None:
    """Half as much again or less than half, within six cycles, in summer and winter."""
    for ratio, kind in ((1.65, "blocked_line"), (0.42, "open_line")):
        made = drive(200, channels, 300)
        fills = tuple(int(made.at_us[np.searchsorted(made.day, day)]) for day in (30, 60, 90, 120, 150, 180))
        first = int(np.searchsorted(made.day, 134))
        made.log_kpa[first:, 0] += np.log(ratio)
        (found,) = told(made, fills)
        assert (found.kind, found.channel) == (kind, "p00")
        assert found.detected_us <= made.at_us[first + 6]
        assert abs(found.began_us - made.at_us[first]) <= made.at_us[first + 6] - made.at_us[first]


def test_a_repair_ends_what_crept() -> None:
    """And the pressure that returns is nobody's fault."""
    for channels in (1, 12):
        made = drive(220, channels, 7)
        creep(made, 0, 3.0, 40, 120)
        mended = made.day > 190
        made.log_kpa[mended, 0] -= np.log(3.0)
        (found,) = told(made)
        assert found.kind == "blocked_line"
        assert found.ended_us is not None
        assert abs(found.ended_us - made.at_us[mended][0]) < 86_400_000_000


def test_noise_is_that_of_the_readings_whatever_creeps() -> None:
    """A trend does not widen the limits that are to find it."""
    still, creeping = drive(200, 12, 9), drive(200, 12, 9)
    creep(creeping, 3, 1.45, 20, 170)
    noise = [analysed(made).noise[3] for made in (still, creeping)]
    assert noise == pytest.approx([0.07, 0.07], abs=0.012)


def test_a_line_s_share_of_the_weather_is_learned_whole() -> None:
    """A line that feels the weather half as much again as others: what is left of the seasons lies within a tenth."""
    made = drive(365, 12, 11, noise=0.05)
    made.log_kpa[:, 2] += 0.3 * (np.median(made.log_kpa, axis=1) - np.median(made.log_kpa))
    found = analysed(made)
    assert found.episodes == ()
    months = np.array_split(np.log(found.ratio[:, 2])[200:], 10)
    assert np.ptp([np.nanmedian(month) for month in months]) < 0.16
