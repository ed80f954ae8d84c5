"""A freshly fitted system is handed over proven, line by line; what is wrong with it says so, and the rest ends in time."""

from collections.abc import Callable
from pathlib import Path

import msgspec
import numpy as np
import pytest

from analytics.vehicle.analysis import Result, analyse
from analytics.vehicle.commissioning import CYCLES, Handover, _air, began_us
from ingest.setups import Setup
from ingest.times import DAY_US
from ingest.work import Work
from simulators.scenario import Trouble
from tests.helpers.vehicles import END_US, arrivals, recorded


def fitted(
    folder: Path,
    troubles: tuple[Trouble, ...] = (),
    days: int = 3,
    change: Callable[[Setup], Setup] = lambda setup: setup,
    work: tuple[Work, ...] = (),
    at_us: int = END_US,
) -> Result:
    """HS-101, commissioned three days before the end, after so many days of messages."""
    _, held = recorded(folder, [arrivals("HS-101", troubles, days)])
    messages, setups = held["HS-101"]
    return analyse(messages, tuple(change(setup) for setup in setups), at_us, None, work)


def handed(result: Result) -> Handover:
    """Its commissioning."""
    assert result.handover is not None
    return result.handover


def verdicts(told: Handover) -> dict[str, str]:
    """What of each item is said."""
    return {item.what.split(",")[0]: item.verdict for item in told.items}


def swapped(setup: Setup) -> Setup:
    """A line list on which two neighbours have each other's number."""
    lines = list(setup.lines)
    a, b = lines[9], lines[10]
    lines[9] = msgspec.structs.replace(a, channel=b.channel)
    lines[10] = msgspec.structs.replace(b, channel=a.channel)
    return msgspec.structs.replace(setup, lines=tuple(lines))


def test_a_sound_system_is_proven_but_for_what_so_few_cycles_cannot_show(tmp_path: Path) -> None:
    """Twenty cycles take less from the reservoir than its sensor can show; everything else is proven."""
    told = handed(fitted(tmp_path))
    assert (told.state, told.cycles) == ("ended", CYCLES)
    assert {what for what, verdict in verdicts(told).items() if verdict != "proven"} == {"Level sensor"}
    assert [line.line for line in told.lines] == list(range(1, 15))
    assert all(line.peak_kpa is not None and 0.5 < (line.ratio_to_sisters or 0) < 2 for line in told.lines)


def test_without_what_cannot_be_shown_it_ends_early(tmp_path: Path) -> None:
    """With a switch only, the first cycles are plain: proven after eight."""
    told = handed(fitted(tmp_path, change=lambda setup: msgspec.structs.replace(setup, level="switch")))
    assert (told.state, told.cycles) == ("proven", 8)


def test_a_line_that_was_blocked_when_it_was_fitted_looks_wrong(tmp_path: Path) -> None:
    """By lines of like length and bore: it has no past of its own."""
    told = handed(fitted(tmp_path, (Trouble("blocked_line", 4, None, line=7, ratio=3.0),)))
    assert {what for what, verdict in verdicts(told).items() if verdict == "looks wrong"} == {"Line 7"}


def test_neighbours_that_were_swapped_are_named(tmp_path: Path) -> None:
    """Each reads what the other should."""
    told = handed(fitted(tmp_path, change=swapped))
    wrong = {item.line: item.text for item in told.items if item.verdict == "looks wrong"}
    assert set(wrong) == {10, 11}
    assert "what line 11 should" in wrong[10]


@pytest.mark.parametrize(
    ("change", "what"),
    [({"interval_min": 30.0}, "Interval"), ({"run_s": 240.0}, "Run time"), ({"low_mark_pct": 99.5}, "Reservoir")],
)
def test_what_differs_from_the_sheet_looks_wrong(tmp_path: Path, change: dict[str, float], what: str) -> None:
    """Timer and marks."""
    told = handed(fitted(tmp_path, change=lambda setup: msgspec.structs.replace(setup, **change)))
    assert verdicts(told)[what] == "looks wrong"


def test_a_channel_of_several_lines_proves_none_of_them(tmp_path: Path) -> None:
    """One tube that is off hardly moves what feeds them all."""

    def shared(setup: Setup) -> Setup:
        lines = [msgspec.structs.replace(line, channel=setup.lines[0].channel) for line in setup.lines]
        return msgspec.structs.replace(setup, lines=tuple(lines))

    told = handed(fitted(tmp_path, change=shared))
    items = [item for item in told.items if item.line is not None]
    assert {item.verdict for item in items} == {"no reading"}
    assert "watches 14 lines at once" in items[0].text


def test_a_cycle_without_readings_proves_no_air_bled() -> None:
    """It says nothing; those beside it do."""
    rng = np.random.default_rng(1)
    peaks = {name: 4000 * np.exp(0.5 * rng.standard_normal(20)) for name in ("p1", "p2")}
    common = np.exp(0.5 * rng.standard_normal(20))
    peaks = {name: values * common for name, values in peaks.items()}
    assert _air((), peaks, 0).verdict == "not yet"
    assert (
        _air((), {name: np.where(np.arange(20) == 9, np.nan, v) for name, v in peaks.items()}, 0).verdict == "not yet"
    )


def test_it_runs_until_twenty_cycles_or_seven_working_days(tmp_path: Path) -> None:
    """A few hours after the first cycle it runs; of a vehicle that stands still it ends all the same."""
    first_us = handed(fitted(tmp_path / "a")).since_us
    early = handed(fitted(tmp_path / "b", at_us=first_us + DAY_US // 4))
    assert early.state == "running"
    assert early.ended_us is None
    parked = (Trouble("parked", 3.4, None),)
    late = handed(fitted(tmp_path / "c", parked, at_us=END_US + 12 * DAY_US))
    assert late.state == "ended"
    assert late.ended_us is not None
    assert 9 * DAY_US <= late.ended_us - first_us <= 12 * DAY_US  # seven working days hold a weekend


def test_only_a_fresh_system_is_in_commissioning(tmp_path: Path) -> None:
    """Not one whose history began before, nor one commissioned long ago; but one that somebody relined."""
    result = fitted(tmp_path, days=40)
    assert result.handover is None
    relined = Work(key="a", kind="relined", at_us=END_US - 5 * DAY_US, by="R. Tarvolen")
    told = handed(fitted(tmp_path / "b", days=40, work=(relined,)))
    assert told.since_us == relined.at_us
    assert began_us(result.history) is None


def test_later_findings_are_told_against_it(tmp_path: Path) -> None:
    """A line that is blocked later says what it read at first."""
    relined = Work(key="a", kind="relined", at_us=END_US - 30 * DAY_US, by="R. Tarvolen")
    result = fitted(tmp_path, (Trouble("blocked_line", 6, None, line=5, ratio=4.0),), 60, work=(relined,))
    (found,) = [f for f in result.findings if f.kind == "blocked_line"]
    first = next(line.peak_kpa for line in handed(result).lines if line.line == 5)
    assert f"it read {first:.0f} kPa" in found.summary
    assert found.evidence["handover_kpa"] == first
    assert np.isfinite(found.evidence["handover_kpa"] or np.nan)
