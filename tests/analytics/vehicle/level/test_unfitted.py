"""Points that a set-up has added before they are there: nothing is said of the pump."""

import pytest
from msgspec import structs

from analytics.vehicle.analysis import analyse
from analytics.vehicle.data_notes import notes
from analytics.vehicle.doses import doses
from ingest.setups import Setup
from ingest.times import DAY_US
from tests.analytics.vehicle.level.tank import START_US, Tank, messages, setup

ADDED, FITTED = 36, 55  # days


def sheets(part: float) -> tuple[Setup, Setup]:
    """A line that takes a part of the grease, and from a day on a second that takes the rest."""
    (whole,) = setup().lines
    first = structs.replace(whole, dose_cm3=part * whole.dose_cm3)
    second = structs.replace(whole, line=2, dose_cm3=(1 - part) * whole.dose_cm3)
    return setup(lines=(first,)), setup(lines=(first, second), valid_from_us=START_US + ADDED * DAY_US)


@pytest.mark.parametrize("part", [0.4, 0.6])
@pytest.mark.parametrize("seed", [1, 2])
def test_points_that_are_not_fitted_yet_are_no_weak_pump(part: float, seed: int) -> None:
    """At any time; it is said that they may not be there, their doses are not proven, and the date goes by what leaves the reservoir."""
    tank = Tank(days=90, seed=seed, ratio=((0, part), (FITTED, 1.0)))
    told = []
    for day in range(ADDED, 90, 6):
        result = analyse(messages(tank), sheets(part), START_US + day * DAY_US)
        assert [found.kind for found in result.findings if found.kind != "low_level"] == []
        told.append(any("a set-up added points" in note for note in notes(result)))
        if day == 54:
            assert result.refill.cm3_per_cycle == pytest.approx(part * setup().dose_cm3, rel=0.3)
            assert result.reservoir.unfitted[0].ended_us is None
            dosed = doses(result)
            assert dosed is not None
            assert dosed.arrived[-5:].sum() == 0
    assert told[-1]
    assert not told[0]


def test_a_pump_that_delivers_less_later_is_found() -> None:
    """Weeks after the points were there, or by another amount than that of the new ones."""
    late = Tank(days=90, ratio=((0, 0.6), (ADDED, 1.0), (65, 0.55)))
    result = analyse(messages(late), sheets(0.6), START_US + 90 * DAY_US)
    assert [found.kind for found in result.findings if found.kind != "low_level"] == ["under_delivery"]
    other = Tank(days=70, ratio=((0, 0.6), (ADDED, 0.3)))
    result = analyse(messages(other), sheets(0.6), START_US + 70 * DAY_US)
    assert "under_delivery" in [found.kind for found in result.findings]
