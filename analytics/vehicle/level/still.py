"""Readings that stand still: exactly, by a digit either way since the sensor was first heard, or by far less than they scattered before:
grease in a reservoir that moves never lies so still.

A sensor that has shown one value only has not shown that it moves: neither its step is known nor that it is alive. What it shows can be
of a coarse step only where it fits one.
"""

import math
from collections.abc import Sequence
from typing import Final

from ingest.arrays import Floats

# Steps in which level sensors read, percent, coarse ones first (common practice, no source).
_STEPS_PCT: Final = (25.0, 100 / 3, 20.0, 12.5, 10.0, 100 / 12, 6.25, 5.0, 4.0, 2.5, 2.0)
_FINER_PCT: Final = 1.0  # that of a value which fits none of them
_ROUNDING_PCT: Final = 0.06  # of what is sent to a tenth
_DIGITS: Final = 2.0  # of its own within which a reading that does not move may jitter
_LARGEST_DIGIT_PCT: Final = 1.0  # larger ones are steps
LEAST_JITTER_PCT: Final = 0.3
_OF_SCATTER: Final = (
    0.5  # of the usual difference between two readings, within which no two readings in a row lie by chance for long
)
_USUAL_READINGS: Final = 20, 60  # the fewest that tell what is usual, and over how many it is learned
_SHARE: Final = 0.12  # of what the sheet says was used, below which a fall is none
_MOST_JITTER_PCT: Final = 2.0


def coarsest_step(value: float) -> float:
    """The coarsest step in which a sensor may read that has told this value only, percent; NaN: it has told none that can be."""
    if math.isnan(value):
        return _STEPS_PCT[0]
    for step in _STEPS_PCT:
        nearest = round(value / step) * step
        whole = value == round(value) and abs(nearest - round(nearest)) > _ROUNDING_PCT
        if abs(value - nearest) <= (0.5 if whole else _ROUNDING_PCT):
            return step
        if abs(abs(value - nearest) - step / 2) <= _ROUNDING_PCT:  # the middle of a step
            return step
    return _FINER_PCT


def still_runs(raw: Floats, used: Floats, refitted: Sequence[bool]) -> tuple[list[int], list[bool]]:
    """(readings in a row, up to each, that stand still; whether the sensor has never shown anything else since it was fitted). A single
    reading far off is none that moves."""
    alike, unmoved = list[int](), list[bool]()
    low = high = digit = first_used = before = math.nan
    same = first = strays = seen = 0
    bottom = top = math.nan  # of the readings in a row that stand still
    usual, (least_seen, most_seen) = 0.0, _USUAL_READINGS  # difference between two readings
    for j, (value, use, anew) in enumerate(zip(raw.tolist(), used.tolist(), refitted, strict=True)):
        seen = 0 if anew else seen + 1
        if anew or seen <= 1:
            usual = 0.0
        else:
            usual += max(1 / seen, 1 / most_seen) * (min(abs(value - before), _MOST_JITTER_PCT) - usual)
        bottom, top = value if value < bottom else bottom, value if value > top else top
        jitter = min(LEAST_JITTER_PCT, _OF_SCATTER * usual) if seen >= least_seen else 0.0
        if not anew and (value == before or top - bottom <= jitter):
            same += 1
        else:
            same, bottom, top = 1, value, value
        if anew or not j:
            first, strays, first_used, low, high, digit = j, 0, use, value, value, 0.0
        elif value != before:
            digit = min(digit or _LARGEST_DIGIT_PCT, abs(value - before))
        # Spelled out: to call for the least and the most takes longer than all else that is done here.
        least, most = value if value < low else low, value if value > high else high
        within = most - least <= _MOST_JITTER_PCT
        strays = 0 if within else strays + 1
        if within:
            low, high = least, most
        elif strays > 1:  # it moves
            low = high = math.nan
        still = (
            strays < 2
            and high - low
            <= max(_DIGITS * digit, LEAST_JITTER_PCT if digit else 0.0, _SHARE * (use - first_used)) + 1e-9
        )
        alike.append(j - first + 1 if still else same)
        unmoved.append(still)
        before = value
    return alike, unmoved
