"""Grease by month, depot and kind: what is used, filled and held adds up."""

from dataclasses import replace
from pathlib import Path

import pytest
from msgspec import structs

from analytics import amounts
from analytics.amounts import Supply
from analytics.vehicle import analyse, days, fills_json
from ingest.work import Work
from simulators.scenario import Trouble
from tests.analytics.fleet import END_US, arrivals, recorded


def supply(folder: Path, troubles: tuple[Trouble, ...] = ()) -> Supply:
    """What the analysis says of a simulated tipper."""
    _, held = recorded(folder, [arrivals("HS-103", troubles, days=90)])
    result = analyse(*held["HS-103"], END_US)
    setup = result.history.setup
    return Supply(setup, days(result), fills_json(result, "f", "v"), result.refill.as_json("f", "v"))


def test_what_goes_in_is_used_or_held(tmp_path: Path) -> None:
    """On a sound vehicle nothing is left over but what sensors get wrong: a tenth of what was used."""
    found = amounts.monthly([supply(tmp_path)])
    assert [one.month for one in found] == sorted({one.month for one in found})
    used, filled = sum(one.used_l for one in found), sum(one.filled_l for one in found)
    assert used > 1
    assert filled > 1
    assert abs(sum(one.unaccounted_l for one in found)) < 0.1 * used


def test_a_leak_is_unaccounted_for(tmp_path: Path) -> None:
    """Nine tenths of a dose lost with each cycle over four weeks."""
    sound = sum(one.unaccounted_l for one in amounts.monthly([supply(tmp_path / "a")]))
    leaking = supply(tmp_path / "b", (Trouble("reservoir_loss", 28, None, ratio=1.9),))
    lost = sum(one.unaccounted_l for one in amounts.monthly([leaking]))
    cycles = sum(day["done"] for day in leaking.days[-28:])
    assert lost - sound == pytest.approx(0.9 * cycles * leaking.setup.dose_cm3 / 1000, rel=0.3)


def test_depots_and_greases_are_kept_apart_and_records_count_without_a_sensor(tmp_path: Path) -> None:
    """Two vehicles of one depot and grease are one row a month."""
    one = supply(tmp_path)
    other = replace(one, setup=structs.replace(one.setup, depot="elsewhere", level="none"), fills=(), work=(
        Work(key="k", kind="filled", at_us=END_US - 86_400_000_000, by="somebody", litres=2.5),))  # fmt: skip
    found = amounts.monthly([one, one, other])
    twice = [a for a in found if a.depot == one.setup.depot]
    single = amounts.monthly([one])
    assert [a.used_l for a in twice] == pytest.approx([2 * a.used_l for a in single])
    assert {a.vehicles for a in twice} == {2}
    assert sum(a.filled_l for a in found if a.depot == "elsewhere") == 2.5
    ahead = amounts.ahead_l([one, one])
    assert list(ahead.values()) == pytest.approx([2 * v for v in amounts.ahead_l([one]).values()])
