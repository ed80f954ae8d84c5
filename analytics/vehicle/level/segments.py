"""Readings between two fills, and the level that they tell."""

from dataclasses import dataclass, field
from typing import Final

import numpy as np

from ingest.times import HOUR_US

_RECENT: Final = 10  # readings that tell where the level is now
_RECENT_USE_PCT: Final = 9.0  # and how far back they may lie: sensors bend by a few points over the whole height
_SETTLES_US: Final = 20 * HOUR_US  # grease just filled in lies in a heap


@dataclass
class Segment:
    """Readings since a fill: what was used by the sheet until each, and the reading; and their sums up to each, from which
    the moments of any stretch of them follow."""

    start_us: int
    used: list[float] = field(default_factory=list)
    reading: list[float] = field(default_factory=list)
    at_us: list[int] = field(default_factory=list)
    latest: tuple[float, float, int] | None = None  # dose ratio, level before any use, readings
    sums: list[tuple[float, float, float, float, float]] = field(default_factory=lambda: [(0.0, 0.0, 0.0, 0.0, 0.0)])
    floor: float = -np.inf  # the level does not fall below it by counting, as the pump draws no more
    pumped: float = 0.0  # `used` at the latest reading at which the pump still drew grease
    settled: int = 1  # readings right after a fill, when the grease has not settled yet

    def add(self, used: float, reading: float, at_us: int, *, draws: bool = True) -> None:
        """Take a reading in; where the pump no longer draws grease it tells nothing of the grease per cycle."""
        if at_us < self.start_us + _SETTLES_US:
            self.settled = len(self.used) + 1
        self.used.append(used)
        self.reading.append(reading)
        self.at_us.append(at_us)
        u, r = used - self.used[0], reading - self.reading[0]
        if draws:
            number, su, sr, suu, sur = self.sums[-1]
            self.sums.append((number + 1, su + u, sr + r, suu + u * u, sur + u * r))
            self.pumped = used
        else:
            self.sums.append(self.sums[-1])
        self.floor = -np.inf if draws else reading
        self.latest = None

    def drop_since(self, at_us: int) -> None:
        """Forget the readings from a time on."""
        while self.at_us and self.at_us[-1] >= at_us:
            self.used.pop(), self.reading.pop(), self.at_us.pop(), self.sums.pop()
            self.latest = None

    def moments(self, first: int) -> tuple[int, float, float]:
        """Over the readings from `first` on: their number, and sums of (u - mean u)**2 and of (u - mean u) * (r - mean r)."""
        before, now = self.sums[first], self.sums[-1]
        number = now[0] - before[0]
        if number < 2:
            return int(number), 0.0, 0.0
        su = now[1] - before[1]
        return (
            int(number),
            max(0.0, now[3] - before[3] - su * su / number),
            now[4] - before[4] - su * (now[2] - before[2]) / number,
        )

    def level(self, used: float, dose_ratio: float) -> tuple[float, int]:
        """(level after `used` percent by the sheet, readings that say so), by the latest readings."""
        if not self.reading:
            return np.nan, 0
        if self.latest is None or self.latest[0] != dose_ratio:
            self.latest = (dose_ratio, *self._unused(slice(-_RECENT, None), self.used[-1], dose_ratio))
        return self.latest[1] - dose_ratio * used, self.latest[2]

    def level_at_start(self, used: float, dose_ratio: float) -> tuple[float, int]:
        """The same by the first readings, for the time of the fill."""
        if not self.reading:
            return np.nan, 0
        level, number = self._unused(slice(0, _RECENT), self.used[0], dose_ratio)
        return level - dose_ratio * used, number

    def _unused(self, chosen: slice, near: float, dose_ratio: float) -> tuple[float, int]:
        """What the readings close to `near` would be before anything was used: their median and number."""
        values = sorted(
            r + dose_ratio * u
            for u, r in zip(self.used[chosen], self.reading[chosen], strict=True)
            if abs(u - near) * dose_ratio <= _RECENT_USE_PCT
        )
        half = len(values) // 2
        return values[half] if len(values) % 2 else (values[half - 1] + values[half]) / 2, len(values)
