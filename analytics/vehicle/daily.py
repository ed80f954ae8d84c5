"""What each local day brought."""

from datetime import date
from math import isnan
from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np

from analytics.settings import DEFAULTS, Settings
from analytics.vehicle.analysis import Result
from analytics.vehicle.day import Day
from ingest.times import DAY_US, FOREVER_US, local_us

_DAYS_SILENT: Final = 60
_EMPTY_PCT: Final = 0.5  # of the reservoir


def _pumped(result: Result) -> Any:
    """Which cycles had grease to pump, (n,): an empty reservoir and a starved pump use none, whatever the sheet says."""
    at_us = result.history.cycles.at_us
    level = result.reservoir.level_at_cycle_pct
    pumped = ~(np.isfinite(level) & (level <= _EMPTY_PCT))
    for found in result.findings:
        if found.kind == "starved_pump":
            pumped &= (at_us < found.began_us) | (
                at_us >= (found.ended_us if found.ended_us is not None else FOREVER_US)
            )
    return pumped


def days(result: Result, settings: Settings = DEFAULTS) -> list[Day]:
    """Each local day from the first that was heard of, not long beyond the last."""
    history, c = result.history, result.history.cycles
    if not len(history.heard_us):
        return []
    zone = ZoneInfo(history.setup.timezone)
    heard_day = local_us(history.heard_us, zone) // DAY_US
    first = int(heard_day[0])
    heard_day = heard_day - first
    last = int(local_us(np.array([history.as_of_us]), zone)[0] // DAY_US) - first
    width = min(max(last, int(heard_day[-1])), int(heard_day[-1]) + _DAYS_SILENT) + 1
    cycle_day = local_us(c.at_us, zone) // DAY_US - first
    flawed = (c.complete == 0) | (c.run_s < settings.short_run * history.run_s)

    def per_day(day: Any, weight: Any) -> Any:
        return np.bincount(np.clip(day, 0, width - 1), weights=weight, minlength=width)

    ignition = per_day(heard_day, np.diff(history.heard_h, prepend=history.heard_h[0]))
    done, incomplete = per_day(cycle_day, (~flawed).astype(float)), per_day(cycle_day, flawed.astype(float))
    missed, lost = per_day(cycle_day, result.audit.missed), per_day(cycle_day, result.audit.lost)
    missed[int(heard_day[-1])] += result.audit.open_missed
    tank = result.reservoir
    reservoir_l = history.said("reservoir_l", c.at_us)
    used = per_day(cycle_day, np.where(_pumped(result), tank.used_pct / 100 * reservoir_l, 0.0))
    level = np.full(width, np.nan)
    known = np.flatnonzero(np.isfinite(tank.level_at_cycle_pct))
    level[np.clip(cycle_day[known], 0, width - 1)] = tank.level_at_cycle_pct[known]  # the last of the day stands
    counted = (number.astype(np.int64).tolist() for number in (done, missed, incomplete, lost))
    measured = (amount.tolist() for amount in (ignition, used, level))
    told = [
        Day(
            day=date.fromordinal(719_163 + first + k),
            done=done_,
            missed=missed_,
            incomplete=incomplete_,
            lost=lost_,
            ignition_h=round(ignition_h, 2),
            used_l=round(used_l, 4),
            level_pct=None if isnan(level_pct) else round(level_pct, 1),
        )
        for k, (done_, missed_, incomplete_, lost_, ignition_h, used_l, level_pct) in enumerate(
            zip(*counted, *measured, strict=True)
        )
    ]
    if result.past is not None and result.past.days:
        kept = list(result.past.days)
        told = kept + [one for one in told if one.day > kept[-1].day]
    return told
