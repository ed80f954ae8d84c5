"""How well refill dates held: forecasts of past days against what the level readings then said.

People fill a reservoir before it reaches its low mark, so what came is pieced together: the falls of the readings between
fills, one after another, until they add up to what was left above the mark. Neither the level that the forecast believed in
nor the grease per cycle that it reckoned with is in it. Where the readings have not fallen so far yet, all that is known is
that it takes longer: the case is censored, and those like it that are known count for it too (inverse probability of
censoring weights, Robins and Rotnitzky 1992; the probability by Kaplan and Meier 1958).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analytics.planning.yardsticks import (
    FAR_DAYS,
    QUANTILES,
    Points,
    Structural,
    as_points,
    far,
    nominal_days,
    straight_days,
)
from analytics.vehicle.analysis import Result
from ingest.arrays import Floats
from ingest.times import DAY_US

HORIZONS: Final = ((0, 7), (7, 21), (21, 60))
_COARSE_PCT: Final = 2.0  # a reading of larger steps does not tell when the mark was reached
_MEDIAN: Final = 5  # readings, against single wild ones
_LEAST_READINGS: Final = 5
_BEFORE_US: Final = 2 * DAY_US  # readings that tell the level of a day
_LEAST_FOLLOWED: Final = 0.1  # of the cases must have been followed for so long that what came is judged


@dataclass(frozen=True)
class Case:
    """One forecast of one vehicle, in days from its day: what came or, where that is not known yet, for how long it has not; the
    three points said, and those of the yardsticks."""

    vehicle: str
    as_of_us: int
    days: float
    reached: bool
    said: Points
    nominal: Points
    straight: Points
    structural: Points | None


@dataclass(frozen=True)
class Summary:
    """Over cases, weighted for those that are still open: share within the window, share below each point, mean pinball losses
    (days), and by horizon (from, to, cases, median error, share within the window). The loss of the structural time series is
    over the cases that it can answer, and `beside_structural_pinball_days` is ours over the same."""

    cases: int
    still_open: int
    coverage: float
    below: Points
    pinball_days: float
    nominal_pinball_days: float
    straight_pinball_days: float
    structural_pinball_days: float | None
    beside_structural_pinball_days: float | None
    horizons: tuple[tuple[int, int, int, float, float], ...]


def pinball(quantile: float, truth: float, said: float) -> float:
    """Koenker and Bassett's loss of saying `said` for a quantile when `truth` comes."""
    return max(quantile * (truth - said), (quantile - 1) * (truth - said))


def case(then: Result, now: Result, structural: Structural | None = None) -> Case | None:
    """The forecast of `then` against what the readings that `now` knows say; None where nothing was said, or the readings do not
    tell."""
    setup, at_us, refill = then.history.setup, then.history.as_of_us, then.refill
    if refill.level_pct is None or refill.state in ("due", "unknown"):
        return None
    came = low_mark_reached(now, at_us, setup.low_mark_pct)
    if came is None:
        return None
    due = refill.due_early_us, refill.due_expected_us, refill.due_late_us
    return Case(
        setup.vehicle,
        at_us,
        *came,
        far([None if us is None else (us - at_us) / DAY_US for us in due]),
        as_points(nominal_days(then)),
        as_points(straight_days(then)),
        None if structural is None else structural.points(then),
    )


def low_mark_reached(now: Result, at_us: int, low_mark_pct: float) -> tuple[float, bool] | None:
    """(days from `at_us` on until the level would have been at its mark, had nobody filled, whether it came to that) by the
    readings; None where they do not tell, or the level was there already."""
    levels = now.history.levels
    fills = [fill for fill in now.fills if fill.at_us > at_us]
    since_us = max([at_us - _BEFORE_US, *(fill.at_us for fill in now.fills if fill.at_us <= at_us)])
    faults = [f for f in now.findings if f.kind == "level_sensor" and (f.ended_us is None or f.ended_us > since_us)]
    until_us = min([f.began_us for f in faults], default=now.history.as_of_us)
    seen = (levels.at_us > since_us) & (levels.at_us <= until_us) & np.isfinite(levels.level_pct)
    read_us, level = levels.at_us[seen], levels.level_pct[seen]
    steps = np.diff(np.unique(level))
    if (read_us > at_us).sum() < _LEAST_READINGS or not len(steps) or steps.min() > _COARSE_PCT:
        return None
    filled = np.zeros(len(level))
    for fill in fills:
        filled += np.where(read_us >= fill.at_us, fill.to_pct - fill.from_pct, 0.0)
    left = _falling(level - filled)
    begin = float(np.interp(at_us, read_us, left))
    if begin <= low_mark_pct:
        return None
    at = np.flatnonzero((left <= low_mark_pct) & (read_us > at_us))
    if not len(at):
        return (int(read_us[-1]) - at_us) / DAY_US, False
    k = int(at[0])
    before_us, above = (int(read_us[k - 1]), float(left[k - 1])) if k and read_us[k - 1] > at_us else (at_us, begin)
    share = (above - low_mark_pct) / max(above - float(left[k]), 1e-9)
    return (before_us + min(share, 1.0) * (int(read_us[k]) - before_us) - at_us) / DAY_US, True


