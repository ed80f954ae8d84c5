"""How well refill dates held: forecasts of past days against what then happened.

People fill a reservoir before it reaches its low mark, so the truth is worked out: from the level at that day the grease that
the vehicle's later cycles took, by its own grease per cycle, is taken off until the low mark is reached. Where it has not been
reached yet, the day says nothing and is counted as open.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from analytics.vehicle.analysis import Result
from analytics.vehicle.level import percent_of_reservoir
from ingest.times import DAY_US

FAR_DAYS: Final = 120.0  # a date further off, or none, counts as this far
QUANTILES: Final = (0.1, 0.5, 0.9)
HORIZONS: Final = ((0, 7), (7, 21), (21, 60))


@dataclass(frozen=True)
class Case:
    """One forecast of one vehicle, in days from its day: what came, the three points said, and two plain forecasts."""

    vehicle: str
    as_of_us: int
    due: float
    said: tuple[float, float, float]
    nominal: float
    straight: float


@dataclass(frozen=True)
class Summary:
    """Over cases: share within the window, share below each point, mean pinball losses (days), and by horizon (from, to,
    cases, median error, share within the window)."""

    cases: int
    still_open: int
    coverage: float
    below: tuple[float, float, float]
    pinball_days: float
    nominal_pinball_days: float
    straight_pinball_days: float
    horizons: tuple[tuple[int, int, int, float, float], ...]


def pinball(quantile: float, truth: float, said: float) -> float:
    """Koenker and Bassett's loss of saying `said` for a quantile when `truth` comes."""
    return max(quantile * (truth - said), (quantile - 1) * (truth - said))


def case(then: Result, now: Result) -> Case | None:
    """The forecast of `then` against what `now` knows; None where the low mark is not reached yet or nothing was said."""
    setup, at_us = then.history.setup, then.history.as_of_us
    cycles, tank = now.history.cycles, now.reservoir
    done = int(np.searchsorted(cycles.at_us, at_us, "right"))
    if (
        not done
        or then.refill.level_pct is None
        or then.refill.state in ("due", "unknown")
        or not np.isfinite(tank.level_at_cycle_pct[done - 1])
    ):
        return None
    filled = [fill.to_pct for fill in now.fills if cycles.at_us[done - 1] < fill.at_us <= at_us]
    level = filled[-1] if filled else float(tank.level_at_cycle_pct[done - 1])
    left = level - tank.baseline_dose_ratio * np.cumsum(tank.used_pct[done:])
    reached = np.flatnonzero(left <= setup.low_mark_pct)
    if not len(reached) or level <= setup.low_mark_pct:
        return None
    due = (int(cycles.at_us[done + reached[0]]) - at_us) / DAY_US
    points = then.refill.due_early_us, then.refill.due_expected_us, then.refill.due_late_us
    early, middle, late = (FAR_DAYS if us is None else min((us - at_us) / DAY_US, FAR_DAYS) for us in points)
    return Case(setup.vehicle, at_us, due, (early, middle, late), nominal_days(then), straight_days(then))


def nominal_days(result: Result) -> float:
    """Days to the low mark by the registered doses and the cycles of the last four weeks."""
    history, setup, level = result.history, result.history.setup, result.refill.level_pct
    recent = history.cycles.at_us > history.as_of_us - 28 * DAY_US
    cycles = float(recent.sum() + result.audit.lost[recent].sum()) / 28
    use = cycles * percent_of_reservoir(setup.dose_cm3, setup.reservoir_l)
    return FAR_DAYS if level is None or use <= 0 else _within((level - setup.low_mark_pct) / use)


def straight_days(result: Result) -> float:
    """Days to the low mark by a straight line through what the level lost since the last fill."""
    history, level = result.history, result.refill.level_pct
    if level is None or not result.fills:
        return FAR_DAYS
    passed = (history.as_of_us - result.fills[-1].at_us) / DAY_US
    lost = result.fills[-1].to_pct - level
    return _within((level - history.setup.low_mark_pct) / (lost / passed)) if lost > 1 and passed > 1 else FAR_DAYS


def _within(days: float) -> float:
    return min(max(days, 0.0), FAR_DAYS)


def summary(cases: Sequence[Case], still_open: int) -> Summary | None:
    """The figures over all cases; None without any."""
    if not cases:
        return None
    due = np.minimum([c.due for c in cases], FAR_DAYS)
    said = np.array([c.said for c in cases])
    inside = (said[:, 0] <= due) & (due <= said[:, 2])

    def loss(points: Any) -> float:
        return float(
            np.mean(
                [
                    pinball(q, d, p)
                    for d, row in zip(due, points, strict=True)
                    for q, p in zip(QUANTILES, row, strict=True)
                ]
            )
        )

    by_horizon = []
    for first, last in HORIZONS:
        chosen = (due >= first) & (due < last)
        if chosen.any():
            error = float(np.median(np.abs(said[chosen, 1] - due[chosen])))
            by_horizon.append((first, last, int(chosen.sum()), error, float(inside[chosen].mean())))
    below = tuple(float((due <= said[:, k]).mean()) for k in range(3))
    return Summary(
        len(cases), still_open, float(inside.mean()), (below[0], below[1], below[2]), loss(said),
        loss([[c.nominal] * 3 for c in cases]), loss([[c.straight] * 3 for c in cases]), tuple(by_horizon),
    )  # fmt: skip
