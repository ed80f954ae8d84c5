"""Ignition hours where the hour meter counts in coarse steps, such as whole hours: the switching and the clock tell what lies
between two steps, and the meter only bounds it."""

import math
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
        steps = readings / step
        if (np.abs(steps - np.round(steps)) <= 2e-5).all():  # `allclose` takes ten times as long
            return step
    return STEPS_H[-1]


def fine_hours(
    at_us: Ints, meter: Floats, seq: Ints, on: Floats, switched: NDArray[np.bool_], step_h: float
) -> tuple[Floats, NDArray[np.bool_]]:
    """(hours since the first message, whether what was gained right before each message is only bounded by the meter).

    The messages are those of one boot in order of time: `meter` and `on` (ignition after the message) are NaN where unknown,
    `switched` says which tell of switching. Where nothing was lost hours go by the clock while the ignition is on; elsewhere,
    and where the clock contradicts the meter, the meter decides, to a step. Hours are NaN where nobody knows and the meter is not read.
    """
    number = len(at_us)
    passed = np.diff(at_us, prepend=at_us[:1]) / HOUR_US
    state, bounded = _ignition_before(seq, on, switched)
    band = _Band(step_h)
    rows = zip(
        passed.tolist(), (state == 1).tolist(), bounded.tolist(), meter.tolist(), (~np.isnan(on)).tolist(), strict=True
    )
    hours, doubtful, unread_h = np.zeros(number), np.zeros(number, bool), 0.0
    wrong: bool | None = (
        None  # what the ignition must be where the meter contradicts what was said of it, until it is said anew
    )
    for k, (time_h, running, unsure, reading, says) in enumerate(rows):
        running = running if wrong is None else wrong
        unread_h += time_h
        unsure = unsure or unread_h > time_h
        if unsure and math.isnan(reading):
            hours[k], doubtful[k] = math.nan, True
            wrong = None if says else wrong
            continue
        if unsure:
            band.bridge(unread_h, reading)
        else:
            contradicted = band.advance(time_h, running, reading)
            unsure, wrong = contradicted, (not running if contradicted else wrong)
        hours[k], doubtful[k], unread_h = band.hours, unsure, 0.0
        wrong = None if says else wrong
    return hours, doubtful


class _Band:
    """Hours so far, and between which two numbers the true meter must be ahead of them."""

    def __init__(self, step_h: float) -> None:
        self.hours = 0.0
        self._step_h = step_h
        self._low, self._high = -math.inf, math.inf
        self._ahead: float | None = (
            None  # by how much the true meter was taken to be ahead at first; hours are kept at that
        )

    def advance(self, passed_h: float, running: bool, reading: float) -> bool:
        """Go on by the clock. Whether the meter contradicts that: then it decides."""
        before, self.hours = self.hours, self.hours + (passed_h if running else 0.0)
        if math.isnan(reading):
            return False
        low, high = max(self._low, reading - self.hours), min(self._high, reading + self._step_h - self.hours)
        if low <= high + _TOLERANCE_H:
            self._low, self._high = min(low, high), max(low, high)
            if self._ahead is None:
                self._ahead = (low + high) / 2
            return False
        self._settle(before, passed_h, reading, reading + self._step_h / 2)
        return True

    def bridge(self, passed_h: float, reading: float) -> None:
        """Go on where nobody knows whether the ignition was on: by the middle of what the meter allows, none where it is not read."""
        if math.isnan(reading):
            return
        true = self.hours + (self._low + self._high) / 2 if self._ahead is not None else reading
        least, most = max(0.0, reading - true), min(passed_h, reading + self._step_h - true)
        self._settle(self.hours, passed_h, reading, true + min(max((least + most) / 2, 0.0), passed_h))

    def _settle(self, before: float, passed_h: float, reading: float, true: float) -> None:
        if self._ahead is None:
            self._ahead = true - before
        self.hours = min(max(true - self._ahead, before), before + passed_h)
        self._low, self._high = reading - self.hours, reading + self._step_h - self.hours


def _ignition_before(seq: Ints, on: Floats, switched: NDArray[np.bool_]) -> tuple[Floats, NDArray[np.bool_]]:
    """Whether the ignition was on right before each message, as far as anybody knows, and where a lost message may have switched it:
    between the two messages whose numbers lie around the lost ones. Nothing is known where nobody tells of switching.

    A single lost message cannot have switched anything unseen where the next that tells of switching still fits.
    """
    number = len(seq)
    if not switched.any():
        return np.full(number, np.nan), np.arange(number) > 0
    order = np.argsort(seq, kind="stable")
    lost = np.diff(seq[order])
    edges = np.zeros(number + 1, np.int64)
    following = np.minimum.accumulate(np.where(switched, np.arange(number), number)[::-1])[::-1]
    known = np.maximum.accumulate(np.where(np.isnan(on), -1, np.arange(number)))
    told_on = on.copy()
    where: dict[
        tuple[int, int], list[int]
    ] = {}  # between two that tell of switching: after which gaps it may have been otherwise
    for k in np.flatnonzero(lost > 1).tolist():
        first, last = sorted((int(order[k]), int(order[k + 1])))
        told, before = int(following[last]), int(known[first])
        fits = told < number and before >= 0 and on[before] != on[told]
        # A message that itself implies an ignition that is on fits with one that was.
        implied = before >= 0 and first < known[last] != told and on[known[last]] != on[before]
        if lost[k] > 2 or not fits or implied:
            edges[first + 1] += 1
            edges[last + 1] -= 1
            where.setdefault((before, told), []).append(last)
    for (_, told), after in where.items():
        if len(after) == 1 and told < number and np.isnan(on[after[0]]):
            told_on[after[0]] = 1 - on[told]  # what is switched next was otherwise before
    place = np.maximum.accumulate(np.where(np.isnan(told_on), 0, np.arange(number)))
    state = np.asarray(np.r_[np.nan, told_on[place][:-1]], np.float64)
    unsure = (np.cumsum(edges)[:-1] > 0) | np.isnan(state)
    unsure[:1] = False
    return state, unsure
