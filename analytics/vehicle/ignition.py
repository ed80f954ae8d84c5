"""Ignition hours at every message, from the hour meter, the cycles and the switching."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analytics.vehicle.coarse_meter import COARSE_H, fine_hours, step_of
from analytics.vehicle.hour_meter import lives
from ingest.arrays import Common, Cycles, Floats, Ignitions, Ints, numbered, of_each
from ingest.times import HOUR_US


@dataclass(frozen=True)
class Heard:
    """All messages in order of time: ignition hours since the first, and whether they are sure; `row` says where each message
    of the kinds one after the other is among them. `step_h` is the resolution of the hours.

    Where a meter counts in coarse steps, `doubts` grows with each place at which it alone tells what was gained: hours from one
    side of such places to the other are good to `doubt_h` only. Without any meter hours are none, and `metered` is false.
    """

    at_us: Ints
    hours: Floats
    sure: NDArray[np.bool_]
    seq: Ints
    boot: NDArray[np.str_]
    row: Ints
    step_h: float
    doubts: Ints
    doubt_h: float = 0.0
    metered: bool = True


def ignition_hours(*kinds: Common) -> Heard:
    """Ignition hours over all messages.

    The meter may start afresh with a new boot, or be set within one (`lives`), and it never runs faster than the clock.
    """
    at = np.concatenate([rows.at_us for rows in kinds])
    # After a message the ignition is on (1), off (0), or as it was before (NaN).
    on = np.concatenate([_ignition_after(rows) for rows in kinds])
    meter = np.concatenate([rows.engine_h for rows in kinds])
    seq = np.concatenate([rows.seq for rows in kinds])
    boot = np.concatenate([rows.boot for rows in kinds]) if len(at) else np.zeros(0, np.str_)
    order = _in_order(at, meter)
    row = np.empty(len(order), np.int64)
    row[order] = np.arange(len(order))
    at, meter, boot, on, seq = at[order], meter[order], boot[order], on[order], seq[order]
    known = ~np.isnan(meter)
    doubts = np.zeros(len(at), np.int64)
    if not known.any():
        nothing = np.zeros(len(at))
        return Heard(at, nothing, np.ones(len(at), bool), seq, boot, row, 0.01, doubts, metered=False)
    switched = np.concatenate([np.full(len(rows), isinstance(rows, Ignitions)) for rows in kinds])[order]
    life = lives(at, meter, boot, seq)
    coarse_h, unsure = _refine(at, meter, life, seq, on, switched)
    doubts = np.cumsum(unsure)
    known = ~np.isnan(meter)
    read, clock, life = meter[known], at[known] / HOUR_US, life[known]
    step = 0.05 if coarse_h or np.allclose(read * 20, np.round(read * 20), atol=1e-6) else 0.01
    # The meter of one life only rises; rounding and late rows make it dip, and a running maximum takes the dips out.
    grown = np.zeros(len(read))
    starts = np.flatnonzero(np.r_[True, life[1:] != life[:-1]])
    for first, last in zip(starts, np.r_[starts[1:], len(read)], strict=True):
        peak = np.maximum.accumulate(read[first:last])
        gain = np.diff(peak, prepend=peak[0])
        passed = np.diff(clock[first:last], prepend=clock[first])
        grown[first:last] = np.minimum(gain, passed + 2 * step)
    hours, certain = _between(at, at[known], np.cumsum(grown), on, step)
    last = int(np.flatnonzero(known)[-1])
    if switched.any():
        certain[last:] = ~_any_lost(seq[last:], boot[last:])
    else:  # nobody would say that it was switched off; but minutes later hardly more has passed
        hours[last:], certain[last:] = hours[last], (at[last:] - at[last]) / HOUR_US <= 2.5 * step
    return Heard(at, hours, known | certain, seq, boot, row, step, doubts, coarse_h)


def _in_order(at: Ints, meter: Floats) -> Ints:
    """Messages by time, those of one moment by what the meter read: few are, and to sort by both takes much longer."""
    order = np.argsort(at, kind="stable")
    alike = np.diff(at[order]) == 0
    shared = np.zeros(len(at), bool)
    shared[1:] |= alike
    shared[:-1] |= alike
    several = order[shared]
    order[shared] = several[np.lexsort((meter[several], at[several]))]
    return order


def _refine(
    at: Ints, meter: Floats, boot: NDArray[np.str_], seq: Ints, on: Floats, switched: NDArray[np.bool_]
) -> tuple[float, NDArray[np.bool_]]:
    """Put finer hours in place of what coarse meters read, in `meter` itself, life by life.

    Returns the coarsest step, 0 where none is coarse, and before which messages only that bounds what was gained.
    """
    coarsest, unsure = 0.0, np.zeros(len(at), bool)
    for mine in of_each(numbered(boot), np.arange(len(boot))):
        readings = meter[mine]
        if np.isnan(readings).all():
            continue
        step = step_of(readings[~np.isnan(readings)])
        if step < COARSE_H:
            continue
        coarsest = max(coarsest, step)
        meter[mine], unsure[mine] = fine_hours(at[mine], readings, seq[mine], on[mine], switched[mine], step)
    return coarsest, unsure


def by_timer(
    heard: Heard, cycle_no: Ints, boot: NDArray[np.str_], interval_h: Floats, since_us: int | None = None
) -> Heard:
    """Hours of a vehicle without a meter, or whose meter counts no more since some time: its timer is one."""
    gained = _timed(heard, cycle_no, boot, interval_h)
    if since_us is None:
        return replace(heard, hours=np.cumsum(gained) - (gained[:1].sum()))
    first = int(np.searchsorted(heard.at_us, since_us, "right"))
    hours = np.r_[heard.hours[:first], heard.hours[first - 1] + np.cumsum(gained[first:])]
    return replace(heard, hours=hours, sure=heard.sure & (np.arange(len(hours)) < first))


def by_timer_within(
    heard: Heard, cycle_no: Ints, boot: NDArray[np.str_], interval_h: Floats, stretches: Sequence[tuple[int, int]]
) -> Heard:
    """Hours of a vehicle whose meter stood still in some stretches (from, to): there its timer counts, and nothing is sure."""
    if not stretches:
        return heard
    inside = np.zeros(len(heard.at_us), bool)
    for from_us, to_us in stretches:
        inside |= (heard.at_us > from_us) & (heard.at_us < to_us)
    gained = np.where(inside, _timed(heard, cycle_no, boot, interval_h), 0.0)
    return replace(heard, hours=heard.hours + np.cumsum(gained), sure=heard.sure & ~inside)


def _timed(heard: Heard, cycle_no: Ints, boot: NDArray[np.str_], interval_h: Floats) -> Floats:
    """(heard,) hours that the timer counted up to each message: each cycle is worth the interval registered for it, those whose messages
    were lost too; `boot` is each cycle's."""
    ran = np.diff(cycle_no, prepend=cycle_no[:1] - 1)
    same = np.r_[False, boot[1:] == boot[:-1]]
    ran = np.where(same & (ran >= 1), ran, 1)
    gained = np.zeros(len(heard.at_us))
    np.add.at(gained, heard.row[: len(cycle_no)], ran * interval_h)
    return gained


