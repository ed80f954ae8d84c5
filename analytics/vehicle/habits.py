"""How a vehicle works: the weeks to draw from, its stops, and how far what comes strays from what was.

All of it rests on when its cycles ran. Weeks are counted back from an origin, the midnight of its own zone.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from analytics.vehicle.first_passage import Stops, Weeks
from analytics.vehicle.peers import Sister, lent
from analytics.vehicle.standing import LONG_DAYS, STOP_DAYS, stops_of
from ingest.arrays import Floats, Ints
from ingest.times import DAY_US, instant, microseconds

WEEK_US: Final = 7 * DAY_US
_WEEKS: Final = 13  # to draw from
_WEEKS_BACK: Final = 60  # looked at
_HALF_LIFE_WEEKS: Final = 10.0
_LEAST_WEEKS: Final = 2
_MOST_A_WEEK: Final = 100_000  # cycles, one each six seconds: a sheet of another timer may make more of those before it
_STANDBY: Final = 0.3  # of its weeks without a stop: a vehicle with fewer stands by
_STANDBY_WEEKS: Final = 10
# Stops before the vehicle's own past tells: one every 20 weeks, of these lengths, days; so many weeks it weighs.
_STOP_A_WEEK: Final = 1 / 20
_STOP_WEEKS: Final = 15.0
_STOPS_DAYS: Final = np.array([5.0, 7.0, 10.0, 14.0, 16.0, 20.0, 28.0, 40.0])
_MOST_DAYS: Final = 60.0
_OWN: Final = 5  # of these lengths is what one of its own counts for
_MOST_STOPS_A_WEEK: Final = 0.8
_KEPT: Final = 3.0, 0.3  # closed days on which it stood, and on which it ran, before its own past tells
# How far the pace strays before the vehicle's own past tells; and how many stretches ahead that weighs.
_DRIFT: Final = (0.08, 0.0, 6.0)


@dataclass(frozen=True)
class Habits:
    """Weeks to draw from, the stops they do not hold, and how sure the pace is (standard deviation of its logarithm)."""

    weeks: Weeks
    stops: Stops
    pace_sd: float
    counts: Floats  # of its own usual weeks, newest first: cycles at today's setting


@dataclass(frozen=True)
class Runs:
    """When a vehicle's cycles ran, for how many each stands (lost ones included), and for how many of today's setting each."""

    at_us: Ints
    number: Ints
    pace: Floats
    heard_us: int  # first heard


def habits(
    runs: Runs, origin_us: int, interval_min: float, closed: Sequence[tuple[int, int]], sisters: Sequence[Sister]
) -> Habits | None:  # fmt: skip
    """What is known at `origin_us` of how a vehicle works; None where it has hardly run."""
    stops = own_stops(runs.at_us, origin_us)
    weeks, weights, paces = _past_weeks(runs, origin_us)
    usual = _usual(weeks, stops, closed, origin_us)
    stop = _stops(runs, origin_us, stops, closed)
    if len(weeks) >= _STANDBY_WEEKS and usual.sum() < max(_LEAST_WEEKS, _STANDBY * len(weeks)):
        # It stands more often than not: all weeks as they were, stops included.
        usual, stop = np.ones(len(weeks), bool), Stops(0.0, stop.days)
    chosen = np.flatnonzero(usual)[:_WEEKS]
    if len(chosen) >= _LEAST_WEEKS and any(len(weeks[k]) for k in chosen):
        seasonal, their_pace = _year_ago(runs, origin_us)
        weight = weights[chosen] / weights[chosen].sum()
        drawn = Weeks([*(weeks[k] for k in chosen), *seasonal], weight, np.r_[paces[chosen], their_pace], len(seasonal))
        counts = np.array([len(week) for week in weeks]) * paces
        return Habits(drawn, stop, 0.25 / len(chosen), counts[usual])
    ran = int(runs.number[runs.at_us < origin_us].sum())
    borrowed = lent(sisters, interval_min, runs.heard_us, ran, origin_us) if origin_us > runs.heard_us else None
    if borrowed is not None:
        even = np.full(len(borrowed.weeks), 1 / len(borrowed.weeks))
        return Habits(Weeks(borrowed.weeks, even, borrowed.pace), stop, borrowed.pace_sd, np.zeros(0))
    # Too little for a calendar: the cycles so far, spread evenly over the weeks between stops.
    stood_us = sum(end_us - begin_us for begin_us, end_us in stops)
    span_days = max((origin_us - runs.heard_us - stood_us) / DAY_US, 1.0)
    number = min(round(7 * float((runs.number * runs.pace).sum()) / span_days), _MOST_A_WEEK)
    if number < 1:
        return None
    even_week = np.linspace(0, 7, number, endpoint=False)
    return Habits(Weeks([even_week], np.ones(1), np.ones(1)), stop, 0.35, np.zeros(0))


def midnight_us(at_us: int, timezone: str) -> int:
    """The midnight before a time, by the clock of a zone."""
    local = instant(at_us).astimezone(ZoneInfo(timezone))
    return microseconds(local.replace(hour=0, minute=0, second=0, microsecond=0))


def closed_days(
    closed: Sequence[tuple[int, int]], runs: Runs, origin_us: int, horizon_days: int, even: Floats
) -> NDArray[np.bool_] | None:
    """(paths, days) days from the origin on that are closed; on so many paths as the vehicle stood on those closed days before on
    which it would have run. `even` (paths,) is spread evenly over 0 to 1."""
    mask = np.zeros(horizon_days + 14, bool)
    for begin_us, end_us in closed:
        first, last = (int(np.clip(round((us - origin_us) / DAY_US), 0, len(mask))) for us in (begin_us, end_us))
        mask[first:last] = True
    if not mask.any():
        return None
    stood, ran = _KEPT
    for begin_us, end_us in closed:
        for day_us in range(begin_us, min(end_us, origin_us) - DAY_US // 2, DAY_US):
            here, before = (
                int(np.diff(np.searchsorted(runs.at_us, [us, us + DAY_US]))[0]) for us in (day_us, day_us - WEEK_US)
            )
            if before > 0 and day_us > runs.heard_us:
                stood, ran = stood + (here == 0), ran + (here > 0)
    return np.asarray(mask & (even < stood / (stood + ran))[:, None])


def own_stops(at_us: Ints, until_us: int) -> tuple[tuple[int, int], ...]:
    """Stretches without a cycle for longer than ordinary stops: (begin, end), the last one perhaps still going on."""
    gaps = stops_of(at_us, until_us, 0.25)
    lengths = np.array([(b - a) / DAY_US for a, b in gaps])
    ordinary = float(np.quantile(lengths, 0.9)) if len(lengths) >= 5 else STOP_DAYS
    limit = max(LONG_DAYS, 1.6 * min(ordinary, 4.0))
    return tuple(gap for gap, days in zip(gaps, lengths, strict=True) if days > limit)


def _past_weeks(runs: Runs, origin_us: int) -> tuple[list[Floats], Floats, Floats]:
    """Times of the cycles (days since the week's start) of the weeks that end at the origin, newest first, weights, and paces."""
    whole = max(0, min(_WEEKS_BACK, (origin_us - runs.heard_us) // WEEK_US))
    starts = origin_us - np.arange(whole + 1) * WEEK_US
    rows = np.searchsorted(runs.at_us, starts).tolist()
    times = (runs.at_us - origin_us) % WEEK_US / DAY_US
    weeks, paces = list[Floats](), list[float]()
    for a, b in zip(rows[1:], rows, strict=False):
        weeks.append(np.repeat(times[a:b], runs.number[a:b]))
        paces.append(float(np.average(runs.pace[a:b], weights=runs.number[a:b])) if b > a else 1.0)
    return weeks, 0.5 ** (np.arange(whole) / _HALF_LIFE_WEEKS), np.array(paces)


def _usual(
    weeks: Sequence[Floats], stops: Sequence[tuple[int, int]], closed: Sequence[tuple[int, int]], origin_us: int
) -> NDArray[np.bool_]:
    """(weeks,) weeks that neither a stop nor a closing cuts short; of closed single days only where enough others are left."""
    ends = [origin_us - k * WEEK_US for k in range(len(weeks))]
    ran = np.array([len(week) > 0 for week in weeks], bool)
    whole = ran & np.array([not any(a < end - DAY_US and b > end - 6 * DAY_US for a, b in stops) for end in ends], bool)
    open_ = whole & np.array([not any(a < end and b > end - WEEK_US for a, b in closed) for end in ends], bool)
    return np.asarray(open_ if open_.sum() >= 2 * _LEAST_WEEKS else whole)


def drift(counts: Floats, ahead_weeks: float) -> float:
    """How far the pace of so many weeks to come strays from that of the weeks drawn beyond what drawing them anew gives: standard
    deviation of its logarithm. `counts` are cycles of usual weeks, newest first."""
    weeks = int(np.clip(round(ahead_weeks), 1, 6))
    base, total, number = _DRIFT
    if len(counts) > weeks + _LEAST_WEEKS:
        told, decay = list[float](), 0.5 ** (np.arange(_WEEKS) / _HALF_LIFE_WEEKS)
        weights = decay / decay.sum()
        for k in range(weeks, len(counts) - _LEAST_WEEKS):
            before = counts[k:][:_WEEKS]
            if len(before) < len(weights):
                weights = decay[: len(before)] / decay[: len(before)].sum()
            mean = float(before @ weights)
            if mean <= 0:
                continue
            spread = float(weights @ (before - mean) ** 2) / mean**2
            off = np.log(max(float(counts[k - weeks : k].mean()), 0.1 * mean) / mean)
            told.append(off**2 - spread / weeks)
        own = len(told) / weeks
        if not told:
            return base
        total, number = total + own * max(float(np.mean(told)), 0.0), number + own
    return float(np.sqrt((base**2 * _DRIFT[2] + total) / number))


def _year_ago(runs: Runs, origin_us: int) -> tuple[list[Floats], Floats]:
    """The weeks of a year ago that correspond to those ahead, and how many of its cycles of today one of each stands for: the
    season, and feasts at which everything stands still. Empty where the history does not reach so far."""
    then_us = origin_us - 52 * WEEK_US
    before, lately = (
        float(runs.number[(runs.at_us > us - 8 * WEEK_US) & (runs.at_us <= us)].sum()) for us in (then_us, origin_us)
    )
    if min(before, lately) < 1:
        return [], np.zeros(0)
    weeks = []
    for start_us in range(then_us, origin_us - 26 * WEEK_US, WEEK_US):
        a, b = np.searchsorted(runs.at_us, [start_us, start_us + WEEK_US])
        weeks.append(np.repeat((runs.at_us[a:b] - start_us) / DAY_US, runs.number[a:b]))
    return weeks, np.full(len(weeks), np.clip(lately / before, 0.5, 2.0))


def _stops(
    runs: Runs, until_us: int, stops: Sequence[tuple[int, int]], closed: Sequence[tuple[int, int]]
) -> Stops:  # fmt: skip
    """The stops to be expected, by its own past; closings that were known beforehand are none."""

    def lengths(found: Sequence[tuple[int, int]]) -> list[float]:
        return [
            (b - a) / DAY_US
            for a, b in found
            if b - a > LONG_DAYS * DAY_US and not any(a < end and b > begin for begin, end in closed)
        ]

    mine = lengths(stops)
    # A stop begins in a week in which it runs.
    weeks = max((until_us - runs.heard_us) / WEEK_US - sum(mine) / 7, 0.0)
    chance = (len(mine) + _STOP_WEEKS * _STOP_A_WEEK) / (weeks + _STOP_WEEKS)
    return Stops(min(chance, _MOST_STOPS_A_WEEK), np.minimum([*_STOPS_DAYS, *(_OWN * mine)], _MOST_DAYS))
