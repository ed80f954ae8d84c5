"""Refill rounds against every possible plan of small cases, and what a round must keep to."""

from dataclasses import replace
from itertools import combinations, product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.planning.rounds import HandNeed, Need, Visit, hand_needs, joined, plan, stretch, with_points

WORTH = 0.4


def weekday(day: int) -> bool:
    """Today is a Monday."""
    return day % 7 < 5


def every_day(day: int) -> bool:
    return day >= 0


needs = st.lists(
    st.builds(
        Need,
        vehicle=st.sampled_from("abcdefgh"),
        level_pct=st.floats(15, 98),
        reservoir_l=st.sampled_from([0.5, 2.0, 4.0]),
        grease=st.sampled_from(["NLGI 1", "NLGI 2"]),
        early_days=st.floats(-1, 11),
        pace_pct_per_day=st.floats(1, 9),
    ),
    min_size=1,
    max_size=4,
)


@settings(deadline=None, max_examples=60)
@given(needs, st.sampled_from([None, 1, 2]))
def test_no_plan_has_fewer_days_or_leaves_less_grease(wanted: list[Need], limit: int | None) -> None:
    """Against all assignments; every vehicle once, in its time, on a working day, within the limit."""
    options = [stretch(need, WORTH, weekday)[0] for need in wanted]
    possible = [days for days in product(*options) if limit is None or max(days.count(day) for day in days) <= limit]
    if not possible:
        with pytest.raises(ValueError, match="not every vehicle"):
            plan(wanted, WORTH, limit, weekday)
        return
    visits = plan(wanted, WORTH, limit, weekday)
    told = [(stop.need, visit.day) for visit in visits for stop in visit.stops]
    assert len(told) == len(wanted)
    for need, day in told:
        assert day in stretch(need, WORTH, weekday)[0]
        assert weekday(day)
    assert limit is None or all(len(visit.stops) <= limit for visit in visits)
    fewest = min(len(set(days)) for days in possible)
    assert len(visits) == fewest
    if limit is not None:
        left = min(
            sum(need.level_on(day) / 100 * need.reservoir_l for need, day in zip(wanted, days, strict=True))
            for days in possible
            if len(set(days)) == fewest
        )
        assert sum(n.level_on(d) / 100 * n.reservoir_l for n, d in told) == pytest.approx(left, abs=1e-6)


@given(st.lists(st.tuples(st.integers(0, 9), st.integers(0, 9)).map(sorted), min_size=1, max_size=6))
def test_the_greedy_rule_is_exact(intervals: list[list[int]]) -> None:
    """Minimum piercing of intervals, against all sets of days."""
    wanted = [Need(f"v{n}", 60 + 10 * first, 1.0, "", last, 10.0) for n, (first, last) in enumerate(intervals)]
    assert [stretch(need, WORTH, every_day)[0] for need in wanted] == [list(range(a, b + 1)) for a, b in intervals]
    fewest = next(
        size
        for size in range(1, 11)
        if any(all(set(range(a, b + 1)) & set(days) for a, b in intervals) for days in combinations(range(10), size))
    )
    assert len(plan(wanted, WORTH, None, every_day)) == fewest


def test_when_a_vehicle_may_be_filled() -> None:
    """From the day on which there is room for a worthwhile amount, to the early end of its window."""
    assert stretch(Need("v", 80, 2, "", 9.5, 5), WORTH, every_day) == ([4, 5, 6, 7, 8, 9], False)
    assert stretch(Need("v", 80, 2, "", 9.5, 5), WORTH, weekday) == ([4, 7, 8, 9], False)
    assert stretch(Need("v", 90, 2, "", 2.0, 5), WORTH, every_day) == ([2], False)  # little room, but due
    assert stretch(Need("v", 90, 2, "", 6.0, 5), WORTH, weekday) == ([4], False)  # due on a Sunday: the Friday before
    assert stretch(Need("v", 10, 2, "", -3, 5), WORTH, every_day) == ([0], True)
    assert stretch(Need("v", 10, 2, "", 0.2, 5), WORTH, lambda day: day >= 2) == ([2], True)


