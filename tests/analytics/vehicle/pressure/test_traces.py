"""What the course of a cycle's pressure adds to a finding, and what lines alike tell of one that was never sound."""

from pathlib import Path

import numpy as np
import pytest

from analytics.vehicle.analysis import analyse
from analytics.vehicle.data_notes import notes
from analytics.vehicle.doses import doses
from analytics.vehicle.line_conditions import line_conditions
from analytics.vehicle.lubrication import odd_from_the_start
from analytics.vehicle.pressure.traces import course
from simulators.scenario import Trouble
from tests.helpers.vehicles import END_US, arrivals, recorded


def test_the_features_of_a_course() -> None:
    """Of a first-order rise to a plateau and a first-order fall, by their formulas."""
    t = np.arange(0, 150, 1.0)
    rise = 5000 * (1 - np.exp(-t / 10))
    kpa = np.where(t <= 100, rise, 2000 + 3000 * np.exp(-(t - 100) / 8))
    seen = course(1.0, kpa, 100.0)
    assert seen is not None
    assert seen.rise_s == pytest.approx(10 * np.log(10), abs=1)
    assert seen.plateau_kpa == pytest.approx(5000, rel=0.01)
    assert seen.left == pytest.approx((2000 + 3000 * np.exp(-11.5 / 8)) / 5000, abs=0.03)
    assert course(1.0, kpa[:3], 100.0) is None
    assert course(1.0, np.zeros(150), 100.0) is None
    short = course(1.0, kpa[:100], 100.0)
    assert short is not None
    assert np.isnan(short.left)


@pytest.mark.parametrize(
    ("trouble", "told"),
    [
        (Trouble("blocked_line", 20, 9, line=5, ratio=3.0), "10 s after the pump stops, pressure is still"),
        (Trouble("open_line", 20, 9, line=5, ratio=0.3), "to rise (before:"),
    ],
)
def test_a_finding_says_what_else_the_readings_show(tmp_path: Path, trouble: Trouble, told: str) -> None:
    """Pressure stays in a line that is blocked, and rises slowly in one that leaks (common practice, no source)."""
    _, held = recorded(tmp_path, [arrivals("HS-101", (trouble,))])
    (finding,) = [f for f in analyse(*held["HS-101"], END_US).findings if f.kind == trouble.kind]
    assert told in finding.summary
    assert "far outside its normal variation" in finding.summary
    if trouble.kind == "blocked_line":
        assert finding.evidence["left_pct"] > finding.evidence["left_pct_before"] + 15
    else:
        assert finding.evidence["rise_s"] > 1.4 * finding.evidence["rise_s_before"]


def test_a_line_that_was_never_sound_is_told_by_lines_alike(tmp_path: Path) -> None:
    """Its own past says nothing; a sound vehicle's lines are not called odd."""
    never = (Trouble("blocked_line", 100, None, line=5, ratio=4.0),)
    _, held = recorded(tmp_path / "never", [arrivals("HS-101", never)])
    result = analyse(*held["HS-101"], END_US)
    (odd,) = odd_from_the_start(result.pressures, result.history.setup)
    assert [line.line for line in result.history.setup.lines if line.channel == odd] == [5]
    assert {x.state for x in line_conditions(result) if x.line == 5} == {"not_proven"}
    assert {line: hours is None for line, hours in result.hours_since_grease.items()} == {
        line.line: line.line == 5 for line in result.history.setup.lines
    }
    told = doses(result)
    assert told is not None
    assert [line.line for line, arrived in zip(told.lines, told.arrived.sum(0), strict=True) if not arrived] == [5]
    assert any("Line 5" in note and "blocked from the start" in note for note in notes(result))
    _, held = recorded(tmp_path / "sound", [[a for v in ("HS-101", "HS-103", "HS-306") for a in arrivals(v)]])
    for name in ("HS-101", "HS-103", "HS-306"):
        sound = analyse(*held[name], END_US)
        assert odd_from_the_start(sound.pressures, sound.history.setup) == {}


def test_until_enough_is_known_a_line_is_being_learned(tmp_path: Path) -> None:
    """For the first cycles nobody can vouch for it."""
    everything = arrivals("HS-101", days=20)
    cycles = [a for a in everything if a.topic.endswith("/cycle")]
    until = cycles[8].received_us or 0
    _, held = recorded(tmp_path, [[a for a in everything if (a.received_us or 0) <= until]])
    conditions = line_conditions(analyse(*held["HS-101"], END_US))
    assert {line.condition for line in conditions} == {"learning"}
