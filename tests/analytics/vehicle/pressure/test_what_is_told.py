"""What a finding says agrees with itself and with the day it is asked for."""

import numpy as np
import pytest

from analytics.findings import Episode
from tests.analytics.vehicle.pressure.test_creeping import creep
from tests.helpers.pressures import Drive, drive, told, work


def troubled(channels: int) -> Drive:
    """One that creeps and is mended, one that jumps, and one that was faulty from the start, where there are so many channels."""
    made = drive(230, channels, 70 + channels)
    creep(made, 0, 2.6, 30, 90)
    mended = made.day > 150
    made.log_kpa[mended, 0] -= np.log(2.6)
    made.work.append(work(int(made.at_us[mended][0]) - 1, "line_mended", lines=(1,)))
    made.log_kpa[(made.day > 180) & (made.day < 200), channels - 1] += np.log(0.3)
    if channels > 4:
        made.log_kpa[made.day < 60, 3] += np.log(0.2)
        made.work.append(work(int(made.at_us[np.searchsorted(made.day, 60)]) - 1, "line_mended", lines=(4,)))
        made.log_kpa[(made.day > 80) & (made.day < 100), 2] = np.log(9000.0)  # stuck
    return made


@pytest.mark.parametrize("channels", [1, 3, 8])
def test_a_finding_is_shown_from_the_moment_it_names(channels: int) -> None:
    """A microsecond before it is not, and what is shown on any day agrees with what is known in the end."""
    made = troubled(channels)

    def shown(at_us: int) -> set[tuple[str, str | None, int]]:
        return {(s.kind, s.channel, s.began_us) for s in told(made, as_of_us=at_us)}

    found = told(made)
    assert {"blocked_line", "open_line"} <= {s.kind for s in found}
    for s in found:
        assert (s.kind, s.channel, s.began_us) in shown(s.detected_us)
        assert (s.kind, s.channel, s.began_us) not in shown(s.detected_us - 1)
    for at_us in made.at_us[300::271]:
        known = {(s.kind, s.channel, s.began_us) for s in found if s.detected_us <= at_us}
        assert shown(int(at_us)) == known


@pytest.mark.parametrize("channels", [1, 3, 8])
def test_no_open_finding_says_that_all_is_sound(channels: int) -> None:
    """What its own evidence calls sound has ended it."""
    made = troubled(channels)

    def contradicts(s: Episode) -> bool:
        ratio = s.evidence.get("ratio_to_expected")
        return s.ended_us is None and ratio is not None and 0.8 < ratio < 1.25

    for at_us in made.at_us[200::97]:
        assert not any(contradicts(s) for s in told(made, as_of_us=int(at_us)))


@pytest.mark.parametrize("channels", [1, 12])
def test_without_a_thermometer_a_year_says_nothing_and_a_blocked_line_is_found(channels: int) -> None:
    """One channel then needs more: what the weather may do to it is not known."""
    for seed in range(4):
        made = drive(365, channels, 500 + seed)
        assert told(made, temperature=False) == []
        creep(made, 0, 3.5, 100, 60)
        (found,) = told(made, temperature=False)
        assert (found.kind, found.channel, found.ended_us) == ("blocked_line", "p00", None)
        assert channels > 1 or found.evidence["temperature_known"] == 0


def test_a_restless_channel_at_its_baseline_ends_its_finding() -> None:
    """Readings that scatter widely never lie four in a row within reach; their middle does."""
    made = drive(160, 8, 90)
    made.log_kpa[:, 5] += 0.17 * made.rng.standard_normal(len(made.day))
    made.log_kpa[(made.day > 60) & (made.day < 90), 5] += np.log(2.6)
    (found,) = [s for s in told(made) if s.kind == "blocked_line"]
    assert found.ended_us is not None
    assert (found.ended_us - made.at_us[np.searchsorted(made.day, 90)]) / 86_400_000_000 < 5


@pytest.mark.parametrize("seed", [0, 1, 5])
def test_a_lone_channel_without_temperature_is_told_by_no_more_than_it_rose(seed: int) -> None:
    """Into a winter that no thermometer tells, with warmer and colder days: whatever is found and found to be over again on the way."""
    made = drive(210, 1, seed, noise=0.05)
    days = np.random.default_rng(seed).normal(0, 0.12, 211)
    made.log_kpa += (np.minimum(made.day / 140, 1) + days[made.day.astype(int)])[:, None]
    usual = float(np.median(made.log_kpa[:60, 0]))
    for one in told(made, temperature=False):
        ratio = one.evidence["ratio_to_expected"]
        assert ratio is not None
        assert np.log(ratio) <= made.log_kpa.max() - usual
