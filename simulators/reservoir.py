"""Grease in the reservoir: what cycles take out, when people fill it and how far, and air once it runs dry."""

from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Span = tuple[float, float]  # hours since 1970

DRY_PCT: Final = 2.5  # below it the pump draws air
_LEFT_PCT: Final = 0.6  # that it never gets out
_FILLING_H: Final = 0.15  # that a fill takes
_TOPPED_PCT: Final = 97.0  # nobody tops up further
_DRY_SHARE: Final = 0.15  # of its dose that it still pumps with air


@dataclass(frozen=True)
class Fill:
    """Somebody filled it: when (hours since 1970), from and to percent of the full mark."""

    hour: float
    from_pct: float
    to_pct: float


@dataclass(frozen=True)
class Level:
    """`pct` after each cycle, `airy` cycles that pumped air, and the fills."""

    pct: Floats
    airy: NDArray[np.bool_]
    fills: tuple[Fill, ...]


@dataclass(frozen=True)
class People:
    """How those who fill it go about it: margin above the low mark at which they think of it, and what they let be."""

    low_mark_pct: float
    waits_for_lamp: bool  # there is only a switch at the low mark
    careless: float  # share of fills that come five days late, and half as many that go over the full mark
    stops: Floats  # (k, 2) hours in which the vehicle stands: nobody fills it on the way
    absent: list[Span]  # nobody comes
    over: list[float]  # from these hours on the next fill goes over the full mark
    top_ups: list[tuple[float, float]] = field(default_factory=list)  # (hour, points) that somebody adds in passing


def walk(clock: Floats, use_pct: Floats, people: People, rng: np.random.Generator) -> Level:
    """The level over cycles at `clock` (n,) that take `use_pct` (n,) out, from a random first level on."""
    n = len(clock)
    pct, airy = np.empty(n), np.zeros(n, bool)
    taken = np.r_[0.0, np.cumsum(use_pct)]
    fills: list[Fill] = []
    over, top_ups = sorted(people.over), sorted(people.top_ups)
    level, start = float(rng.uniform(45, 97)), 0
    while start < n:
        # Until somebody fills it, the level only falls.
        margin, delay_h, target, part, long_delay = (
            float(rng.uniform(4, 18)), float(rng.exponential(14)) + 3, float(rng.uniform(88, 98)), rng.random(), rng.random(),
        )  # fmt: skip
        trigger = people.low_mark_pct + (0.0 if people.waits_for_lamp else margin)
        fallen = level - (taken[start + 1 :] - taken[start])
        dry = fallen < DRY_PCT
        fallen = np.where(dry, np.maximum(_LEFT_PCT, DRY_PCT + _DRY_SHARE * (fallen - DRY_PCT)), fallen)
        noticed = np.flatnonzero(fallen < trigger)
        added: float | None = None
        hour, stop = float("inf"), n
        if len(noticed):
            ready = clock[start + noticed[0]] + delay_h + (120.0 if long_delay < people.careless else 0.0)
            hour = standing(people.stops, _present(people.absent, ready))
            stop = int(max(np.searchsorted(clock, hour), start + noticed[0] + 1))
        top_ups = [one for one in top_ups if one[0] >= clock[start]]
        if top_ups and top_ups[0][0] < hour:
            hour, added = top_ups[0]
            stop = max(int(np.searchsorted(clock, hour)), start + 1)
        pct[start:stop] = fallen[: stop - start]
        airy[start:stop] |= dry[: stop - start]
        if stop >= n:
            break
        before = float(pct[stop - 1])
        if part < 0.15 and before < 45:
            target = before + 20 + 100 * part  # what was left in the drum
        if added is not None:
            target = max(before, min(before + added, _TOPPED_PCT))
        elif over and hour >= over[0]:
            target, over = 106.0, over[1:]
        elif part > 1 - people.careless / 2:
            target = 104.0
        if target > before:
            fills.append(Fill(hour, before, target))
        bleed = int(rng.integers(8, 20))
        if before < DRY_PCT:  # the lines have to be bled
            airy[stop : stop + bleed] = True
        level, start = target, stop
    return Level(pct, airy, tuple(fills))


def _present(absent: list[Span], ready: float) -> float:
    """The first moment from then on at which somebody is there."""
    for begin, end in sorted(absent):
        if begin <= ready < end:
            ready = end
    return ready


def standing(stops: Floats, ready: float) -> float:
    """A moment in the first stop from then on that is long enough for a fill."""
    fit = (stops[:, 0] >= ready) & (stops[:, 1] - stops[:, 0] > _FILLING_H)
    if not fit.any():
        return np.inf
    begin, end = stops[np.argmax(fit)]
    return float(begin + 0.6 * min(end - begin, 1.0))


def due_hour(clock: Floats, use_pct: Floats, level: Level, at: float, mark_pct: float) -> float | None:
    """When the level would reach a mark if nobody filled it from `at` on; None beyond the last cycle.

    Where it stands at the mark or below already, the hour at which it got there.
    """
    done = int(np.searchsorted(clock, at, "right"))
    if not done:
        return None
    now = float(level.pct[done - 1])
    filled = [f for f in level.fills if clock[done - 1] < f.hour <= at]
    if filled:
        now = filled[-1].to_pct
    if now <= mark_pct:
        above = np.flatnonzero(level.pct[:done] > mark_pct)
        return float(clock[above[-1] + 1]) if len(above) and above[-1] + 1 < done else at
    below = np.flatnonzero(now - np.cumsum(use_pct[done:]) <= mark_pct)
    return float(clock[done + below[0]]) if len(below) else None
