"""Did the pump run when it should have: the counter against the hour meter, gap by gap, each judged by what came before it.

Where a controller has told of no cycle yet, its hour meter and the numbers of its messages say the same.
"""

from dataclasses import dataclass

import numpy as np

from analytics.findings import Episode, joined
from analytics.settings import Settings
from analytics.vehicle.checkpoints import Basis, Checkpoints
from analytics.vehicle.gaps import GapCounter
from analytics.vehicle.history import History
from analytics.vehicle.missed import MissedEpisodes, idle_controllers
from analytics.vehicle.timer_setting import TimerEstimate, run_time_mismatches
from ingest.arrays import Floats, Ints, runs_of
from ingest.times import HOUR_US


@dataclass(frozen=True)
class Audit:
    """Arrays of shape (cycles,): what the gap before each cycle says.

    `lost` messages of cycles that ran, `missed` cycles that never ran, `interval_h` the vehicle's own timer as known
    then, `expected` cycles the gap should have brought.
    """

    lost: Ints
    missed: Ints
    interval_h: Floats
    expected: Floats
    open_missed: int  # missed since the last cycle, as the hour meter in other messages shows
    episodes: tuple[Episode, ...]
    by_clock: bool  # False: what starts the cycles is no clock, and which of them were missed cannot be told


def analyse(history: History, settings: Settings, checkpoints: Checkpoints | None = None) -> Audit:
    """Go through the gaps between cycles in order."""
    counter = GapCounter(history)
    timer = TimerEstimate(counter, history.meter_step_h, settings)
    episodes = MissedEpisodes(counter, history, settings)
    gaps, walk = counter.gaps, (checkpoints or Checkpoints()).walk
    parts = counter, timer, episodes
    for i in walk("cycles", _basis(history, settings), parts, history.cycles.at_us, history.as_of_us):
        if gaps.new_timer[i]:
            timer.restart(i)
            counter.forget_phase()
        counter.interval_h[i] = timer.factor * counter.registered_h[i]
        if gaps.new_boot[i]:
            episodes.restart()
        gap = counter.take(i)
        if gap is None:
            continue
        was_clock, otherwise = timer.is_clock, timer.take(gap)
        if timer.is_clock is False:
            episodes.withdraw(gap.first if was_clock is False else timer.begun(i), i)
            continue
        if otherwise is not None:
            episodes.recount(otherwise, i)
        episodes.take(gap)

    open_missed = 0
    if len(history.cycles):
        # Where it was set otherwise since, the longer of both.
        interval_h = timer.factor * max(counter.registered_h[-1], history.setup.interval_min / 60)
        interval_h = max(interval_h, timer.longest_h())
        open_missed = episodes.since_last_cycle(interval_h)
    missed = list(episodes.ended)
    for idle in idle_controllers(history, counter.interval_h, settings):
        missed.append(idle.episode)
        if idle.cycle is None:
            open_missed += idle.missed
        else:
            counter.missed[idle.cycle] += idle.missed
    missed += [episodes.trouble] if episodes.trouble is not None else []
    mismatches = timer.ended + ([timer.mismatch] if timer.mismatch is not None else [])
    pause_us = int(settings.pause_h * HOUR_US)
    run_times = joined(run_time_mismatches(history, settings), pause_us)
    mismatches = joined([*joined(mismatches, pause_us), *run_times], 0)  # at one time the timer has one finding
    return Audit(
        gaps.lost,
        np.array(counter.missed, np.int64),
        np.array(counter.interval_h),
        np.array(counter.expected),
        open_missed,
        (*joined(missed, pause_us), *mismatches),
        by_clock=timer.is_clock is not False,
    )


def _basis(history: History, settings: Settings) -> Basis:
    """All that the way up to a cycle rests on."""
    c, heard_boots, cycle_boots = history.cycles, runs_of(history.heard_boot), runs_of(history.cycles.boot)
    heard = history.heard_h, history.heard_sure, history.heard_seq, history.heard_doubts
    of_cycles = c.seq, c.cycle_no, c.manual, history.cycle_h, history.cycle_sure, history.cycle_doubts
    return Basis(
        (history.setups, settings, history.meter_step_h, history.doubt_h),
        (
            (history.heard_us, heard),
            (history.heard_us[heard_boots], (heard_boots, history.heard_boot[heard_boots])),
            (c.at_us, of_cycles),
            (c.at_us[cycle_boots], (cycle_boots, c.boot[cycle_boots])),
        ),
    )
