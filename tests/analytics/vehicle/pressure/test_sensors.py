"""When readings that are alike, or that do not come, say that a sensor is broken."""

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from msgspec import structs

from analytics.vehicle.analysis import analyse
from analytics.vehicle.pressure.sensors import repeats_needed, stuck
from ingest.times import DAY_US
from tests.helpers.pressures import START_US, drive, messages, setup, told
from tests.helpers.vehicles import END_US, arrivals, recorded


@pytest.mark.parametrize(("value", "step"), [(2100.0, 100.0), (100.0, 100.0), (9000.0, 10.0)])
def test_sound_readings_of_a_coarse_sensor_are_notstuck(value: float, step: float) -> None:
    """A million readings that scatter by three percent, in steps: none or one run as long as what is called stuck."""
    rng = np.random.default_rng(7)
    readings = np.round(value * np.exp(0.03 * rng.standard_normal(1_000_000)) / step) * step
    needed = repeats_needed(value, step, 8)
    assert needed >= 8
    found = stuck(np.arange(len(readings)), readings, "p", 8)
    assert len(found) <= (5 if value > step else 0)


def test_a_sensor_that_stands_still_isstuck() -> None:
    """From the first of the readings that are alike; certain with the eighth."""
    rng = np.random.default_rng(3)
    readings = np.r_[np.round(rng.normal(9000, 300, 60), -1), np.full(20, 8700.0)]
    (found,) = stuck(np.arange(80), readings, "p", 8)
    assert (found.began_us, found.detected_us, found.ended_us) == (60, 67, None)


def test_lost_readings_are_no_broken_level_sensor(tmp_path: Path) -> None:
    """A radio that loses all level readings for two weeks leaves gaps in the numbers; a sensor that stops leaves none."""
    whole = arrivals("HS-203", days=60)
    levels = [
        a
        for a in whole
        if "/level" in a.topic and a.received_us is not None and a.received_us > END_US - 14 * 86_400_000_000
    ]
    gone = {json.loads(a.payload)["seq"] for a in levels}
    lossy = [a for a in whole if json.loads(a.payload).get("seq") not in gone or "/level" not in a.topic]
    assert len(lossy) < len(whole)
    _, held = recorded(tmp_path / "lossy", [lossy])
    assert "level_sensor" not in {f.kind for f in analyse(*held["HS-203"], END_US).findings if f.open}


@pytest.mark.parametrize(
    ("last", "kind"), [(lambda n: 0, "pressure_sensor"), (lambda n: 30 + 10 * (n * n % 7), "open_line")]
)
def test_exactly_nothing_is_a_dead_sensor_and_a_little_an_open_line(
    tmp_path: Path, last: Callable[[int], int], kind: str
) -> None:
    """Even a line that is off holds a little pressure, never the same; one value without any scatter is no reading. Neither is said
    of the other, on any of the days that follow."""
    sent = arrivals("HS-101", days=40)
    off_us = END_US - 4 * DAY_US
    dead = []
    for n, one in enumerate(sent):
        said = json.loads(one.payload)
        if "/cycle" in one.topic and one.received_us is not None and one.received_us > off_us:
            said["peak_kpa"]["p05"] = last(n)
        dead.append(structs.replace(one, payload=json.dumps(said).encode()))
    _, held = recorded(tmp_path, [dead])
    for hours in (6, 12, 24, 96):
        found = [
            f.kind for f in analyse(*held["HS-101"], off_us + hours * 3_600_000_000).findings if f.channel == "p05"
        ]
        assert set(found) <= {kind}
    assert found == [kind]


def test_no_pressure_on_any_channel_is_no_dead_sensor() -> None:
    """Where all read nothing at once it is the pump, whatever the readings repeat."""
    made = drive(60, 4, seed=5)
    made.log_kpa[-40:] = -np.inf
    kinds = {episode.kind for episode in told(made)}
    assert "starved_pump" in kinds
    assert "pressure_sensor" not in kinds


def test_a_sensor_that_grows_noisy_is_no_line_that_blocks_again_and_again() -> None:
    """Its limits widen by what its readings scatter; a line that blocks is found all the same."""
    found = 0
    for seed in (1, 2, 6):
        made = drive(150, 4, seed)
        late = made.day > 50
        made.log_kpa[late, 0] += np.random.default_rng(seed).normal(0, 0.25, late.sum())
        found += len([one for one in told(made) if one.kind == "blocked_line"])
        made.log_kpa[made.day > 120, 0] += np.log(3.5)
        last = told(made)[-1]
        assert (last.kind, last.channel, last.ended_us) == ("blocked_line", "p00", None)
        assert (last.detected_us - START_US) / DAY_US < 122
    assert found <= 1


def test_a_line_that_stays_open_after_its_sensor_was_stuck_for_a_while_is_found() -> None:
    """For the days of a sensor's trouble nobody can say what is the line's; after it, the line's readings speak for themselves."""
    made = drive(100, 4, seed=8)
    stuck_from, stuck_until = 60, 63
    made.log_kpa[(made.day > stuck_from) & (made.day < stuck_until), 1] = np.log(4000)
    made.log_kpa[made.day > stuck_until, 1] += np.log(0.15)

    def found(day: float) -> set[str]:
        findings = analyse(messages(made), (setup(made.channels),), START_US + int(day * DAY_US)).findings
        return {f.kind for f in findings if f.channel == "p01"}

    assert found(stuck_until + 2) == {"pressure_sensor"}
    assert found(99) == {"pressure_sensor", "open_line"}
