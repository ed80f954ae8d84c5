"""Refill rounds: the fewest visits to a depot on which every vehicle is filled, and its points greased by hand, in their time, then the
least grease left over.

A vehicle may be filled from the day on which there is room for a worthwhile amount, and must be by the early end of its
refill window. Without a limit of fills a day the fewest days that meet every such stretch follow from a greedy rule (take
the latest day of the stretch that ends first); with one they are an integer programme, which SciPy's HiGHS solves.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from analytics.refills import Refill
from analytics.vehicle.level import percent_of_reservoir
from ingest.setups import Setup
from ingest.times import instant

MOST_DAYS: Final = 366
WORTH: Final = 0.4  # of the reservoir: below it a walk hardly pays
WORKDAYS: Final = frozenset(range(5))  # 0 is Monday


@dataclass(frozen=True)
class HandNeed:
    """A point greased by hand: worth it from a day on, and due on another; None where no date is known."""

    number: int
    point: str
    grams: float | None
    strokes: float | None
    from_days: float | None
    due_days: float | None
    critical: bool = False  # steering or braking depends on it


@dataclass(frozen=True)
class Need:
    """A vehicle that somebody has to go to: days count from today, which is 0. It has to be filled, or (`fills` is false) has points to be
    greased by hand; `first_days` is from when on that is worth it (None: by its level)."""

    vehicle: str
    level_pct: float
    reservoir_l: float
    grease: str
    early_days: float  # early end of its refill window, or when the first of its points is due; 0 or less: now
    pace_pct_per_day: float  # by which its level is expected to fall
    fleet: str = ""
    unit: str = ""
    first_days: float | None = None
    fills: bool = True

    def level_on(self, day: float) -> float:
        """The level to be expected on a day, percent of the volume at the full mark."""
        return max(0.0, self.level_pct - self.pace_pct_per_day * day)

    def litres_on(self, day: float) -> float:
        """Litres that go in on a day, up to the full mark."""
        return (100 - self.level_on(day)) / 100 * self.reservoir_l if self.fills else 0.0


@dataclass(frozen=True)
class Stop:
    """One vehicle on one visit; `late` where no working day was left in its time. `by_hand` are the points to grease there."""

    need: Need
    litres: float
    late: bool
    by_hand: tuple[HandNeed, ...] = ()


@dataclass(frozen=True)
class Visit:
    """A day, and whom to fill on it, who needs it most first."""

    day: int
    stops: tuple[Stop, ...]

    @property
    def litres(self) -> dict[str, float]:
        """Litres of each grease to take along."""
        out: dict[str, float] = {}
        for stop in self.stops:
            if stop.need.fills:
                out[stop.need.grease] = out.get(stop.need.grease, 0.0) + stop.litres
        return out

    @property
    def fills(self) -> int:
        """How many of its stops are fills."""
        return sum(stop.need.fills for stop in self.stops)


def refill_need(refill: Refill, setup: Setup, now_us: int) -> Need | None:
    """What a forecast asks for; None where no date is known. Days are the depot's."""
    if refill.due_early_us is None or refill.level_pct is None:
        return None
    zone = ZoneInfo(setup.timezone)
    today, early = (instant(us).astimezone(zone).date() for us in (now_us, refill.due_early_us))
    pace = percent_of_reservoir((refill.cycles_per_day or 0.0) * refill.cm3_per_cycle, setup.reservoir_l)
    return Need(
        setup.vehicle, refill.level_pct, setup.reservoir_l, setup.grease_and_grade, float((early - today).days), pace,
        setup.fleet, setup.unit,
    )  # fmt: skip


def stretch(need: Need, worth: float, is_working: Callable[[int], bool]) -> tuple[list[int], bool]:
    """(working days on which a vehicle may be filled, whether they come too late): at least one day.

    `worth` is the share of the reservoir that there must be room for.
    """
    last = max(0, math.floor(need.early_days))
    room = 100 * (1 - worth)
    if need.first_days is not None:
        first = max(0, math.ceil(need.first_days))
    else:
        first = 0 if need.level_pct <= room else math.ceil((need.level_pct - room) / max(need.pace_pct_per_day, 1e-9))
    days = [day for day in range(min(first, last), last + 1) if is_working(day)]
    if days:
        return days, need.early_days < 0
    before = next((day for day in range(last, -1, -1) if is_working(day)), None)
    if before is not None:
        return [before], need.early_days < 0
    return [next(day for day in range(last, last + MOST_DAYS) if is_working(day))], True


def hand_needs(points: Sequence[HandNeed], horizon_days: float, like: Need) -> list[Need]:
    """The times at which a vehicle's points want somebody within a horizon, first to last: each with all that are worth it by then; `like`
    says whose they are."""
    waiting = sorted(
        ((p.from_days, p.due_days) for p in points if p.from_days is not None and p.due_days is not None),
        key=lambda days: days[1],
    )
    out: list[Need] = []
    while waiting and waiting[0][1] <= horizon_days:
        first, due = waiting[0]
        out.append(replace(like, early_days=float(due), first_days=float(first), fills=False))
        waiting = [days for days in waiting if days[0] > max(due, 0)]
    return out