def _falling(level: Floats) -> Floats:
    """Levels that only fall, nearest to the readings: by the median of a few, then isotonic regression."""
    from scipy.ndimage import median_filter
    from scipy.optimize import isotonic_regression

    return np.asarray(isotonic_regression(median_filter(level, _MEDIAN, mode="nearest"), increasing=False).x)


def weights(days: Floats, reached: NDArray[np.bool_]) -> tuple[Floats, float]:
    """(what each case counts for, up to how many days what came is judged): cases of which it is not known count nothing, and the
    others for as many more as are followed so long. Beyond so many days all that counts is that it took longer."""
    from statsmodels.duration.survfunc import SurvfuncRight

    if reached.all():
        return np.ones(len(days)), FAR_DAYS
    followed = SurvfuncRight(days, (~reached).astype(int))  # of being followed still, at each end of following
    enough = followed.surv_times[followed.surv_prob >= _LEAST_FOLLOWED]
    most = float(min(FAR_DAYS, enough[-1] if len(enough) else days.max()))
    known = reached | (days >= most)
    place = np.searchsorted(followed.surv_times, np.minimum(days, most), side="left")  # just before
    still = np.r_[1.0, followed.surv_prob][place]
    return np.where(known, 1 / np.maximum(still, _LEAST_FOLLOWED / 2), 0.0), most


def summary(cases: Sequence[Case]) -> Summary | None:
    """The figures over all cases; None where nothing has come yet."""
    reached = np.array([c.reached for c in cases], bool)
    if not reached.any():
        return None
    days = np.minimum([c.days for c in cases], FAR_DAYS)
    weight, most = weights(days, reached)
    due, said = np.minimum(days, most), np.minimum([c.said for c in cases], most)
    inside = (said[:, 0] <= due) & (due <= said[:, 2])
    beside = [n for n, c in enumerate(cases) if c.structural is not None]
    structural = np.minimum([c.structural for c in cases if c.structural is not None], most).reshape(-1, 3)

    def loss(points: Floats, among: Sequence[int] | slice = slice(None)) -> float | None:
        miss = due[among, None] - np.minimum(points, most)
        each = np.maximum(miss * QUANTILES, miss * (np.array(QUANTILES) - 1)).mean(axis=1)
        return float(np.average(each, weights=weight[among])) if weight[among].sum() > 0 else None

    by_horizon = []
    for first, last in HORIZONS:
        chosen = (due >= first) & (due < last) & (weight > 0)
        if chosen.any():
            error = _median(np.abs(said[chosen, 1] - due[chosen]), weight[chosen])
            share = float(np.average(inside[chosen], weights=weight[chosen]))
            by_horizon.append((first, last, int(chosen.sum()), error, share))
    below = [float(np.average(due <= said[:, k], weights=weight)) for k in range(3)]
    return Summary(
        cases=int(reached.sum()),
        still_open=int((~reached).sum()),
        coverage=float(np.average(inside, weights=weight)),
        below=(below[0], below[1], below[2]),
        pinball_days=loss(said) or 0.0,
        nominal_pinball_days=loss(np.array([c.nominal for c in cases])) or 0.0,
        straight_pinball_days=loss(np.array([c.straight for c in cases])) or 0.0,
        structural_pinball_days=loss(structural, beside) if beside else None,
        beside_structural_pinball_days=loss(said[beside], beside) if beside else None,
        horizons=tuple(by_horizon),
    )


def _median(values: Floats, weight: Floats) -> float:
    order = np.argsort(values)
    passed = np.cumsum(weight[order])
    return float(values[order][np.searchsorted(passed, passed[-1] / 2)])
