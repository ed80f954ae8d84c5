"""Plain refill forecasts that ours is held against: registered doses, a straight line, and a structural time series."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from analytics.vehicle.analysis import Result
from analytics.vehicle.level import percent_of_reservoir
from ingest.arrays import Floats
from ingest.times import DAY_US

FAR_DAYS: Final = 120.0  # a date further off, or none, counts as this far
QUANTILES: Final = (0.1, 0.5, 0.9)
_LEAST_DAYS: Final = 28
_MOST_DAYS: Final = 250
_PATHS: Final = 200

Points = tuple[float, float, float]


def nominal_days(result: Result) -> float:
    """Days to the low mark by the registered doses and the cycles of the last four weeks."""
    history, setup, level = result.history, result.history.setup, result.refill.level_pct
    recent = history.cycles.at_us > history.as_of_us - 28 * DAY_US
    cycles = float(recent.sum() + result.audit.lost[recent].sum()) / 28
    use = cycles * percent_of_reservoir(setup.dose_cm3, setup.reservoir_l)
    return FAR_DAYS if level is None or use <= 0 else within((level - setup.low_mark_pct) / use)


def straight_days(result: Result) -> float:
    """Days to the low mark by a straight line through what the level lost since the last fill."""
    history, level = result.history, result.refill.level_pct
    if level is None or not result.fills:
        return FAR_DAYS
    passed = (history.as_of_us - result.fills[-1].at_us) / DAY_US
    lost = result.fills[-1].to_pct - level
    return within((level - history.setup.low_mark_pct) / (lost / passed)) if lost > 1 and passed > 1 else FAR_DAYS


def within(days: float) -> float:
    """Days between now and as far as is told apart."""
    return min(max(days, 0.0), FAR_DAYS)


@dataclass
class Structural:
    """Points of the date by statsmodels' UnobservedComponents: a local level and a week of seven days in the cycles of each day, drawn
    onward until the level is used up. What it knows of the reservoir is what our forecast knows. Its variances are fitted at
    the first moment that allows it, so that no moment knows more than was known then."""

    fitted: Floats | None = None

    def points(self, result: Result) -> Points | None:
        """Days to the low mark; None where too little is recorded."""
        from statsmodels.tsa.statespace.structural import UnobservedComponents

        history, refill = result.history, result.refill
        at_us, as_of_us = history.cycles.at_us, history.as_of_us
        whole = min(_MOST_DAYS, (as_of_us - int(history.heard_us[0])) // DAY_US) if len(at_us) else 0
        if refill.level_pct is None or whole < _LEAST_DAYS:
            return None
        ago = (as_of_us - at_us) // DAY_US
        daily = np.bincount(ago, weights=1.0 + result.audit.lost, minlength=whole)[:whole][::-1]
        per_cycle = percent_of_reservoir(refill.cm3_per_cycle, history.setup.reservoir_l)
        needed = (refill.level_pct - refill.low_mark_pct) / per_cycle
        model: Any = UnobservedComponents(daily, level="local level", seasonal=7)
        if self.fitted is None:
            self.fitted = np.asarray(_fit(model).params)
        known = model.smooth(self.fitted)
        paths = known.simulate(int(FAR_DAYS), anchor="end", repetitions=_PATHS, rng=np.random.default_rng(1))
        return _reached(np.asarray(paths).reshape(int(FAR_DAYS), -1), needed)


def _fit(model: Any) -> Any:
    import warnings

    from statsmodels.tools.sm_exceptions import ConvergenceWarning

    with warnings.catch_warnings():  # what did not quite converge is a yardstick all the same
        warnings.simplefilter("ignore", ConvergenceWarning)
        return model.fit(disp=False, maxiter=100)


def _reached(daily: Floats, needed: float) -> Points:
    """Points of when so many cycles are done on paths of shape (days, paths)."""
    done = np.cumsum(np.maximum(daily, 0.0), axis=0)
    day = np.argmax(done >= needed, axis=0)
    path = np.arange(done.shape[1])
    before = np.where(day > 0, done[np.maximum(day - 1, 0), path], 0.0)
    share = (needed - before) / np.maximum(done[day, path] - before, 1e-9)
    days = np.sort(np.where(done[-1] >= needed, day + np.clip(share, 0, 1), FAR_DAYS))
    early, middle, late = (float(days[round(q * len(days)) - 1]) for q in QUANTILES)
    return early, middle, late


def as_points(days: float) -> Points:
    """A forecast that says one date says it for all points."""
    return days, days, days


def far(points: Sequence[float | None]) -> Points:
    """Days, as far as is told apart; a point that is not told is far."""
    early, middle, late = (FAR_DAYS if days is None else within(days) for days in points)
    return early, middle, late
