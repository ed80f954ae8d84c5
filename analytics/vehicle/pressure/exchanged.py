"""Pressure sensors or their controller exchanged for others that read by another scale or offset: most channels jump at a new boot.

Lines fail one by one. Where, with another boot, most channels read otherwise at once and steadily so, each by another share, it is the
device that changed and not the lines: what each is expected to read moves by as much. What all share may be the weather, the grease or a
pump that draws air, and stays what it is. With fewer than three channels nobody can tell.
"""

import math
from itertools import pairwise
from typing import Final

import numpy as np

from analytics.settings import Settings
from analytics.vehicle.pressure.readings import Readings
from ingest.arrays import Floats

_READINGS: Final = 5  # after a boot that tell; until then no finding about a line begins where they jump apart
_BEFORE: Final = 24  # readings
_FEWEST_BEFORE: Final = 12
_FEWEST_CHANNELS: Final = 3
_APART: Final = 0.1  # by which jumps differ from channel to channel, at least, as a logarithm
_OF_COMMON: Final = (
    0.3  # of what all do together: more than channels feel the weather differently (common practice, no source)
)
_SIGMAS: Final = 3.0
_STEADY: Final = 0.12  # scatter of readings with grease; a pump that draws air has more
_ROUGHER: Final = 1.5  # times that before


class Exchanges:
    """`moved`: row by which it is known that the device was exchanged -> by how much each channel reads otherwise since, beside what all
    do, (channels,) as a logarithm, 0 where it is not known. `open` (n,): so soon after a boot that it may have been."""

    def __init__(self, readings: Readings, settings: Settings) -> None:
        self.moved: dict[int, Floats] = {}
        self.open = np.zeros(len(readings.rows), bool)
        begins = (np.flatnonzero(readings.boot[1:] != readings.boot[:-1]) + 1).tolist()
        for row, end in pairwise([*begins, len(readings.rows)]):
            jumps = _Jumps(
                readings.log_kpa[max(0, row - _BEFORE) : row], readings.log_kpa[row : min(end, row + _READINGS)]
            )
            for k in range(jumps.after.shape[0]):
                self.open[row + k] = jumps.apart(k + 1) is not None
            told = jumps.of_the_device(settings.starved_log_ratio)
            if told is not None:
                self.moved[row + _READINGS] = told


class _Jumps:
    """Readings before and after a boot, of the channels that were read in all of them."""

    def __init__(self, before: Floats, after: Floats) -> None:
        self.read = (np.isfinite(before).sum(axis=0) >= _FEWEST_BEFORE) & np.isfinite(after).all(axis=0)
        self.after, before = after[:, self.read], before[:, self.read]
        before = before[np.isfinite(before).all(axis=1)]
        self.usual = np.median(before, axis=0) if len(before) else np.zeros(before.shape[1])
        self.scatter = _scatter(before)

    def apart(self, number: int) -> Floats | None:
        """By how much channels have jumped, by so many readings; None where they have not jumped apart, most of them."""
        if len(self.usual) < _FEWEST_CHANNELS or number > len(self.after):
            return None
        jump = np.median(self.after[:number], axis=0) - self.usual
        common = float(np.median(jump))
        apart = 1.4826 * float(np.median(np.abs(jump - common)))
        least = max(_APART, _OF_COMMON * abs(common), _SIGMAS * self.scatter * 1.25 / math.sqrt(number))
        return jump if apart > least else None

    def of_the_device(self, starved: float) -> Floats | None:
        """By how much each channel reads otherwise, beside what all do; None where that is no device, or too few readings tell."""
        jump = self.apart(_READINGS)
        if jump is None or _scatter(self.after) > max(_STEADY, _ROUGHER * self.scatter) or np.median(jump) < starved:
            return None
        told = np.zeros(len(self.read))
        told[self.read] = jump - np.median(jump)
        return told


def _scatter(log_kpa: Floats) -> float:
    """The scatter of readings, beside what all channels do together."""
    if not log_kpa.size:
        return 0.0
    left = log_kpa - np.median(log_kpa, axis=0)
    return 1.4826 * float(np.median(np.abs(left - np.median(left, axis=1)[:, np.newaxis])))
