"""The table of finding kinds: every field filled, every name one that exists."""

import re
from typing import get_args

import pytest

from analytics.findings import Finding
from analytics.kinds import ALARM_KINDS, DATA_KINDS, FINDING_KINDS, GROUPS, LINE_FAULTS, REFILL_DUE, SEVERITIES
from ingest import work
from ingest.messages import FaultCode
from simulators import scenario


@pytest.mark.parametrize("name", ALARM_KINDS)
def test_every_kind_fills_every_field(name: str) -> None:
    """Texts say something, and what names another kind, a kind of work or a code of the controller's names one there is."""
    kind = ALARM_KINDS[name]
    assert all(len(text) > 4 for text in (kind.title, kind.meaning, kind.cause))
    assert kind.checks
    assert all(check.look.endswith(".") and check.means.endswith(".") for check in kind.checks)
    assert kind.take or kind.fills
    assert kind.group in GROUPS
    assert kind.severity in SEVERITIES
    assert 5 <= kind.minutes <= 240
    assert kind.on_delay_h >= 0
    assert kind.off_delay_h >= 0
    assert {*kind.follows_from, *kind.hides} <= set(ALARM_KINDS) - {name}
    assert set(kind.answered_by) <= set(work.KINDS)
    assert not kind.proven_by_cycles or kind.answered_by
    assert set(kind.controller_codes) <= set(get_args(FaultCode))
    assert (kind.sentence is None) == (name == REFILL_DUE)


@pytest.mark.parametrize("name", FINDING_KINDS)
def test_programs_find_the_same_names_in_all_evidence_of_a_kind(name: str) -> None:
    """Null where one is not known: a timer may differ in its interval alone."""
    told = Finding(name, None, (), 0, 0, None, "plan", "", {"silent_h": 80.0}).as_json("f", "v")["evidence"]
    assert told == dict.fromkeys(FINDING_KINDS[name].evidence) | {"silent_h": 80.0}


def test_what_a_timer_that_differs_says() -> None:
    """Interval and run time, whichever it is."""
    found = Finding("timer_mismatch", None, (), 0, 0, None, "plan", "", {"run_s": 90.0, "registered_run_s": 120.0})
    assert found.as_json("f", "v")["evidence"] == {"interval_min": None, "run_s": 90.0, "registered_run_s": 120.0}


def test_no_two_kinds_are_equally_important() -> None:
    """What comes first is the same every time."""
    importance = [kind.importance for kind in ALARM_KINDS.values()]
    assert len(set(importance)) == len(importance)
    assert list(FINDING_KINDS) == sorted(FINDING_KINDS, key=lambda name: FINDING_KINDS[name].importance)


def test_nothing_follows_in_a_circle() -> None:
    """Of two kinds one at most only follows from the other: else neither would be raised."""
    for name, kind in FINDING_KINDS.items():
        assert not [cause for cause in kind.follows_from if name in FINDING_KINDS[cause].follows_from]


def test_groups_of_kinds() -> None:
    """What concerns a line, and what concerns the readings only."""
    assert set(LINE_FAULTS) == {"blocked_line", "open_line"}
    assert set(DATA_KINDS) == {"level_sensor", "pressure_sensor", "silent"}
    assert {name for name, kind in FINDING_KINDS.items() if kind.of_a_channel} == {*LINE_FAULTS, "pressure_sensor"}


def test_the_simulator_breaks_every_kind() -> None:
    """It may not import the table, so that its own list is held to it here."""
    assert set(scenario.KINDS) == set(FINDING_KINDS)


STEPS = [(name, " ".join((check.look, *check.hurts))) for name, kind in ALARM_KINDS.items() for check in kind.checks]


@pytest.mark.parametrize(("name", "step"), STEPS)
def test_a_step_that_can_hurt_says_so_in_the_step(name: str, step: str) -> None:
    """Running a cycle, opening a line, a hand gun, a reservoir: each with what keeps hands whole (common practice, no source)."""
    said = step.casefold()
    task = said.split(".")[0]
    runs = r"run (a|two more) cycle|test button|watch a cycle|ten cycles|time the pump|should run|while it runs|outlets one at a time"
    if re.search(runs, task):
        assert "stays clear" in said, name
        assert "isolate it again" in said, name
    if re.search(r"(open|take) (one|the) (line|outlet)|gauge on the line|ten cycles", task):
        assert "loosen it slowly, shielded, at the pump end first" in said, name
    if "outlets one at a time" in task:
        assert "never plug one" in said, name
    if "by hand" in task:
        assert "never hold its hose at the end" in said, name
    if re.search(r"grease in the reservoir|follower plate", task):
        assert "a paddle may start" in said, name
    if "then fill" in task:
        assert "burst a reservoir" in said, name
    if task.startswith("follow"):
        assert "never with your hand" in said, name
