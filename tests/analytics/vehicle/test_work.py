"""What recorded work changes: repairs prove themselves or do not, fills count, nobody expects to hear of a laid-up vehicle."""

from dataclasses import replace
from pathlib import Path

import pytest
from msgspec import structs

from analytics.vehicle.analysis import Result, analyse
from analytics.vehicle.data_notes import notes
from ingest.work import Work
from simulators.scenario import Trouble
from tests.helpers.vehicles import END_US, arrivals, recorded

DAY_US = 86_400_000_000


def work(days_ago: float, **values: object) -> Work:
    """A record of so many days before the end."""
    return structs.replace(
        Work(key=f"k{days_ago}", kind="bled", at_us=END_US - int(days_ago * DAY_US), by="somebody"), **values
    )


def result(folder: Path, vehicle: str, troubles: tuple[Trouble, ...], done: tuple[Work, ...], ago: float = 0) -> Result:
    """The analysis of a simulated vehicle with these records."""
    _, held = recorded(folder, [arrivals(vehicle, troubles)])
    return analyse(*held[vehicle], END_US - int(ago * DAY_US), None, done)


BLOCKED = Trouble("blocked_line", 20, 9, line=5, ratio=3.0)


def test_a_repair_that_holds_is_proven(tmp_path: Path) -> None:
    """The finding ends with the first sound cycles, and says that the work held."""
    told = result(tmp_path, "HS-101", (BLOCKED,), (work(9, kind="line_mended", lines=(5,)),))
    (found,) = [f for f in told.findings if f.kind == "blocked_line"]
    assert found.ended_us is not None
    assert "held" in found.summary
    assert "did not" not in found.summary
    assert found.evidence["cycles_since_repair"] is not None


def test_a_repair_that_does_not_hold_is_the_same_finding(tmp_path: Path) -> None:
    """It stays open, first as being proven, after ten cycles as not having held."""
    lasting = replace(BLOCKED, end_days=None)
    done = (work(9, kind="line_mended", lines=(5,)),)
    after_hours = result(tmp_path / "a", "HS-101", (lasting,), done, ago=8.9)
    (found,) = [f for f in after_hours.findings if f.kind == "blocked_line"]
    assert found.open
    assert "cycles that prove it" in found.summary
    after_days = result(tmp_path / "b", "HS-101", (lasting,), done)
    (found,) = [f for f in after_days.findings if f.kind == "blocked_line"]
    assert found.open
    assert "did not hold" in found.summary


def test_work_on_another_line_proves_nothing(tmp_path: Path) -> None:
    """Only the line that was worked on."""
    told = result(tmp_path, "HS-101", (BLOCKED,), (work(9, kind="line_mended", lines=(6,)),))
    (found,) = [f for f in told.findings if f.kind == "blocked_line"]
    assert "held" not in found.summary
    assert "cycles_since_repair" not in found.evidence


def test_a_mended_line_may_settle_elsewhere(tmp_path: Path) -> None:
    """A new tube carries another pressure: with the record that is soon the new normal, without it takes long."""
    other = Trouble("blocked_line", 9, None, line=5, ratio=1.38)
    first = Trouble("blocked_line", 20, 9, line=5, ratio=3.0)
    told = result(tmp_path, "HS-101", (first, other), (work(9, kind="line_mended", lines=(5,)),))
    column = told.pressures.channels.index("p05")
    assert not any(f.open for f in told.findings if f.channel == "p05")
    last = told.pressures.ratio[-30:, column]
    assert sorted(last)[15] == pytest.approx(1.0, abs=0.12)


def test_a_recorded_fill_counts_where_no_reading_tells(tmp_path: Path) -> None:
    """With a dead level sensor the level is counted from the record, and the date follows."""
    dead = (Trouble("level_sensor", 25, None, variant="dropout"),)
    without = result(tmp_path / "a", "HS-203", dead, ())
    filled = result(tmp_path / "b", "HS-203", dead, (work(1, kind="filled", to_pct=98),))
    assert filled.refill.level_pct is not None
    assert without.refill.level_pct is not None
    assert filled.refill.level_pct == pytest.approx(95, abs=3)
    assert without.refill.level_pct < 90
    assert "recorded" in (filled.refill.basis or "")