def joined(fill: Need | None, by_hand: Sequence[Need], worth: float) -> list[Need]:
    """A vehicle's needs, its fill made one with the first of its other needs that may be met on the same day."""
    if fill is None:
        return list(by_hand)
    days, _ = stretch(fill, worth, lambda _: True)
    first, last = days[0], days[-1]
    for k, one in enumerate(by_hand):
        start = max(0, math.ceil(one.first_days or 0.0))
        if start <= last and max(0, math.floor(one.early_days)) >= first:
            both = replace(fill, early_days=min(fill.early_days, one.early_days), first_days=float(max(first, start)))
            return [both, *by_hand[:k], *by_hand[k + 1 :]]
    return [fill, *by_hand]


def with_points(visits: Sequence[Visit], points: Mapping[tuple[str, str], Sequence[HandNeed]]) -> list[Visit]:
    """Visits with the points, by (fleet, vehicle), that each stop greases by hand: all that are worth it by then or of which no date is
    known, at the first stop that they have."""
    left = {vehicle: list(own) for vehicle, own in points.items()}
    out = []
    for visit in visits:
        stops = []
        for stop in _once(visit.stops):
            own = left.get((stop.need.fleet, stop.need.vehicle), [])
            now = [point for point in own if point.from_days is None or math.ceil(point.from_days) <= visit.day]
            left[stop.need.fleet, stop.need.vehicle] = [point for point in own if point not in now]
            stops.append(replace(stop, by_hand=tuple(sorted(now, key=lambda point: point.number))))
        out.append(Visit(visit.day, tuple(stops)))
    return out


def _once(stops: Sequence[Stop]) -> list[Stop]:
    """Each vehicle once: where it is to be filled and greased by hand on one day, that is one stop."""
    out: dict[tuple[str, str], Stop] = {}
    for stop in stops:
        key = stop.need.fleet, stop.need.vehicle
        if key not in out:
            out[key] = stop
            continue
        one, other = (stop, out[key]) if stop.need.fills else (out[key], stop)
        need = replace(one.need, early_days=min(one.need.early_days, other.need.early_days))
        out[key] = replace(one, need=need, late=one.late or other.late)
    return list(out.values())


def plan(needs: Sequence[Need], worth: float, limit: int | None, is_working: Callable[[int], bool]) -> list[Visit]:
    """The visits, in order. Raises ValueError where so few fills a day leave somebody out."""
    stretches = [stretch(need, worth, is_working) for need in needs]
    if not needs:
        return []
    if limit is None:
        chosen = _pierce([days for days, _ in stretches])
        day_of = [max(day for day in chosen if day in days) for days, _ in stretches]
    else:
        day_of = _solve(needs, [days for days, _ in stretches], limit)
    visits: dict[int, list[Stop]] = {}
    for need, day, (_, late) in zip(needs, day_of, stretches, strict=True):
        visits.setdefault(day, []).append(Stop(need, round(need.litres_on(day), 2), late))
    return [
        Visit(day, tuple(sorted(stops, key=lambda stop: (stop.need.early_days, stop.need.vehicle))))
        for day, stops in sorted(visits.items())
    ]


def _pierce(stretches: Sequence[Sequence[int]]) -> list[int]:
    """The fewest days that meet every stretch of working days (minimum piercing set of intervals; the greedy rule is exact)."""
    chosen: list[int] = []
    for days in sorted(stretches, key=lambda days: days[-1]):
        if not any(day in days for day in chosen):
            chosen.append(days[-1])
    return chosen


def _solve(needs: Sequence[Need], stretches: Sequence[Sequence[int]], limit: int) -> list[int]:
    """A day for each: fewest days first, then least grease left over, at most `limit` fills a day."""
    days = sorted({day for stretch_ in stretches for day in stretch_})
    place = {day: k for k, day in enumerate(days)}
    pairs = [(v, day) for v, stretch_ in enumerate(stretches) for day in stretch_]
    count = len(days) + len(pairs)
    left_l = np.array([needs[v].level_on(day) / 100 * needs[v].reservoir_l for v, day in pairs])
    # One day fewer outweighs all the grease there is.
    price = np.r_[np.full(len(days), 1.0 + left_l.sum()), left_l]
    rows, columns = list[int](), list[int]()
    values, low, high = list[float](), list[float](), list[float]()

    def constrain(entries: list[tuple[int, float]], least: float, most: float) -> None:
        for column, value in entries:
            rows.append(len(low))
            columns.append(column)
            values.append(value)
        low.append(least)
        high.append(most)

    for v in range(len(stretches)):
        constrain([(len(days) + k, 1.0) for k, (who, _) in enumerate(pairs) if who == v], 1, 1)
    for day in days:
        mine = [(len(days) + k, 1.0) for k, (_, at) in enumerate(pairs) if at == day]
        constrain([*mine, (place[day], -float(limit))], -np.inf, 0)
    for k, (_, day) in enumerate(pairs):
        constrain([(len(days) + k, 1.0), (place[day], -1.0)], -np.inf, 0)
    # Here, since they take long to load.
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import coo_array

    matrix = coo_array((values, (rows, columns)), shape=(len(low), count)).tocsr()
    found = milp(
        price,
        integrality=np.ones(count, np.int64),
        bounds=Bounds(0, 1),
        constraints=LinearConstraint(matrix, low, high),
    )
    if found.x is None:
        raise ValueError(f"with {limit} fills a day not every vehicle can be filled in its time")
    taken = found.x[len(days) :] > 0.5
    return [next(day for k, (who, day) in enumerate(pairs) if who == v and taken[k]) for v in range(len(stretches))]
