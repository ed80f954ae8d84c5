"""How each line is marked: what nothing proves is never sound, and what is wrong with the pump is wrong with every line."""

from pathlib import Path

import numpy as np
import pytest

from analytics.findings import Finding, urgency
from analytics.statistics.sequential import ewma, ewma_limit
from analytics.vehicle.analysis import Result, analyse
from analytics.vehicle.line_conditions import LineCondition, _drift, line_conditions
from simulators.scenario import Trouble
from tests.helpers.vehicles import END_US, arrivals, recorded


def result(folder: Path, vehicle: str, *troubles: Trouble) -> Result:
    _, held = recorded(folder, [arrivals(vehicle, troubles, days=60)])
    return analyse(*held[vehicle], END_US)


def test_a_starved_pump_marks_every_line(tmp_path: Path) -> None:
    """With its own severity, and with what the pressures are, not with what they are beside each other."""
    found = result(tmp_path, "HS-104", Trouble("starved_pump", 10, None))
    (pump,) = [f for f in found.findings if f.kind == "starved_pump" and f.open]
    lines = line_conditions(found)
    assert {line.state for line in lines} == {pump.severity}
    assert {line.condition for line in lines} == {"starved_pump"}
    ratios = [line.ratio for line in lines if line.ratio is not None]
    assert ratios
    assert max(ratios) < 0.7
    critical = [line for line in found.history.setup.lines if line.critical]
    assert pump.evidence.get("critical_points", 0) == len(critical)
    assert {line.line for line in lines if line.critical_dry} == {line.line for line in critical}


def test_after_it_was_bled_lines_are_sound_again(tmp_path: Path) -> None:
    """What was read without grease is no drift of a line."""
    lines = line_conditions(result(tmp_path, "HS-104", Trouble("starved_pump", 30, 10)))
    assert {line.state for line in lines} == {"sound"}


def test_missed_cycles_mark_every_line(tmp_path: Path) -> None:
    """None of them gets grease, whatever was read before."""
    found = result(tmp_path, "HS-103", Trouble("missed_cycles", 8, None, variant="dead"))
    (missed,) = [f for f in found.findings if f.kind == "missed_cycles" and f.open]
    assert {(line.state, line.condition) for line in line_conditions(found)} == {(missed.severity, "missed_cycles")}


def test_a_blocked_line_has_the_findings_own_severity(tmp_path: Path) -> None:
    """Once its point has waited for a working week that is the severest, and its neighbours stay sound."""
    found = result(tmp_path, "HS-101", Trouble("blocked_line", 12, None, line=5, ratio=4.0))
    (blocked,) = [f for f in found.findings if f.open]
    states = {line.line: line.state for line in line_conditions(found)}
    assert states.pop(5) == blocked.severity == "act_now"
    assert set(states.values()) == {"sound"}


def test_what_nothing_watches_is_not_proven(tmp_path: Path) -> None:
    """Cycles that ran prove no line on which nothing is read."""
    assert {line.state for line in line_conditions(result(tmp_path, "HS-109"))} == {"not_proven"}


def test_a_vehicle_that_was_never_heard_proves_nothing(tmp_path: Path) -> None:
    """None of its lines is marked sound."""
    _, held = recorded(tmp_path, [arrivals("HS-101")])
    messages, setups = held["HS-101"]
    empty = analyse(messages, setups, int(messages.cycles.at_us.min()) - 86_400_000_000)
    assert {(line.state, line.hours_since_grease) for line in line_conditions(empty)} == {("not_proven", None)}


def test_a_row_is_read_back_as_it_was_kept(tmp_path: Path) -> None:
    """What a list stores of a line is all of it."""
    for line in line_conditions(result(tmp_path, "HS-101", Trouble("open_line", 5, None, line=5))):
        assert LineCondition.from_row(line.to_row()) == line


def _finding(kind: str, **evidence: float) -> Finding:
    return Finding(kind, None, (), 0, 0, None, "act_now", "", evidence)


@pytest.mark.parametrize(
    ("first", "second"),
    [
        (_finding("blocked_line", hours_since_grease=89.0, critical_points=1), _finding("missed_cycles", hours_since_grease=200.0)),
        (_finding("blocked_line", hours_since_grease=89.0), _finding("missed_cycles", hours_since_grease=2.0)),
        (_finding("missed_cycles", hours_since_grease=2.0), _finding("low_level", hours_since_grease=2.0)),
    ],
)  # fmt: skip
def test_steering_and_braking_come_first_then_the_longest_without_grease(first: Finding, second: Finding) -> None:
    """Then the order of the kinds."""
    assert sorted([second, first], key=urgency) == [first, second]


def test_a_critical_point_that_may_be_dry_is_said_for_every_cause(tmp_path: Path) -> None:
    """In the sentence itself, with who is to judge."""
    for n, (vehicle, trouble) in enumerate(
        (
            ("HS-101", Trouble("blocked_line", 12, None, line=1, ratio=4.0)),
            ("HS-104", Trouble("starved_pump", 10, None)),
            ("HS-103", Trouble("missed_cycles", 8, None, variant="dead")),
        )
    ):
        found = result(tmp_path / str(n), vehicle, trouble)
        critical = [x for x in found.history.setup.lines if x.critical]
        told = [f for f in found.findings if f.open and f.kind == trouble.kind]
        assert told
        for f in told:
            concerned = [x for x in critical if not f.lines or x.line in f.lines]
            assert ("for a qualified person to judge" in f.summary) is bool(concerned)
            assert all(x.point in f.summary for x in concerned[:4])


@pytest.mark.parametrize("noise", [0.03, 0.08])
@pytest.mark.parametrize(("ratio", "told"), [(1.34, "rising"), (0.72, "falling"), (1.12, None)])
def test_a_quiet_line_that_drifts_is_told_of_too(noise: float, ratio: float, told: str | None) -> None:
    """However small its noise is, by as many times as far off it is."""
    readings = ratio * np.exp(np.random.default_rng(3).normal(0, noise, 200))
    assert _drift(readings, noise) == told


def test_a_drift_is_told_as_if_the_average_were_always_made() -> None:
    """It is left out only where nothing it could be makes a drift."""
    draw, told = np.random.default_rng(3), list[str | None]()
    for _ in range(400):
        noise, shift = draw.uniform(0.03, 0.25), draw.uniform(-0.4, 0.4)
        ratio = np.exp(draw.normal(shift, noise / 2, 200))
        average = float(ewma(np.clip(np.log(ratio) / noise, -3, 3), 0.1)[-1])
        far = max(abs(average) * noise, abs(float(np.median(np.log(ratio)[-60:]))))
        drifts = abs(average) >= ewma_limit(0.1, 4.0) and far >= np.log(1.2)
        told.append(_drift(ratio, noise))
        assert told[-1] == (("rising" if average > 0 else "falling") if drifts else None)
    assert {None, "rising", "falling"} == set(told)
