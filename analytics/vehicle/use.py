"""How fast grease goes: as it would with all sound and the timer as it is set, and as it does until what is found is mended."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from analytics.settings import Settings
from analytics.vehicle.cycles import Audit
from analytics.vehicle.history import History
from analytics.vehicle.level import Reservoir
from ingest.arrays import Floats

_SAME_SETTING: Final = 0.05
_MISSES_MOST: Final = (
    0.8  # of its cycles; a pump that misses more is as good as dead, and that tells nothing of what is to come
)
_FEWEST_CYCLES: Final = 10  # that tell how many are missed


@dataclass(frozen=True)
class Use:
    """`cm3_per_cycle` of a sound system, with its pump's runs as they are set; `trouble` how many times as fast grease goes now, 1 where
    nothing is found; `pace` (cycles,) how many cycles each would be with all sound and the timer's present setting."""

    cm3_per_cycle: float
    trouble: float
    pace: Floats


def use_of(history: History, audit: Audit, reservoir: Reservoir, settings: Settings) -> Use:
    """How fast grease goes at the end of a history."""
    cut_short = reservoir.run_ratio < settings.short_run  # runs of another length are a setting
    sound = history.setup.dose_cm3 * reservoir.baseline_dose_ratio * (1.0 if cut_short else reservoir.run_ratio)
    trouble = reservoir.dose_ratio / reservoir.baseline_dose_ratio * (reservoir.run_ratio if cut_short else 1.0)
    pace, since = pace_of(audit), _missing_since(history, audit)
    ran, missed = float((1 + audit.lost[since:]).sum()), float(audit.missed[since:].sum())
    share = missed / max(ran + missed, 1.0)
    if ran >= _FEWEST_CYCLES and share <= _MISSES_MOST:
        pace = np.r_[pace[:since], pace[since:] / (1 - share)]
        trouble *= 1 - share
    return Use(sound, trouble, pace)


def pace_of(audit: Audit) -> Floats:
    """(cycles,) how many cycles each would be under the timer's present setting; small differences are the timer's own."""
    if not len(audit.interval_h):
        return np.zeros(0)
    ratio = audit.interval_h / audit.interval_h[-1]
    return np.where(np.abs(ratio - 1) > _SAME_SETTING, ratio, 1.0)


def _missing_since(history: History, audit: Audit) -> int:
    """The cycle since which some are missed, where that goes on; all of them where none is."""
    began = [s.began_us for s in audit.episodes if s.kind == "missed_cycles" and s.ended_us is None]
    return int(np.searchsorted(history.cycles.at_us, min(began))) if began else len(history.cycles)
