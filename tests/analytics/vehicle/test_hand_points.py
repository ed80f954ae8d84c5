"""When points greased by hand are due, worked out by hand."""

from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest

from analytics.hand import HandState, standing
from analytics.vehicle.hand_points import Meter, hour_meters, states
from analytics.vehicle.history import build
from ingest.arrays import Cycles, Faults, Ignitions, Levels, Messages, States
from ingest.setups import HandPoint, Setup
from ingest.times import DAY_US, microseconds
from ingest.work import Work

NONE = np.zeros(0)
WHOLE = np.zeros(0, np.int64)
COMMON: dict[str, Any] = {
    "boot": np.zeros(0, np.str_), "seq": WHOLE, "at_us": WHOLE, "sent_us": WHOLE, "received_us": WHOLE, "engine_h": NONE,
}  # fmt: skip


def day(number: int, hour: int = 6) -> int:
    return microseconds(datetime(2026, 3, number, hour, tzinfo=UTC))


def meter_states(read: list[tuple[int, float]], source: str = "meter:1:office") -> States:
    n = len(read)
    at = np.array([at_us for at_us, _ in read], np.int64)
    return States(
        boot=np.full(n, source), seq=np.arange(n), at_us=at, sent_us=np.full(n, -1), received_us=at,
        engine_h=np.array([hours for _, hours in read], np.float64), online=np.ones(n),
    )  # fmt: skip


def messages(outside: States | None = None) -> Messages:
    cycle: dict[str, Any] = dict.fromkeys(("run_s", "manual", "complete", "temp_c", "supply_v"), NONE)
    no_kpa = np.zeros((0, 0), np.float32)
    return Messages(
        Cycles(**COMMON, cycle_no=WHOLE, **cycle, channels=(), peak_kpa=no_kpa, rest_kpa=no_kpa, trace=()),
        Levels(**COMMON, level_pct=NONE, temp_c=NONE, tilt_deg=NONE),
        Ignitions(**COMMON, on=NONE),
        Faults(**COMMON, code=(), active=NONE, channel=(), value=NONE),
        outside if outside is not None else States(**COMMON, online=NONE),
    )  # fmt: skip


def setup(*points: HandPoint) -> Setup:
    return Setup(
        fleet="f", vehicle="t1", unit="trailer 1", vehicle_class="trailer", depot="Quarry", timezone="Etc/UTC", commissioned=None,
        feed="direct", reservoir_l=1, low_mark_pct=0, interval_min=60, run_s=60, relief_kpa=10000, grease="EP", nlgi="2",
        level="none", controller=False, hand_points=points,
    )  # fmt: skip


def told(point: HandPoint, as_of_us: int, *work: dict[str, Any], outside: States | None = None) -> HandState:
    done = tuple(
        Work(key=f"k{n}", by="R", **one) for n, one in enumerate(sorted(work, key=lambda one: int(one["at_us"])))
    )
    history = build(messages(outside), (setup(point),), as_of_us, done)
    read = outside if outside is not None else messages().states
    (state,) = states(history, hour_meters(history, read))
    return state


def hours(at_us: int, engine_h: float, **more: Any) -> dict[str, Any]:
    return {"kind": "meter_read", "at_us": at_us, "engine_h": engine_h, **more}


def greased(at_us: int, number: int = 1) -> dict[str, Any]:
    return {"kind": "points_greased", "at_us": at_us, "points": (number,)}


HOURLY = HandPoint(number=1, point="pin", every=100.0, unit="h", grams=10.0)
DAILY = HandPoint(number=1, point="pin", every=30.0, unit="d", grams=10.0)
BY_KM = HandPoint(number=1, point="fifth wheel", every=5000.0, unit="km", strokes=12.0)


def test_a_point_never_greased_by_record_is_not_known() -> None:
    """Not known is never good: no hours, no date."""
    state = told(DAILY, day(10))
    assert (state.since, state.hours_since, state.due_us, state.reason) == (None, None, None, "never greased by record")
    assert standing(state.due_us, day(10)) == "unknown"


def test_days_are_the_calendars() -> None:
    """Greased on 2 March: 30 days later is 1 April, from its midnight on; worth it from 80 % of the 30 days, 26 March."""
    state = told(DAILY, day(12), greased(day(2)))
    assert state.due_us == microseconds(datetime(2026, 4, 1, tzinfo=UTC))
    assert state.from_us == microseconds(datetime(2026, 3, 26, tzinfo=UTC))
    assert state.since == 10.0
    assert state.hours_since is None  # no meter


def test_the_date_follows_from_the_pace_of_the_meter() -> None:
    """1,000 h on 1 March and 1,070 h on 15 March: 5 h a day. Greased on 9 March at 1,040 h, so 30 h by the meter, and 70 h or 14 days
    more from 15 March on: 29 March. 80 h of 100 are there 10 days after 15 March."""
    state = told(HOURLY, day(16), hours(day(1), 1000.0), hours(day(15), 1070.0), greased(day(9)))
    assert state.since == state.hours_since == 30.0
    assert state.due_us == day(29)
    assert state.from_us == day(25)
    assert state.read_us == day(15)


