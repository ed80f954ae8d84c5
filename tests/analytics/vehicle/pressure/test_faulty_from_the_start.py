"""A channel that was faulty when it was first heard: its recovery is no fault, and a record frees it."""

import numpy as np
import pytest
from msgspec import structs

from analytics.kinds import FINDING_KINDS, Facts
from analytics.vehicle.analysis import analyse
from analytics.vehicle.data_notes import notes
from analytics.vehicle.pressure.sister_lines import SisterChannel
from ingest.languages.saying import say
from ingest.setups import Setup
from tests.helpers.pressures import RELIEF_KPA, Drive, analysed, drive, line, messages, setup, told, work

DAY_US = 86_400_000_000


def broken_until(made: Drive, channel: int, day: float, ratio: float) -> int:
    """The channel reads `ratio` times what it should from the first message to a day; when that was."""
    made.log_kpa[made.day < day, channel] += np.log(ratio)
    return int(made.at_us[np.searchsorted(made.day, day)]) - 600_000_000


@pytest.mark.parametrize("channels", [1, 4, 12])
@pytest.mark.parametrize(("ratio", "kind"), [(3.3, "line_mended"), (0.2, "line_mended"), (3.3, "sensor_replaced")])
def test_after_a_record_the_line_is_learned_anew(channels: int, ratio: float, kind: str) -> None:
    """Nothing was found on it before, so that its baseline had never been sound; a later fault is found against the new one."""
    made = drive(160, channels, 1)
    made.log_kpa[:, 0] += np.log(5000) - np.median(made.log_kpa[:, 0])  # relief is far
    mended_us = broken_until(made, 0, 60, ratio)
    which = {"lines": (1,)} if kind == "line_mended" else {"channel": "p00"}
    made.work.append(work(mended_us, kind, **which))
    assert told(made) == []
    made.log_kpa[made.day > 120, 0] += np.log(2.2)
    (found,) = told(made)
    assert (found.kind, found.channel) == ("blocked_line", "p00")
    assert found.evidence["ratio_to_expected"] == pytest.approx(2.2, abs=0.2)


def test_a_repair_that_did_not_hold_is_not_learned() -> None:
    """The finding was there before the repair, and is there after it."""
    made = drive(120, 12, 2)
    made.log_kpa[made.day > 50, 3] += np.log(2.5)
    made.work.append(work(int(made.at_us[np.searchsorted(made.day, 70)]) - 1, "line_mended", lines=(4,)))
    (found,) = told(made)
    assert found.ended_us is None
    assert found.detected_us < made.work[0].at_us


@pytest.mark.parametrize("ratio", [3.3, 0.15])
def test_without_a_record_lines_alike_tell_that_it_had_been_faulty(ratio: float) -> None:
    """With sister lines of like length and bore its recovery is no new fault: that it had been faulty is found, and over."""
    made = drive(120, 6, 3)
    made.log_kpa += np.log(7000) - np.median(made.log_kpa, axis=0)
    mended_us = broken_until(made, 2, 60, ratio)
    (was,) = told(made)
    assert (was.kind, was.channel) == ("blocked_line" if ratio > 1 else "open_line", "p02")
    assert was.began_us == made.at_us[0]
    assert mended_us < was.detected_us == was.ended_us
    assert was.evidence["ratio_to_lines_alike"] == pytest.approx(ratio, rel=0.15)
    assert was.evidence["sister_vehicles"] == 0
    made.log_kpa[made.day > 90, 2] += np.log(0.3)
    *_, found = told(made)
    assert (found.kind, found.channel, found.ended_us) == ("open_line", "p02", None)


@pytest.mark.parametrize("channels", [1, 2])
def test_lines_of_sister_vehicles_tell_it_where_a_vehicle_has_few(channels: int) -> None:
    """Three that read alike; two are too few, and lines of another length are none."""
    made = drive(120, channels, 3)
    made.log_kpa += np.log(7000) - np.median(made.log_kpa, axis=0)
    broken_until(made, 0, 60, 3.3)
    tubes = ((5.0, 4.0, 0.5),)
    alike = [SisterChannel(tubes, np.log(kpa)) for kpa in (6500.0, 7000.0, 7600.0)]
    (was,) = told(made, sisters=alike)
    assert (was.kind, was.evidence["sister_vehicles"]) == ("blocked_line", 3)
    assert was.ended_us == was.detected_us
    longer = SisterChannel(((9.0, 4.0, 0.5),), np.log(20_000.0))
    for too_few in ((), (*alike[:2], longer)):
        (wrong,) = told(made, sisters=too_few)
        assert wrong.kind == "open_line"
    assert told(drive(120, channels, 3), sisters=alike) == []
    for ratio, kind in (
        (1.7, "blocked_line"),
        (1 / 1.7, "open_line"),
    ):  # less than what would be odd; both sides cannot be sound
        slight = drive(120, channels, 3)
        slight.log_kpa += np.log(7000) - np.median(slight.log_kpa, axis=0)
        broken_until(slight, 0, 60, ratio)
        (was,) = told(slight, sisters=alike)
        assert (was.kind, was.ended_us) == (kind, was.detected_us)
    beside = analysed(made, as_of_us=int(made.at_us[100]), sisters=alike).beside
    assert np.exp(beside.odd[0]) == pytest.approx(3.3, rel=0.2)


