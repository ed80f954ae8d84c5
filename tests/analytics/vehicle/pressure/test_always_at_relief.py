"""A line that has stood at relief pressure since it was first heard: the valve tells it, nothing in its own past does."""

from dataclasses import replace

import numpy as np
import pytest
from msgspec import structs

from analytics.vehicle.analysis import analyse
from analytics.vehicle.data_notes import notes
from analytics.vehicle.line_conditions import line_conditions
from ingest.times import DAY_US
from tests.helpers.pressures import RELIEF_KPA, START_US, drive, messages, setup, told


def test_a_line_at_relief_from_the_start_is_blocked() -> None:
    """From its first message, within two days; as long as it stands there."""
    made = drive(90, 8, 1)
    made.log_kpa[:, 3] += 3.0
    (found,) = told(made)
    assert (found.kind, found.channel, found.began_us, found.ended_us) == (
        "blocked_line",
        "p03",
        int(made.at_us[0]),
        None,
    )
    assert (found.detected_us - START_US) / DAY_US < 4
    detected = found.detected_us
    assert [one.detected_us for one in told(made, as_of_us=detected)] == [detected]
    assert told(made, as_of_us=detected - 1) == []


def test_once_it_is_cleared_it_is_sound() -> None:
    """And no line that is off; later it may be blocked again."""
    made = drive(200, 8, 2)
    made.log_kpa[made.day < 60, 3] += 3.0
    (found,) = told(made)
    assert (found.kind, found.channel) == ("blocked_line", "p03")
    assert found.ended_us is not None
    assert abs((found.ended_us - START_US) / DAY_US - 60) < 3
    made.log_kpa[made.day > 150, 3] -= 1.5
    assert [(one.kind, one.ended_us is None) for one in told(made)] == [("blocked_line", False), ("open_line", True)]


@pytest.mark.parametrize("how", ["high and sound", "all of them", "alone", "in the cold"])
def test_what_is_no_proof_is_no_finding(how: str) -> None:
    """A long line goes with the weather; all of them are no line; alone nobody can tell; cold grease is stiff."""
    made = drive(90, 1 if how == "alone" else 8, 3)
    if how == "high and sound":
        made.log_kpa[:, 3] += np.log(0.95 * RELIEF_KPA) - np.median(made.log_kpa[:200, 3])
    elif how == "in the cold":
        made.temp_c[:] -= 45.0
        made.log_kpa[made.day < 5, 3] += 3.0
    else:
        made.log_kpa += 3.0
    found = [one.kind for one in told(made) if one.evidence.get("at_relief_from_the_start")]
    assert found == []


def test_a_lone_channel_that_may_be_blocked_proves_nothing() -> None:
    """Neither that it is nor that grease arrives: the sheet may give too low a pressure."""
    made = drive(40, 1, 4)
    sound = analyse(messages(made), (setup(made.channels),), int(made.at_us[-1]))
    assert sound.hours_since_grease[1] is not None
    made.log_kpa += 3.0
    result = analyse(messages(made), (setup(made.channels),), int(made.at_us[-1]))
    assert [found.kind for found in result.findings if found.kind != "level_sensor"] == []
    assert result.hours_since_grease == {1: None}
    assert [line.state for line in line_conditions(result)] == ["not_proven"]
    assert any("stood at relief pressure since it was first heard" in note for note in notes(result))


def test_a_lone_channel_at_relief_without_confirmation_is_a_blocked_divider() -> None:
    """Two that agree prove it; that its cycles are not confirmed follows from it. Once it is cleared both are over."""
    made = drive(90, 1, 5)
    made.log_kpa[made.day < 40] += 3.0
    sent = messages(made)
    unconfirmed = replace(sent, cycles=replace(sent.cycles, complete=np.where(made.day < 40, 0.0, 1.0)))
    divider = structs.replace(setup(made.channels), feed="progressive", confirmation=True, level="none")
    (found,) = analyse(unconfirmed, (divider,), int(made.at_us[-1])).findings
    assert (found.kind, found.channel, found.began_us) == ("blocked_line", "p00", int(made.at_us[0]))
    assert (found.detected_us - START_US) / DAY_US < 4
    assert found.ended_us is not None
    assert abs((found.ended_us - START_US) / DAY_US - 40) < 3
    result = analyse(unconfirmed, (divider,), found.detected_us)
    assert [one.kind for one in result.findings] == ["blocked_line"]
    assert result.hours_since_grease == {1: None}