def test_what_has_passed_its_interval_is_due_since_it_did() -> None:
    """From 1 to 15 March 140 h: 100 h had passed with the reading of 15 March at the latest."""
    state = told(HOURLY, day(16), hours(day(1), 0.0), hours(day(8), 70.0), hours(day(15), 140.0), greased(day(1)))
    assert (state.since, state.due_us) == (140.0, day(15))
    assert standing(state.due_us, day(16)) == "due"


def test_a_point_greased_after_the_last_reading_waits_at_the_meters_pace() -> None:
    """5 h a day; greased on 17 March, two days after the last reading: due 20 days later, 6 April. What has passed nobody read."""
    state = told(HOURLY, day(18), hours(day(1), 1000.0), hours(day(15), 1070.0), greased(day(17)))
    assert state.since is None
    assert state.due_us == day(17) + 20 * DAY_US


@pytest.mark.parametrize(
    ("work", "reason"),
    [
        ([greased(day(3))], "no reading of its hour meter"),
        ([hours(day(5), 50.0), greased(day(3))], "its meter was first read later"),
        ([hours(day(3), 50.0), greased(day(3))], "its meter was read only once"),
        ([hours(day(1), 50.0), hours(day(5), 50.0), greased(day(3))], "its meter does not advance"),
        ([hours(day(1), 50.0), hours(day(5), 50.0000001), greased(day(3))], "its meter hardly advances"),
    ],
)
def test_without_a_pace_there_is_no_date(work: list[dict[str, Any]], reason: str) -> None:
    """It says why."""
    state = told(HOURLY, day(16), *work)
    assert (state.due_us, state.reason) == (None, reason)


def test_a_meter_not_read_for_long_says_nothing_of_today() -> None:
    """100 h at 1 h a day would be due in June; read on 5 March for the last time, on 20 April nobody knows: 46 days."""
    work = (hours(day(1), 10.0), hours(day(5), 14.0), greased(day(5)))
    as_of = microseconds(datetime(2026, 4, 20, 6, tzinfo=UTC))
    assert told(HOURLY, as_of, *work).reason == "its meter was not read for 46 days"
    assert told(HOURLY, as_of - 2 * DAY_US, *work).due_us == day(5) + 100 * DAY_US


def test_a_meter_that_was_replaced_goes_on_where_both_were_read() -> None:
    """1,000 h on the 1st and 1,060 h on the 13th, when the new meter shows 0, and 10 h on the 15th: 70 h since the 1st."""
    work = [
        hours(day(1), 1000.0),
        hours(day(13), 1060.0),
        hours(day(13, 8), 0.0, new_meter=True),
        hours(day(15, 8), 10.0),
    ]
    state = told(HOURLY, day(16), *work, greased(day(1)))
    assert state.since == 70.0
    assert state.due_us is not None


def test_what_a_meter_counted_before_it_was_replaced_unread_is_not_known() -> None:
    """Nine days lie between the last reading of the old one and the first of the new."""
    work = [hours(day(1), 1000.0), hours(day(4), 1060.0), hours(day(13), 0.0, new_meter=True), hours(day(15), 10.0)]
    state = told(HOURLY, day(16), *work, greased(day(1)))
    assert (state.since, state.due_us, state.reason) == (None, None, "its meter was replaced since")


def test_kilometres_are_what_people_read() -> None:
    """1,000 km in 10 days; 12 March less 1 March is 11 days, greased at the start: 5,000 km after 50 days."""
    read = [{"kind": "meter_read", "at_us": day(d), "odometer_km": km} for d, km in ((1, 80_000.0), (11, 81_000.0))]
    state = told(BY_KM, day(12), *read, greased(day(1)))
    assert (state.since, state.hours_since, state.due_us) == (1000.0, None, day(11) + 40 * DAY_US)


def test_an_imported_meter_counts_for_a_vehicle_without_a_controller() -> None:
    """ISO 15143-3 readings of 10 h a day; greased on the 2nd, 100 h are over on the 12th."""
    outside = meter_states([(day(d), 500.0 + 10 * d) for d in range(1, 8)])
    state = told(HOURLY, day(8), greased(day(2)), outside=outside)
    assert (state.since, state.due_us) == (50.0, day(12))


def test_an_unheard_vehicle_without_a_controller_is_never_silent() -> None:
    """There is nothing that could be heard: no finding, and none of what calls itself by its name is of its system."""
    from analytics.vehicle.analysis import analyse

    result = analyse(messages(), (setup(DAILY),), day(28), recorded_since_us=day(1))
    assert result.findings == ()
    assert result.refill.state == "unknown"
    assert result.refill.level_pct is None
    assert result.refill.reason == "there is no reservoir: its points are greased by hand"


def test_the_pace_is_of_the_latest_four_weeks() -> None:
    """Standing for months before tells nothing of now."""
    at = np.array([day(1) + n * DAY_US for n in (0, 100, 110, 120)], np.int64)
    meter = Meter(at, np.array([0.0, 0.0, 40.0, 80.0]), np.zeros(4, np.int64))
    assert meter.pace_a_day == pytest.approx(4.0)


def test_hours_of_the_controller_come_first() -> None:
    """Where it has an hour meter; else what somebody else reads, then what people typed in."""
    history = build(messages(), (setup(HOURLY),), day(9), (Work(key="k", by="R", **hours(day(1), 5.0)),))
    outside = meter_states([(day(1), 1.0), (day(2), 3.0)])
    assert [len(meter.at_us) for meter in hour_meters(history, outside)] == [2, 1]