def test_another_line_begins_anew() -> None:
    """A line list that names another tube, or a vehicle re-lined: no finding on what changed, and it is watched again."""
    for how in ("sheet", "relined"):
        made = drive(150, 6, 4)
        changed = made.day > 60
        made.log_kpa[changed, 1] += np.log(2.6)
        at_us = int(made.at_us[changed][0]) - 1
        first = setup(made.channels)
        setups: tuple[Setup, ...] = (first,)
        if how == "sheet":
            lines = tuple(line(x.line, x.channel or "", 13.0) if x.line == 2 else x for x in first.lines)
            setups = (first, structs.replace(first, valid_from_us=at_us, lines=lines))
        else:
            made.work.append(work(at_us, "relined"))
        assert told(made, setups=setups) == []
        made.log_kpa[made.day > 120, 1] -= np.log(3.0)
        (found,) = told(made, setups=setups)
        assert (found.kind, found.channel) == ("open_line", "p01")


def test_a_sheet_that_says_the_same_changes_nothing() -> None:
    """The finding lasts over it."""
    made = drive(100, 6, 5)
    made.log_kpa[made.day > 40, 1] += np.log(2.6)
    first = setup(made.channels)
    again = structs.replace(first, valid_from_us=int(made.at_us[np.searchsorted(made.day, 60)]), depot="other")
    (found,) = told(made, setups=(first, again))
    assert found.ended_us is None


def test_no_pressure_since_first_heard_is_a_finding_and_no_ratio() -> None:
    """Noise around nothing has no ratio; when pressure has come for good the finding ends, and a later fault is found."""
    made = drive(230, 6, 6)
    live = made.log_kpa.copy()
    dead = made.day < 80
    made.log_kpa[dead, 2] = np.log(np.abs(made.rng.normal(40, 60, dead.sum())) + 1)
    blips = dead & (made.rng.random(len(dead)) < 0.05)
    made.log_kpa[blips, 2] = live[blips, 2]
    result = analysed(made)
    (found,) = result.episodes
    assert (found.kind, found.channel, found.began_us) == ("pressure_sensor", "p02", int(made.at_us[0]))
    assert found.detected_us == made.at_us[11]
    assert found.ended_us is not None
    assert 0 < (found.ended_us - made.at_us[~dead][0]) / DAY_US < 10
    assert np.isnan(result.ratio[dead, 2]).all()
    made.log_kpa[made.day > 190, 2] += np.log(0.3)
    later = [s for s in told(made) if s.kind != "pressure_sensor"]
    assert [(s.kind, s.channel) for s in later] == [("open_line", "p02")]


def test_where_no_channel_has_pressure_no_sensor_is_blamed() -> None:
    """Readings in bar, or a pump that draws air from the start."""
    made = drive(60, 6, 7)
    made.log_kpa -= np.log(100)
    assert told(made) == []
    alone = drive(60, 1, 7)
    alone.log_kpa[:] = np.log(np.abs(alone.rng.normal(5, 3, alone.log_kpa.shape)) + 1)
    (found,) = told(alone)
    assert (found.kind, found.channel, found.ended_us) == ("pressure_sensor", "p00", None)


def test_a_relief_pressure_given_in_bar_is_taken_for_it() -> None:
    """Readings in kPa are not impossible then."""
    made = drive(80, 4, 8)
    bar = structs.replace(setup(made.channels), relief_kpa=RELIEF_KPA / 100)
    assert told(made, setups=(bar,)) == []


@pytest.mark.parametrize(("kpa", "in_bar"), [(3, False), (150, True)])
def test_a_lone_channel_without_pressure_may_be_read_in_bar(kpa: float, in_bar: bool) -> None:
    """Then the sentence says so: with one channel nothing else tells."""
    line_1 = say("Line 1")
    facts = Facts({"no_pressure_kpa": kpa}, line_1, line_1, setup(("p00",)))
    assert ("in bar" in FINDING_KINDS["pressure_sensor"].sentence(facts)) == in_bar  # type: ignore[misc]


@pytest.mark.parametrize("mended", ["mended", "blocked", "not mended"])
def test_a_lone_main_line_that_never_had_the_pressure_to_move_a_divider_is_not_proven(mended: str) -> None:
    """Once it has it, it was faulty until then, and is not blocked since; where it comes to stand at relief it is."""
    made = drive(90, 1, 1)
    late = made.day >= 30
    made.log_kpa[~late] -= 3.0
    made.log_kpa[late] += {"mended": 0.0, "blocked": 3.0, "not mended": -3.0}[mended]
    divider = structs.replace(setup(made.channels), feed="progressive", level="none")
    before = analyse(messages(made), (divider,), int(made.at_us[made.day < 20][-1]))
    assert before.hours_since_grease == {1: None}
    assert any("lines like it" in note for note in notes(before))
    result = analyse(messages(made), (divider,), int(made.at_us[-1]))
    kinds = {"mended": [("starved_pump", False)], "blocked": [("blocked_line", True)], "not mended": []}
    assert [(one.kind, one.open) for one in result.findings] == kinds[mended]
    assert (result.hours_since_grease[1] is not None) == (mended == "mended")


@pytest.mark.parametrize("day", [28.4, 29.4, 31.4, 33.4])
def test_what_a_lone_line_read_before_it_was_mended_is_no_part_of_what_it_reads_since(day: float) -> None:
    """Wherever among the readings that are learned from together that falls."""
    made = drive(90, 1, 1)
    made.log_kpa[made.day < day] -= 3.0
    divider = structs.replace(setup(made.channels), feed="progressive", level="none")
    result = analyse(messages(made), (divider,), int(made.at_us[-1]))
    assert [(one.kind, one.open) for one in result.findings] == [("starved_pump", False)]
    assert float(np.median(result.pressures.ratio[-200:])) == pytest.approx(1.0, abs=0.1)
