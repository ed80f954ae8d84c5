"""Grease by month, depot and kind: what is used, filled and held adds up."""

from dataclasses import replace
from pathlib import Path

import pytest
from msgspec import structs

from analytics.planning import usage
from analytics.planning.usage import Supply
from analytics.vehicle.analysis import analyse
from analytics.vehicle.daily import days
from dashboard.exports.csv import amounts_table
from ingest.times import DAY_US, instant
from ingest.work import Work
from simulators.scenario import Trouble
from tests.helpers.vehicles import END_US, arrivals, recorded


def supply(folder: Path, troubles: tuple[Trouble, ...] = ()) -> Supply:
    """What the analysis says of a simulated tipper."""
    _, held = recorded(folder, [arrivals("HS-103", troubles, days=90)])
    result = analyse(*held["HS-103"], END_US)
    setup = result.history.setup
    return Supply((setup,), days(result), result.fills, result.refill)


def test_what_goes_in_is_used_or_held(tmp_path: Path) -> None:
    """On a sound vehicle nothing is left over but what sensors get wrong: a tenth of what was used."""
    found = usage.monthly(supply(tmp_path))
    assert [one.month for one in found] == sorted({one.month for one in found})
    used, filled = sum(one.used_l for one in found), sum(one.filled_l for one in found)
    assert used > 1
    assert filled > 1
    assert abs(sum(one.unaccounted_l or 0.0 for one in found)) < 0.1 * used


def test_a_leak_is_unaccounted_for(tmp_path: Path) -> None:
    """Nine tenths of a dose lost with each cycle over four weeks."""
    sound = sum(one.unaccounted_l or 0.0 for one in usage.monthly(supply(tmp_path / "a")))
    leaking = supply(tmp_path / "b", (Trouble("reservoir_loss", 28, None, ratio=1.9),))
    lost = sum(one.unaccounted_l or 0.0 for one in usage.monthly(leaking))
    cycles = sum(day.done for day in leaking.days[-28:])
    assert lost - sound == pytest.approx(0.9 * cycles * leaking.setups[-1].dose_cm3 / 1000, rel=0.3)


def test_a_month_is_booked_where_the_vehicle_was(tmp_path: Path) -> None:
    """A vehicle that moved in the middle of a month: that month has two rows, earlier ones stay with the old depot."""
    one = supply(tmp_path)
    moved_us = END_US - 20 * 86_400_000_000
    later = structs.replace(one.setups[0], depot="elsewhere", valid_from_us=moved_us)
    found = usage.monthly(replace(one, setups=(*one.setups, later)))
    stayed = usage.monthly(one)
    assert sum(a.used_l for a in found) == pytest.approx(sum(a.used_l for a in stayed))
    there = [a for a in found if a.depot == "elsewhere"]
    days_there = [day for day in one.days if day.day > instant(moved_us).date()]
    assert sum(a.used_l for a in there) == pytest.approx(
        sum(day.used_l for day in days_there) * stayed[0].used_l / _used_by_sheet(one, stayed[0].month), rel=0.1
    )
    assert {a.month for a in there} <= {a.month for a in stayed[-2:]}


def _used_by_sheet(one: Supply, month: str) -> float:
    return float(sum(day.used_l for day in one.days if f"{day.day:%Y-%m}" == month))


def test_nothing_is_held_against_a_time_without_readings(tmp_path: Path) -> None:
    """A level sensor that is fitted later does not make up for what was used before."""
    one = supply(tmp_path)
    blind = [replace(day, level_pct=None) for day in one.days[:45]] + list(one.days[45:])
    found, whole = usage.monthly(replace(one, days=blind)), usage.monthly(one)
    assert sum(a.used_l for a in found) == pytest.approx(sum(a.used_l for a in whole))
    assert abs(sum(a.unaccounted_l or 0.0 for a in found)) < 0.1 * sum(a.used_l for a in whole)


def test_records_count_without_a_sensor(tmp_path: Path) -> None:
    """What somebody wrote down was filled in."""
    one = supply(tmp_path)
    other = replace(one, setups=(structs.replace(one.setups[0], level="none"),), fills=(), work=(
        Work(key="k", kind="filled", at_us=END_US - 86_400_000_000, by="somebody", litres=2.5),))  # fmt: skip
    assert sum(a.filled_l for a in usage.monthly(other)) == 2.5


@pytest.mark.parametrize("litres", [2.5, None])
def test_a_fill_that_no_reading_tells_is_what_was_written_down(tmp_path: Path, litres: float | None) -> None:
    """Of a sensor that has told nothing yet, or nothing any more; where only a level was written down nobody knows how much went in."""
    one = supply(tmp_path)
    fill = Work(
        key="k", kind="filled", at_us=END_US - DAY_US, by="somebody", litres=litres, to_pct=None if litres else 95.0
    )
    never = replace(one, days=[replace(day, level_pct=None) for day in one.days], fills=(), work=(fill,))
    told = usage.monthly(never)
    assert [a.known_filled_l for a in told] == [*([None] * (len(told) - 1)), litres]
    assert [row["filled_l"] for row in amounts_table(told, 0.9)][-1] == ("" if litres is None else "2.50")
    dead = replace(one, work=(fill,), read_us=END_US - 10 * DAY_US)
    there = usage.monthly(dead)
    before = usage.monthly(replace(dead, work=()))
    assert sum(a.filled_l for a in there) == pytest.approx(sum(a.filled_l for a in before) + (litres or 0.0))
    assert [a.unaccounted_l for a in there] == [a.unaccounted_l for a in before]
    read = replace(one, work=(fill,), read_us=END_US)  # the level shows none
    assert sum(a.filled_l for a in usage.monthly(read)) == sum(a.filled_l for a in usage.monthly(one))


def test_without_a_level_nobody_knows_what_reservoirs_hold(tmp_path: Path) -> None:
    """Not known, rather than no change and nothing unaccounted for; in files an empty cell."""
    one = supply(tmp_path)
    found = usage.monthly(replace(one, days=[replace(day, level_pct=None) for day in one.days]))
    assert found
    assert {(a.held_l, a.unaccounted_l) for a in found} == {(None, None)}
    assert {(row["held_l"], row["unaccounted_l"]) for row in amounts_table(found, 0.9)} == {("", "")}


def test_grease_a_day_follows_the_cycles(tmp_path: Path) -> None:
    """Cycles a day times grease per cycle; nothing where no cycle ran."""
    refill = supply(tmp_path).refill
    assert refill is not None
    assert refill.cycles_per_day is not None
    assert refill.use_l_a_day == pytest.approx(refill.cycles_per_day * refill.cm3_per_cycle / 1000)
    assert replace(refill, cycles_per_day=None).use_l_a_day is None
