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
from analytics.vehicle.pressure.readings import Flags, Readings
from ingest.arrays import Floats

_READINGS: Final = 5  # after a boot that tell; until then no finding about a line begins where they jump apart
_BEFORE: Final = 24  # readings
_FEWEST_BEFORE: Final = 12
FEWEST_CHANNELS: Final = 3
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
            before = readings.log_kpa[max(0, row - _BEFORE) : row]
            after = readings.log_kpa[row : min(end, row + _READINGS)]
            jumps = _Jumps(before, _all_read(after))
            for k in range(len(after)):
                read = _all_read(after[: k + 1])
                so_far = jumps if (read == jumps.asked).all() else _Jumps(before, read)
                self.open[row + k] = so_far.apart(after[: k + 1]) is not None
            told = jumps.of_the_device(after, settings.starved_log_ratio)
            if told is not None:
                self.moved[row + _READINGS] = told


class _Jumps:
    """Readings before a boot, of channels that are `asked` for, (channels,), and were read; held beside those after it."""

    def __init__(self, before: Floats, asked: Flags) -> None:
        self.asked = asked
        self.read = asked & (np.isfinite(before).sum(axis=0) >= _FEWEST_BEFORE)
        before = before[:, self.read]
        before = before[np.isfinite(before).all(axis=1)]
        self.usual = np.median(before, axis=0) if len(before) else np.zeros(before.shape[1])
        self.scatter = _scatter(before)

    def apart(self, after: Floats) -> Floats | None:
        """By how much channels have jumped; None where they have not jumped apart, most of them."""
        if len(self.usual) < FEWEST_CHANNELS or not len(after):
            return None
        jump = np.median(after[:, self.read], axis=0) - self.usual
        common = float(np.median(jump))
        apart = 1.4826 * float(np.median(np.abs(jump - common)))
        least = max(_APART, _OF_COMMON * abs(common), _SIGMAS * self.scatter * 1.25 / math.sqrt(len(after)))
        return jump if apart > least else None

    def of_the_device(self, after: Floats, starved: float) -> Floats | None:
        """By how much each channel reads otherwise, beside what all do; None where that is no device, or too few readings tell."""
        jump = self.apart(after) if len(after) == _READINGS else None
        if jump is None or np.median(jump) < starved:
            return None
        if _scatter(after[:, self.read]) > max(_STEADY, _ROUGHER * self.scatter):
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


def _all_read(log_kpa: Floats) -> Flags:
    """(channels,) which were read in all rows."""
    return np.asarray(np.isfinite(log_kpa).all(axis=0), np.bool_)
