"""Ignition hours where the hour meter counts in coarse steps, such as whole hours: the switching and the clock tell what lies
between two steps, and the meter only bounds it."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from ingest.arrays import Floats, Ints
from ingest.times import HOUR_US

# Steps of hour meters that are in use, hours, coarse ones first (common practice, no source).
STEPS_H: Final = (1.0, 0.5, 0.25, 0.2, 0.1, 0.05, 0.01)
COARSE_H: Final = 0.1  # from here on a step is a third of a short interval, and hides missed cycles
_TOLERANCE_H: Final = 0.05  # by which clock and meter may differ within a few steps: drift, and times to the second


def step_of(readings: Floats) -> float:
    """The coarsest step of which all readings of a meter are multiples, hours."""
    for step in STEPS_H[:-1]:
        if np.allclose(readings / step, np.round(readings / step), rtol=0.0, atol=2e-5):
            return step
    return STEPS_H[-1]


def fine_hours(
    at_us: Ints, meter: Floats, seq: Ints, on: Floats, switched: NDArray[np.bool_], step_h: float
) -> tuple[Floats, NDArray[np.bool_]]:
    """(hours since the first message, whether what was gained right before each message is only bounded by the meter).

    The messages are those of one boot in order of time: `meter` and `on` (ignition after the message) are NaN where unknown,
    `switched` says which tell of switching. Where nothing was lost hours go by the clock while the ignition is on; elsewhere,
    and where the clock contradicts the meter, the meter decides, to a step.
    """
    number = len(at_us)
    passed = np.diff(at_us, prepend=at_us[:1]) / HOUR_US
    state = _ignition_before(on, switched)
    bounded = _unsure(seq, on, switched) | np.isnan(state)
    bounded[:1] = False
    hours = np.zeros(number)
    now, low, high = 0.0, -np.inf, np.inf  # hours; bounds of what the true meter reads at zero of them
    times, going, readings = passed.tolist(), (np.nan_to_num(state) * passed).tolist(), meter.tolist()
    doubtful = bounded.tolist()
    for k in range(number):
        reading = readings[k]
        if not doubtful[k]:
            now += going[k]
            if reading == reading:
                least, most = max(low, reading - now), min(high, reading + step_h - now)
                if least <= most + _TOLERANCE_H:
                    low, high = min(least, most), max(least, most)
                else:  # something was switched, and nobody said so
                    now = max(now - going[k], now + (least - high if least > high else most - low))
                    doubtful[k], low, high = True, reading - now, reading + step_h - now
        elif reading == reading:
            true = now + (low + high) / 2 if low > -np.inf else reading + step_h / 2
            least, most = max(0.0, reading - true), min(times[k], reading + step_h - true)
            now += max(0.0, min((least + most) / 2, times[k]))
            low, high = reading - now, reading + step_h - now
        hours[k] = now
    return hours, np.array(doubtful, bool)


def _ignition_before(on: Floats, switched: NDArray[np.bool_]) -> Floats:
    """Whether the ignition was on right before each message: as the one before left it; unknown where nobody tells of switching."""
    if not switched.any():
        return np.full(len(on), np.nan)
    known = np.where(np.isnan(on), 0, np.arange(len(on)))
    after = on[np.maximum.accumulate(known)]
    return np.asarray(np.r_[np.nan, after[:-1]], np.float64)


def _unsure(seq: Ints, on: Floats, switched: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Before which messages a lost one may have told of switching: between the two whose numbers lie around the lost ones.

    A single lost message cannot have switched anything unseen where the next that tells of switching still fits.
    """
    order = np.argsort(seq, kind="stable")
    lost = np.diff(seq[order])
    edges = np.zeros(len(seq) + 1, np.int64)
    next_switch = np.where(switched, np.arange(len(seq)), len(seq))
    next_switch = np.minimum.accumulate(next_switch[::-1])[::-1]
    known = np.maximum.accumulate(np.where(np.isnan(on), -1, np.arange(len(on))))
    for k in np.flatnonzero(lost > 1).tolist():
        first, last = sorted((int(order[k]), int(order[k + 1])))
        told = int(next_switch[last])
        fits = told < len(seq) and known[first] >= 0 and on[known[first]] != on[told]
        # A message that itself implies an ignition that is on fits with one that was.
        implied = known[last] >= 0 and told != last and known[last] > first and on[known[last]] != on[known[first]]
        if lost[k] > 2 or not fits or implied:
            edges[first + 1] += 1
            edges[last + 1] -= 1
    return np.asarray(np.cumsum(edges)[:-1] > 0)