def test_what_to_take_along() -> None:
    """Litres by grease up to the full mark, for the level of that day; who needs it most comes first."""
    wanted = [
        Need("a", 40, 2.0, "NLGI 2", 3.9, 5),
        Need("b", 30, 4.0, "NLGI 1", 3.1, 4),
        Need("c", 35, 2.0, "NLGI 2", 3.2, 5),
    ]
    (visit,) = plan(wanted, WORTH, None, every_day)
    assert visit.day == 3
    assert [stop.need.vehicle for stop in visit.stops] == ["b", "c", "a"]
    assert visit.litres == {"NLGI 1": pytest.approx(3.28), "NLGI 2": pytest.approx(3.1)}


FILL = Need(
    "a", 50.0, 4.0, "NLGI 2", 9.0, 1.0, "f", "tipper"
)  # room for 40 % from the first day on, to be filled by day 9
BY_HAND = Need("a", 100.0, 0.0, "", 0.0, 0.0, "f", "tipper", fills=False)


def point(number: int, from_days: float | None, due_days: float | None) -> HandNeed:
    return HandNeed(number, f"pin {number}", 10.0, None, from_days, due_days)


def rounds_of(
    fill: Need | None, *points: HandNeed, horizon: int = 28
) -> list[tuple[int, list[tuple[float, list[int]]]]]:
    """(day, (litres, points by hand) of each stop) of a vehicle's round."""
    wanted = joined(fill, hand_needs(points, horizon, BY_HAND), WORTH)
    visits = with_points(plan(wanted, WORTH, None, every_day), {("f", "a"): points})
    return [(visit.day, [(s.litres, [p.number for p in s.by_hand]) for s in visit.stops]) for visit in visits]


def test_points_due_make_a_stop_of_their_own() -> None:
    """One that is due on day 5, and another that is worth it from day 4 on, are done together on day 5; nothing is filled."""
    assert rounds_of(None, point(1, 2, 5), point(2, 4, 12)) == [(5, [(0.0, [1, 2])])]


def test_points_are_greased_on_the_stop_that_fills() -> None:
    """To be filled by day 9 and greased from day 2 to 5: one stop, on day 5, with 55 % of 4 l (50 % now, 1 % a day)."""
    assert rounds_of(FILL, point(1, 2, 5), point(2, None, None)) == [(5, [(2.2, [1, 2])])]


def test_what_cannot_wait_so_long_is_a_stop_before() -> None:
    """A point from day 12 on is no waste only after the fill of day 9: two stops."""
    assert rounds_of(FILL, point(1, 12, 15)) == [(9, [(2.36, [])]), (15, [(0.0, [1])])]


def test_one_day_is_one_stop_of_a_vehicle() -> None:
    """Overdue since yesterday, and to be filled by day 3, on which somebody works first: they are one stop, told by the earlier."""
    monday = replace(FILL, early_days=3.0, level_pct=90.0, pace_pct_per_day=10.0)  # room for 40 % from day 3 on
    wanted = joined(monday, hand_needs([point(1, -9, -1)], 28, BY_HAND), WORTH)
    assert len(wanted) == 2
    (visit,) = with_points(plan(wanted, WORTH, None, lambda day: day >= 3), {("f", "a"): [point(1, -9, -1)]})
    (stop,) = visit.stops
    assert (visit.day, stop.litres, stop.need.early_days, stop.late, len(stop.by_hand)) == (3, 1.6, -1.0, True, 1)


def test_a_point_of_unknown_date_makes_no_stop() -> None:
    """It is done at any stop there is; without one the list of points says why nothing is known."""
    assert rounds_of(None, point(1, None, None)) == []
    assert hand_needs([point(1, 30, 40)], 28, BY_HAND) == []


def test_overdue_points_are_for_today() -> None:
    """Whatever their number."""
    assert rounds_of(None, point(1, -20, -3), point(2, -1, 4)) == [(0, [(0.0, [1, 2])])]
    assert Visit(0, ()).fills == 0
