"""Ignition hours since grease last surely arrived."""

from dataclasses import replace
from pathlib import Path

import msgspec
import numpy as np
import pytest

from analytics.findings import Finding
from analytics.settings import DEFAULTS
from analytics.vehicle.analysis import Result, analyse
from analytics.vehicle.confirmation import flawed
from analytics.vehicle.line_conditions import line_conditions
from analytics.vehicle.lubrication import escalate, hours_since
from ingest.times import HOUR_US
from ingest.work import Work
from simulators.scenario import Trouble
from tests.helpers.vehicles import END_US, arrivals, recorded

DAY_US = 24 * HOUR_US


def result(folder: Path, *troubles: Trouble, work: tuple[Work, ...] = (), vehicle: str = "HS-101") -> Result:
    """The analysis of a simulated vehicle."""
    _, held = recorded(folder, [arrivals(vehicle, troubles)])
    return analyse(*held[vehicle], END_US, None, work)


def since(told: Result) -> dict[int, float | None]:
    """Hours by line."""
    return hours_since(told.history, told.findings, flawed(told.history, told.pressures.explained, DEFAULTS), DEFAULTS)


def test_a_sound_vehicle_got_grease_with_its_last_cycle(tmp_path: Path) -> None:
    """No line waits longer than an interval or so."""
    told = result(tmp_path)
    assert all(
        hours is not None and hours <= 2 * told.history.setup.interval_min / 60 for hours in since(told).values()
    )


def test_a_blocked_line_waits_since_it_began(tmp_path: Path) -> None:
    """The ignition hours of the finding; its neighbours wait no longer than before."""
    told = result(tmp_path, Trouble("blocked_line", 12, None, line=5, ratio=4.0))
    (found,) = [f for f in told.findings if f.open and f.kind == "blocked_line"]
    h = told.history
    inside = h.cycle_h[h.cycles.at_us >= found.began_us]
    assert since(told)[5] == pytest.approx(float(h.heard_h[-1] - inside[0]), abs=1.5)
    assert (since(told)[6] or 0) < 1


def test_a_dead_pump_greases_nobody(tmp_path: Path) -> None:
    """All lines wait as long as the ignition has been on since."""
    told = result(tmp_path, Trouble("missed_cycles", 9, None, variant="dead"))
    waited = {hours for hours in since(told).values() if hours is not None}
    assert len(waited) == 1
    assert waited.pop() == pytest.approx(float(told.history.heard_h[-1] - told.history.cycle_h[-1]), abs=0.1)


def test_greasing_by_hand_counts(tmp_path: Path) -> None:
    """For the lines that are named; for all where none is."""
    dead = Trouble("missed_cycles", 9, None, variant="dead")
    by_hand = Work(key="k", kind="greased_by_hand", at_us=END_US - 2 * DAY_US, by="somebody", lines=(3,))
    hours = since(result(tmp_path / "a", dead, work=(by_hand,)))
    assert (hours[3] or 0) < (hours[4] or 0)
    everything = Work(key="k", kind="greased_by_hand", at_us=END_US - 2 * DAY_US, by="somebody")
    assert len(set(since(result(tmp_path / "b", dead, work=(everything,))).values())) == 1


def test_never_seen_is_said_so(tmp_path: Path) -> None:
    """A vehicle that was never heard."""
    _, held = recorded(tmp_path, [arrivals("HS-101")])
    messages, setups = held["HS-101"]
    assert set(since(analyse(messages, setups, 0)).values()) == {None}


def test_injectors_that_did_not_fire_bring_nothing(tmp_path: Path) -> None:
    """The main line kept its pressure, so that they were never reloaded; after two days that is for now."""
    told = result(tmp_path, Trouble("incomplete_cycles", 6, None, variant="not vented"), vehicle="HS-206")
    (found,) = [f for f in told.findings if f.kind == "incomplete_cycles"]
    assert min(hours or 0.0 for hours in since(told).values()) > 20
    assert found.evidence["hours_since_grease"] == max(hours or 0.0 for hours in since(told).values())


def without(told: Result, **changed: object) -> dict[int, float | None]:
    """Hours of the same messages under a sheet that says otherwise of the vehicle; `watched` says whether any line is."""
    setup = told.history.setups[0]
    if not changed.pop("watched", True):
        setup = msgspec.structs.replace(
            setup, lines=tuple(msgspec.structs.replace(x, channel=None) for x in setup.lines)
        )
    setup = msgspec.structs.replace(setup, **changed)
    return since(replace(told, history=replace(told.history, setups=(setup,))))


def test_lost_messages_since_the_meter_was_read_leave_the_hours_open(tmp_path: Path) -> None:
    """A bare message after many that never came tells nothing of them; what has waited too long already has at least."""
    told = result(tmp_path)
    unsure = told.history.heard_sure.copy()
    unsure[-1] = False
    assert set(since(replace(told, history=replace(told.history, heard_sure=unsure))).values()) == {None}
    heard_h = told.history.heard_h.copy()
    heard_h[-1] += DEFAULTS.dry_act_now_h
    later = replace(told.history, heard_sure=unsure, heard_h=heard_h)
    assert all(
        hours is not None and hours >= DEFAULTS.dry_act_now_h for hours in since(replace(told, history=later)).values()
    )


