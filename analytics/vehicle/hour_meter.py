"""What becomes of a controller's hour meter: it may stop, and it may be set to another figure.

A meter that stands still, or is sent no more, while the pump's cycles go on counts nothing from then on. A timer starts no cycle
without ignition, so that each cycle is worth its interval on the meter. One that gains nothing over days of cycles is stuck or lost its
signal, and says neither that the ignition was off nor how long a point has waited for grease.

A meter that falls, or gains what no clock allows, was replaced or set, and counts afresh from there: hours go on by what it gains.
"""

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analytics.vehicle.coarse_meter import step_of
from ingest.arrays import Common, Cycles, Floats, Ints, numbered, of_each
from ingest.times import DAY_US, HOUR_US, LONG_AGO_US

# A meter that reads so much less than before was put to zero or replaced; less is rounding.
RESET_H: Final = 1.0
_LEAP_H: Final = 24.0  # more than the clock: it was set forward; less may be the clock's
_CYCLES: Final = 6  # that gain nothing, at least: somebody may press the test button a few times
_STEPS: Final = 3.0  # of a coarse meter, or of an interval: by timer so many times as long has passed
_DAYS: Final = 2.0  # over which they lie at least: no single stay in the workshop
_GAINS: Final = 0.2  # of what the timer counted: a meter that gains less meanwhile stood still
_LATEST: Final = 500  # readings tell a meter's resolution


def stopped_us(cycles: Cycles, interval_h: Floats, kinds: Sequence[Common]) -> int | None:
    """When the meter of all messages (`kinds`) counted last, where cycles, of registered intervals (n,), went on without it; before any
    message where it never counted, and None where it counts. Messages of a kind are in order of time."""
    at_us = np.concatenate([rows.at_us for rows in kinds])
    meter = np.concatenate([rows.engine_h for rows in kinds])
    known = np.flatnonzero(~np.isnan(meter))
    if not len(known) or len(cycles) < _CYCLES:
        return None
    order = known[np.argsort(at_us[known], kind="stable")]
    read, step_h = meter[order], step_of(meter[order[-_LATEST:]])
    moved = np.flatnonzero(np.abs(read - read[-1]) > step_h / 2)
    counted_us = int(at_us[order[moved[-1] + 1]]) if len(moved) else LONG_AGO_US
    unread = np.flatnonzero((cycles.at_us > counted_us) & (cycles.manual != 1))
    if len(unread) < _CYCLES or interval_h[unread].sum() < _STEPS * (step_h + float(interval_h[unread].max())):
        return None
    lasted_us = int(cycles.at_us[unread[-1]] - cycles.at_us[unread[0]])
    return counted_us if lasted_us >= _DAYS * DAY_US else None


def stood_still(cycles: Cycles, interval_h: Floats, kinds: Sequence[Common]) -> list[tuple[int, int]]:
    """Stretches (from, to) in which the meter of all messages (`kinds`) gained next to nothing while cycles, of registered intervals (n,),
    went on, and after which it counted again."""
    at_us = np.concatenate([rows.at_us for rows in kinds])
    meter = np.concatenate([rows.engine_h for rows in kinds])
    boot = np.concatenate([rows.boot for rows in kinds]) if len(at_us) else np.zeros(0, np.str_)
    known = np.flatnonzero(~np.isnan(meter))
    if len(known) < _CYCLES or len(cycles) < _CYCLES:
        return []
    order = known[np.argsort(at_us[known], kind="stable")]
    at_us, read, boot = at_us[order], meter[order], boot[order]
    step_h = step_of(read[-_LATEST:])
    # The first reading of each figure, and the first of the next.
    begins = np.flatnonzero(np.r_[True, (np.abs(np.diff(read)) > step_h / 2) | (boot[1:] != boot[:-1])])
    own = cycles.manual != 1
    by_timer_h = np.r_[0.0, np.cumsum(np.where(own, interval_h, 0.0))]
    number = np.r_[0, np.cumsum(own)]
    first, after = (
        np.searchsorted(cycles.at_us, at_us[begins[:-1]], "right"),
        np.searchsorted(cycles.at_us, at_us[begins[1:]]),
    )
    ran_h = by_timer_h[after] - by_timer_h[first]
    gained_h, lasted_us = read[begins[1:]] - read[begins[:-1]], at_us[begins[1:]] - at_us[begins[:-1]]
    least_h = _STEPS * (step_h + float(interval_h.max()))
    still = (number[after] - number[first] >= _CYCLES) & (ran_h >= least_h) & (lasted_us >= _DAYS * DAY_US)
    still &= (
        (gained_h > -step_h)
        & (gained_h <= np.maximum(_GAINS * ran_h, step_h))
        & (boot[begins[1:]] == boot[begins[:-1]])
    )
    return [(int(at_us[begins[k]]), int(at_us[begins[k + 1]])) for k in np.flatnonzero(still)]


def lives(at_us: Ints, meter: Floats, boot: NDArray[np.str_], seq: Ints) -> NDArray[np.str_]:
    """The life of the meter that each message (n,) belongs to: its boot, and a number where the meter was set within it. Messages are in
    order of time; single readings far off between two that go together are blanked in `meter` itself."""
    known = np.flatnonzero(~np.isnan(meter))
    if not _set_otherwise(at_us[known], meter[known], boot[known]).any():
        return boot
    number = np.zeros(len(boot), np.int64)
    for of_boot in of_each(numbered(boot), np.arange(len(boot))):
        mine = of_boot[~np.isnan(meter[of_boot])]
        mine = mine[np.argsort(seq[mine], kind="stable")]
        meter[mine[alone(meter[mine])]] = np.nan
        mine = mine[~np.isnan(meter[mine])]
        first = mine[1:][_set_otherwise(at_us[mine], meter[mine], boot[mine])]
        number[of_boot] = np.searchsorted(np.sort(seq[first]), seq[of_boot], "right")
    return np.where(number == 0, boot, np.char.add(np.char.add(boot, "#"), number.astype(str)))


def _set_otherwise(at_us: Ints, read: Floats, boot: NDArray[np.str_]) -> NDArray[np.bool_]:
    """(n - 1,) whether the meter was set between a reading and the next."""
    gained, passed_h = np.diff(read), np.abs(np.diff(at_us)) / HOUR_US
    return np.asarray((boot[1:] == boot[:-1]) & ((gained < -RESET_H) | (gained > passed_h + _LEAP_H)))


def alone(hours: Floats) -> NDArray[np.bool_]:
    """Single readings far off between two that go together: a meter does not come back from a reset, nor from the future."""
    off = np.zeros(len(hours), bool)
    if len(hours) > 2:
        before, here, after = hours[:-2], hours[1:-1], hours[2:]
        fell, leapt = here < before - RESET_H, here > after + RESET_H
        off[1:-1] = (after >= before - RESET_H) & (fell | leapt)
    return off
