"""Refill rounds against every possible plan of small cases, and what a round must keep to."""

from itertools import combinations, product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.planning.rounds import Need, plan, stretch

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
