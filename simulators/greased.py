"""What came of each planned dose, as the truth knows it.

A dose is planned each time that a timer that is set as its sheet says would start the pump; where it is set to an interval that is
longer by some factor, each start stands for so many. It arrived where at least three quarters of it left the pump, went through
a line that is whole and not out at the relief valve, and no air came in its place.
"""

from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from ingest.times import local_us
from simulators.machine import RUN_TIME, Simulation

Floats = NDArray[np.float64]
_A_DOSE: Final = 0.75  # of what the sheet says
_AT_RELIEF: Final = 0.95  # of what a sound line would get: with less, the relief valve was open


def doses(run: Simulation) -> tuple[Floats, Floats, Floats]:
    """(when each dose was due, hours since 1970; how many planned ones it stands for; (n, points) how many of them arrived)."""
    clock, weight = run.due_clock, np.ones(len(run.due_clock))
    for begin, end, trouble in run.spans("timer_mismatch"):
        if trouble.variant != RUN_TIME:
            weight[(clock >= begin) & (clock < end)] = trouble.ratio
    share = run.stroke.through * np.minimum(1.0, run.run_s / run.machine.run_s)[:, None]
    if run.machine.feed == "injector":  # which gives its dose however long the pump runs, unless it did not reload
        share = np.where(run.held[:, None], 0.0, run.stroke.through)
    share = np.where(run.level.airy[:, None], 0.0, share)
    for begin, end, trouble in run.spans("open_line"):
        share[(run.cycle_clock >= begin) & (run.cycle_clock < end), (trouble.line or 1) - 1] = 0.0
    share = np.where(run.stroke.through < _AT_RELIEF * run.sound_stroke.through, 0.0, share)
    timed = np.flatnonzero(~run.manual)
    arrived = np.zeros((len(clock), len(run.machine.points)))
    place = np.searchsorted(clock, run.cycle_clock[timed])
    arrived[place] = share[timed] >= _A_DOSE
    return clock, weight, np.minimum(arrived, weight[:, None])


def months(run: Simulation, until_h: float) -> list[dict[str, Any]]:
    """Planned and arrived doses of each point in each month of the depot's zone, up to a time."""
    clock, weight, arrived = doses(run)
    heard = clock <= until_h
    zone = ZoneInfo(run.depot.timezone)
    month = (local_us((clock[heard] * 3.6e9).astype(np.int64), zone)).astype("datetime64[us]").astype("datetime64[M]")
    return [
        {"vehicle": run.machine.vehicle, "month": str(one), "planned": round(float(weight[heard][month == one].sum()), 2),
         "arrived": {str(p.line): round(float(v), 2)
                     for p, v in zip(run.machine.points, arrived[heard][month == one].sum(axis=0), strict=True)}}
        for one in np.unique(month)
    ]  # fmt: skip