def test_a_recorded_fill_ends_a_low_level_until_a_reading_says_otherwise(tmp_path: Path) -> None:
    """The alert is answered at once; readings have the last word."""
    low = (Trouble("low_level", 35, None),)
    _, held = recorded(tmp_path, [arrivals("HS-306", low)])
    messages, setups = held["HS-306"]
    done = (work(2, kind="filled", to_pct=95),)
    last = int(messages.levels.at_us[messages.levels.at_us <= done[0].at_us].max())
    before = analyse(messages, setups, done[0].at_us - 1, None, done)
    assert any(f.kind == "low_level" and f.open for f in before.findings)
    after = analyse(messages, setups, done[0].at_us + 1, None, done)
    assert not any(f.kind == "low_level" and f.open for f in after.findings)
    assert after.refill.state != "due"
    assert last < done[0].at_us
    later = analyse(messages, setups, END_US, None, done)
    assert any(f.kind == "low_level" and f.open for f in later.findings)
    assert any("level readings show none" in note for note in notes(later))


@pytest.mark.parametrize(("litres", "differs"), [(3.0, True), (None, False)])
def test_fills_recorded_and_seen_are_compared(tmp_path: Path, litres: float | None, differs: bool) -> None:
    """A difference of more than 15 % of the reservoir is pointed out."""
    _, held = recorded(tmp_path, [arrivals("HS-103")])
    plain = analyse(*held["HS-103"], END_US)
    fill = plain.fills[-1]
    said = fill.litres + (litres or 0)
    done = (structs.replace(work(0, kind="filled", litres=said), at_us=fill.at_us + 3_600_000_000),)
    told = analyse(*held["HS-103"], END_US, None, done)
    assert any("the level readings show" in note for note in notes(told)) is differs


def test_nobody_expects_to_hear_of_a_vehicle_laid_up(tmp_path: Path) -> None:
    """Silence counts from its return; a sold one never returns."""
    silent = (Trouble("silent", 12, None),)
    _, held = recorded(tmp_path, [arrivals("HS-103", silent)])
    kinds = {f.kind for f in analyse(*held["HS-103"], END_US).findings}
    assert "silent" in kinds
    for done in (work(12, kind="laid_up"), work(12, kind="sold")):
        assert "silent" not in {f.kind for f in analyse(*held["HS-103"], END_US, None, (done,)).findings}
    back = (work(12, kind="laid_up"), work(9, kind="back"))
    (found,) = [f for f in analyse(*held["HS-103"], END_US, None, back).findings if f.kind == "silent"]
    assert found.detected_us > END_US - 9 * DAY_US


def test_litres_come_on_top_of_what_was_left(tmp_path: Path) -> None:
    """A litre into a reservoir of which only a switch speaks: not full, but what the switch said and a litre."""
    _, held = recorded(tmp_path, [arrivals("HS-109", (Trouble("low_level", 35, None),))])
    messages, setups = held["HS-109"]
    low = [f for f in analyse(messages, setups, END_US).findings if f.kind == "low_level"][-1]
    assert low.open
    at_us = low.detected_us + DAY_US
    mark, litres = setups[-1].low_mark_pct, 0.2 * setups[-1].reservoir_l
    done = (structs.replace(work(0, kind="filled", litres=litres), at_us=at_us),)
    told = analyse(messages, setups, at_us + 1, None, done).refill
    assert told.level_pct == pytest.approx(mark + 20, abs=6)


def test_a_vehicle_sold_after_it_went_silent_is_silent_no_longer(tmp_path: Path) -> None:
    """The finding ends with the record."""
    silent = (Trouble("silent", 12, None),)
    told = result(tmp_path, "HS-103", silent, (work(2, kind="sold"),))
    (found,) = [f for f in told.findings if f.kind == "silent"]
    assert found.ended_us == END_US - 2 * DAY_US