def _any_lost(seq: Ints, boot: NDArray[np.str_]) -> NDArray[np.bool_]:
    """Whether any number between that of the first message and that of each has not come by then."""
    newer = (boot == boot[0]) & (seq > seq[0])
    missing = np.maximum.accumulate(np.where(newer, seq, seq[0])) - seq[0] - np.cumsum(newer)
    return np.asarray((missing > 0) | (boot != boot[0]))


def _ignition_after(rows: Common) -> Floats:
    if isinstance(rows, Ignitions):
        return rows.on
    return np.full(len(rows), 1.0 if isinstance(rows, Cycles) else np.nan)


def _between(at: Ints, read_at: Ints, total: Floats, on: Floats, step: float) -> tuple[Floats, NDArray[np.bool_]]:
    """Hours at all times from those at which the meter was read, and whether they are certain once it was read again.

    While the ignition is on, hours go with the clock; while it is off, they stand still. Where a message of switching
    was lost, what the meter gained lies right after the last known "on", or right before the next reading.
    """
    hour = at / HOUR_US
    before = np.maximum(np.searchsorted(read_at, at, "right") - 1, 0)
    after = np.minimum(before + 1, len(read_at) - 1)
    known = np.flatnonzero(~np.isnan(on))
    latest = np.searchsorted(at, read_at, "right") - 1  # the message that read the meter, or the last of that moment
    state = np.zeros(len(read_at))
    if len(known):
        place = np.searchsorted(known, latest, "right") - 1
        state = np.where(place >= 0, on[known[np.maximum(place, 0)]], 0.0)
    start, end = total[before], total[after]
    running = start + np.maximum(hour - read_at[before] / HOUR_US, 0.0)
    running = np.where(before == after, running, np.minimum(running, end))
    standing = np.where(before == after, start, np.maximum(start, end - (read_at[after] / HOUR_US - hour)))
    hours = np.where(state[before] == 1, running, standing)
    hours = np.where(at <= read_at[before], start, hours)
    # Nothing was switched unseen where the meter gained what the clock did, or nothing.
    gain, passed = end - start, (read_at[after] - read_at[before]) / HOUR_US
    certain = (gain <= 2.5 * step) | (gain >= passed - 2.5 * step)
    return np.asarray(np.maximum.accumulate(hours)), np.asarray(certain)