def test_the_longest_wait_may_be_one_that_nobody_knows(tmp_path: Path) -> None:
    """It is told as at least so long, with how many points are not known; and where it is short, the longest is not known."""
    told = result(tmp_path)
    lines = told.history.setup.lines[:3]
    found = Finding("missed_cycles", None, (), END_US - DAY_US, END_US, None, "plan", "", {})
    (after,) = escalate([found], lines, {lines[0].line: 5.0, lines[1].line: None, lines[2].line: None}, DEFAULTS)
    assert (after.evidence["hours_since_grease"], after.evidence["points_not_proven"]) == (5.0, 2)
    (whole,) = escalate([found], lines, {line.line: 5.0 for line in lines}, DEFAULTS)
    assert "points_not_proven" not in whole.evidence
    assert replace(told, hours_since_grease={1: 5.0, 2: None}).max_hours_since_grease is None
    assert replace(told, hours_since_grease={1: 5.0, 2: 4.0}).max_hours_since_grease == 5.0
    assert replace(told, hours_since_grease={1: 90.0, 2: None}).max_hours_since_grease == 90.0


def test_what_nothing_proves_is_not_known(tmp_path: Path) -> None:
    """Lines that no reading watches, and no meter: never nought."""
    told = result(tmp_path)
    assert set(without(told, watched=False).values()) == {None}
    blind = replace(told.history, metered=False)
    assert set(since(replace(told, history=blind)).values()) == {None}


def test_a_divider_that_confirms_speaks_for_all_its_lines(tmp_path: Path) -> None:
    """One shut outlet would stop it; with a pumping element a line a switch says nothing of the others."""
    told = result(tmp_path)
    cycles = replace(told.history.cycles, complete=np.ones(len(told.history.cycles)))
    confirmed = replace(told, history=replace(told.history, cycles=cycles))
    assert (
        max(
            hours if hours is not None else 99
            for hours in without(confirmed, watched=False, feed="progressive").values()
        )
        < 2
    )
    assert set(without(confirmed, watched=False, feed="direct").values()) == {None}


def test_a_reading_that_did_not_come_proves_nothing(tmp_path: Path) -> None:
    """The hours of a line go on from the last cycle in which its pressure was read."""
    told = result(tmp_path)
    cycles = told.history.cycles
    line = told.history.setup.lines[2]
    peak = cycles.peak_kpa.copy()
    peak[-50:, cycles.channels.index(line.channel or "")] = np.nan
    hours = since(replace(told, history=replace(told.history, cycles=replace(cycles, peak_kpa=peak))))
    assert hours[line.line] == pytest.approx(float(told.history.heard_h[-1] - told.history.cycle_h[-51]), abs=0.06)


@pytest.mark.parametrize(("ratio", "severity"), [(0.2, "act_now"), (0.6, "plan")])
def test_grease_that_does_not_leave_the_reservoir_is_urgent(tmp_path: Path, ratio: float, severity: str) -> None:
    """Less than a third of the doses dries the points; half of them can be planned."""
    told = result(tmp_path)
    evidence = {"cm3_per_cycle": 10 * ratio, "expected_cm3_per_cycle": 10.0}
    began_us = END_US - 4 * DAY_US
    found = Finding("under_delivery", None, (), began_us, began_us + HOUR_US, None, "plan", "", evidence)
    hours = hours_since(told.history, [found], np.zeros(len(told.history.cycles), bool), DEFAULTS)
    (after,) = escalate([found], told.history.setup.lines, hours, DEFAULTS)
    assert after.severity == severity
    assert ("hours_since_grease" in after.evidence) == (severity == "act_now")
    assert (min(h or 0.0 for h in hours.values()) > 5) == (severity == "act_now")


@pytest.mark.parametrize("of_a_kpa", [0.01, 0.001, -1.0, 0.0])
def test_what_is_no_pressure_proves_nothing(tmp_path: Path, of_a_kpa: float) -> None:
    """Readings in bar or MPa, with the sign wrong, or of lines that are off since the first message: nothing is found, as nothing is off
    what it was, and every point looked greased with each cycle."""
    _, held = recorded(tmp_path, [arrivals("HS-101")])
    messages, setups = held["HS-101"]
    kpa = np.asarray(messages.cycles.peak_kpa * of_a_kpa, np.float32)
    told = analyse(replace(messages, cycles=replace(messages.cycles, peak_kpa=kpa)), setups, END_US)
    watched = {line.line for line in setups[-1].lines if line.channel}
    assert watched
    assert {told.hours_since_grease[line] for line in watched} == {None}
    assert {one.state for one in line_conditions(told) if one.line in watched}.isdisjoint({"sound", "note"})


def test_what_no_pump_reaches_proves_nothing(tmp_path: Path) -> None:
    """A channel that read more than the relief valve lets be in the last cycle: its lines wait since the one before."""
    _, held = recorded(tmp_path, [arrivals("HS-101")])
    messages, setups = held["HS-101"]
    kpa, last = messages.cycles.peak_kpa.copy(), int(np.argmax(messages.cycles.at_us))
    (line,) = [one for one in setups[-1].lines if one.line == 5]
    kpa[last, messages.cycles.channels.index(line.channel or "")] = 100_000
    before = analyse(messages, setups, END_US).hours_since_grease[5]
    after = analyse(replace(messages, cycles=replace(messages.cycles, peak_kpa=kpa)), setups, END_US)
    assert (after.hours_since_grease[5] or 0) > (before or 0)
