"""Doses of points greased by hand, worked out by hand."""

from datetime import UTC, date, datetime
from typing import Any

import msgspec
import numpy as np

from analytics.hand import HAND_FROM
from analytics.vehicle.analysis import analyse
from analytics.vehicle.doses import Dosed, Doses
from analytics.vehicle.hand_doses import hand_doses, with_hand
from ingest.setups import HandPoint, Setup
from ingest.times import DAY_US, EARLIEST_US, instant, microseconds
from ingest.work import Work
from tests.analytics.vehicle.test_hand_points import DAILY, HOURLY, day, greased, hours, messages, meter_states, setup

WEEKLY = HandPoint(number=3, point="pin", every=7.0, unit="d", grams=10.0, critical=True)


def told(point: HandPoint, as_of_us: int, *work: dict[str, Any], registered_us: int) -> Doses | None:
    done = tuple(
        Work(key=f"k{n}", by="R", **one) for n, one in enumerate(sorted(work, key=lambda one: int(one["at_us"])))
    )
    registered: Setup = msgspec.structs.replace(setup(point), registered_us=registered_us)
    return hand_doses(analyse(messages(), (registered,), as_of_us, work=done))


def days(doses: Doses | None) -> list[tuple[int, str]]:
    """(day of the month, what came of its dose) of each planned dose."""
    assert doses is not None
    out = []
    for k in np.flatnonzero(doses.planned[:, 0]):
        came = "arrived" if doses.arrived[k, 0] else "failed" if doses.failed[k, 0] else "not proven"
        out.append(((doses.first.toordinal() + int(k)), came))
    first = instant(day(1)).date().toordinal() - 1
    return [(number - first, came) for number, came in out]


def test_recorded_in_time_is_arrived_and_a_missed_interval_has_failed() -> None:
    """Every 7 days, late until 7.7: registered on the 1st and greased on the 7th (nobody knows when it was before), on the 14th in time;
    nothing on the 21st, and the 25th is too late for it: it counts for the next, which more than half of an interval has passed for."""
    work = [greased(day(n), 3) for n in (7, 14, 25)]
    doses = told(WEEKLY, day(31), *work, registered_us=day(1))
    assert days(doses) == [(7, "not proven"), (14, "arrived"), (21, "failed"), (25, "arrived")]
    assert doses is not None
    assert doses.lines == (Dosed(HAND_FROM + 3, "pin", True),)


def test_greasing_before_half_an_interval_is_an_extra() -> None:
    """On the 10th, three days after the 7th: the next dose is planned from then on, and arrives on the 17th."""
    doses = told(WEEKLY, day(18), *(greased(day(n), 3) for n in (7, 10, 17)), registered_us=day(6))
    assert days(doses) == [(17, "arrived")]


def test_what_was_planned_then_is_accounted_as_it_was_planned() -> None:
    """Another interval from the 20th on: what failed on the 14th under seven days stays failed, and from then on ten days count."""
    first: Setup = msgspec.structs.replace(setup(WEEKLY), registered_us=day(1))
    later: Setup = msgspec.structs.replace(
        setup(msgspec.structs.replace(WEEKLY, every=10.0)), registered_us=day(1), valid_from_us=day(20)
    )
    done = (Work(key="k", by="R", **greased(day(7), 3)),)
    doses = hand_doses(analyse(messages(), (first, later), day(31), work=done))
    assert days(doses) == [(7, "not proven"), (14, "failed"), (27, "failed")]


def test_hours_plan_by_the_meter() -> None:
    """10 h a day: 100 h after the 1st is the 11th, where it was greased; the 21st has passed without."""
    read = [hours(day(1), 0.0), hours(day(11), 100.0), hours(day(25), 240.0)]
    doses = told(HOURLY, day(25), *read, greased(day(1)), greased(day(11)), registered_us=day(1))
    assert days(doses) == [(11, "arrived"), (21, "failed")]


def test_what_no_meter_tells_is_not_proven() -> None:
    """One dose in thirty days stands for those that nobody could count, greased or not."""
    doses = told(HOURLY, day(31), greased(day(5)), registered_us=day(1))
    assert days(doses) == [(31, "not proven")]


def test_doses_of_both_stand_side_by_side() -> None:
    """Days that only one of them has are empty for the other."""
    by_hand = told(DAILY, day(31), greased(day(1)), greased(day(28)), registered_us=day(1))
    assert by_hand is not None
    ones = np.ones((2, 1))
    system = Doses(
        first=instant(day(27)).date(), lines=(Dosed(1, "kingpin", True),), planned=ones, arrived=ones, failed=0 * ones
    )
    both = with_hand(system, by_hand)
    assert both is not None
    assert both.first == instant(day(27)).date()
    assert both.planned.tolist() == [[1.0, 0.0], [1.0, 1.0]]
    assert both.arrived.tolist() == [[1.0, 0.0], [1.0, 1.0]]
    assert with_hand(system, None) is system
    assert with_hand(None, None) is None


def test_a_sheet_of_long_ago_plans_nothing_before_there_was_any_record() -> None:
    """Daily since the year 1 is daily since 2010: what is older nobody can have recorded."""
    daily = HandPoint(number=3, point="pin", every=1.0, unit="d", grams=10.0)
    old: Setup = msgspec.structs.replace(setup(daily), valid_from_us=microseconds(datetime(1, 1, 1, tzinfo=UTC)))
    doses = hand_doses(analyse(messages(), (old,), EARLIEST_US + 30 * DAY_US + 1))
    assert doses is not None
    assert (doses.first, doses.planned.sum()) == (date(2010, 1, 2), 29)


def test_a_meter_that_leaps_counts_no_more_hours_than_have_passed() -> None:
    """Whoever reads it typed a billion: a week's hours at most, not a dose for each hundred of the billion."""
    meter = meter_states([(day(1), 0.0), (day(8), 1e9)])
    registered: Setup = msgspec.structs.replace(setup(HOURLY), registered_us=day(1))
    doses = hand_doses(analyse(messages(meter), (registered,), day(9)))
    assert doses is not None
    assert doses.planned.sum() == 1
