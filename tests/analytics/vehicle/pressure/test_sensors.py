"""When readings that are alike, or that do not come, say that a sensor is broken."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from analytics.vehicle.analysis import analyse
from analytics.vehicle.pressure.sensors import repeats_needed, stuck
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


def test_a_line_that_reads_nothing_at_all_is_open(tmp_path: Path) -> None:
    """Its readings repeat, but nothing is what an open line has."""
    sent = arrivals("HS-101", days=40)
    off_us = END_US - 4 * 86_400_000_000
    dead = []
    for one in sent:
        told = json.loads(one.payload)
        if "/cycle" in one.topic and one.received_us is not None and one.received_us > off_us:
            told["peak_kpa"]["p05"] = 0
        dead.append(replace(one, payload=json.dumps(told).encode()))
    _, held = recorded(tmp_path, [dead])
    kinds = {(f.kind, f.channel) for f in analyse(*held["HS-101"], END_US).findings if f.open}
    assert ("open_line", "p05") in kinds
