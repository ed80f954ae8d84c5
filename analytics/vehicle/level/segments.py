"""Readings between two fills, and the level that they tell."""

import math
from bisect import bisect_left
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np

from ingest.times import HOUR_US

_RECENT: Final = 10  # readings that tell where the level is now
_RECENT_USE_PCT: Final = 9.0  # and how far back they may lie: sensors bend by a few points over the whole height
_SETTLES_US: Final = 20 * HOUR_US  # grease just filled in lies in a heap
_COARSE_PCT: Final = 6.0  # from this step on a reading only bounds the level, as the step hides the noise
_FOLLOWS: Final = frozenset(
    ("used", "reading", "at_us", "run", "draws", "latest", "whole", "_sums")
)  # from which readings a segment has
_TELL: Final = 6  # readings of a segment tell by how much they fall
_STEPS_BACK: Final = 2.0  # steps of use that tell where within a step the level is


@dataclass
class Segment:
    """Readings since a fill: what was used by the sheet until each, and the reading."""

    start_us: int
    settles: bool = True  # whether so much was filled in that it lies in a heap at first
    rows: list[int] = field(default_factory=list)  # among all readings
    used: list[float] = field(default_factory=list)
    reading: list[float] = field(default_factory=list)
    at_us: list[int] = field(default_factory=list)
    run: list[int] = field(default_factory=list)  # long stops before each: in which run between two stops it lies
    draws: list[bool] = field(
        default_factory=list
    )  # where the pump draws no grease, a reading tells nothing of grease per cycle
    step_pct: float = 0.0  # in which the sensor reads
    latest: tuple[float, float, int] | None = None  # dose ratio, level before any use, readings
    whole: tuple[float, float] | None = None  # what `fallen` tells, once somebody has asked
    bound_pct: float = 0.0  # how much of the step the readings leave open, either way
    floor: float = -math.inf  # the level does not fall below it by counting, as the pump draws no more
    pumped: float = 0.0  # `used` at the latest reading at which the pump still drew grease
    settled: int = 1  # readings right after a fill, when the grease has not settled yet
    # Sums up to each reading, from which the moments of any stretch follow, brought up when somebody asks: number, u, r, u * u, u * r.
    _sums: list[tuple[float, float, float, float, float]] = field(default_factory=lambda: [(0.0, 0.0, 0.0, 0.0, 0.0)])

    def state(self) -> dict[str, Any]:
        """What does not follow from which readings it has, and by how many each of those comes after the one before."""
        held = {name: value for name, value in vars(self).items() if name not in _FOLLOWS}
        return {**held, "rows": np.diff(self.rows, prepend=0)}

    @classmethod
    def of(cls, state: Mapping[str, Any], columns: Mapping[str, list[Any]]) -> "Segment":
        """That of a state, by columns of all readings."""
        segment = cls(**{**state, "rows": np.cumsum(state["rows"]).tolist()})
        for name, column in columns.items():
            setattr(segment, name, [column[row] for row in segment.rows])
        return segment

    def add(self, row: int, used: float, reading: float, at_us: int, *, draws: bool, step_pct: float, run: int) -> None:
        """Take a reading in."""
        self.step_pct = step_pct
        if self.settles and at_us < self.start_us + _SETTLES_US:
            self.settled = len(self.used) + 1
        self.rows.append(row)
        self.used.append(used)
        self.reading.append(reading)
        self.at_us.append(at_us)
        self.run.append(run)
        self.draws.append(draws)
        if draws:
            self.pumped = used
        self.floor = -math.inf if draws else reading
        self.latest = self.whole = None

    @property
    def coarse(self) -> bool:
        """Whether its readings only bound the level."""
        return self.step_pct >= _COARSE_PCT

    def drop_since(self, at_us: int) -> None:
        """Forget the readings from a time on."""
        first = bisect_left(self.at_us, at_us)
        if first < len(self.at_us):
            self._cut(first)

    def split(self, first: int) -> "Segment":
        """Cut off the readings from `first` on, as a segment of their own."""
        above = Segment(self.at_us[first], settles=False)
        for i in range(first, len(self.used)):
            above.add(
                self.rows[i], self.used[i], self.reading[i], self.at_us[i],
                draws=self.draws[i], step_pct=self.step_pct, run=self.run[i],
            )  # fmt: skip
        self._cut(first)
        return above

    def _cut(self, first: int) -> None:
        for values in (self.rows, self.used, self.reading, self.at_us, self.run, self.draws):
            del values[first:]
        del self._sums[first + 1 :]
        self.latest = self.whole = None
        self.pumped = min(self.pumped, self.used[-1]) if self.used else 0.0

    def within_runs(self, first: int) -> tuple[float, float]:
        """Over the readings from `first` on, sums of (u - mean u)**2 and of (u - mean u) * (r - mean r) within runs, whatever was
        filled in at the stops between."""
        now, before = self._in_runs(len(self.used)), self._in_runs(first)
        return now[0] - before[0], now[1] - before[1]

    def _in_runs(self, last: int) -> tuple[float, float]:
        """Those sums over the first readings, up to `last`."""
        weight, falling, number, mean_u, mean_r = 0.0, 0.0, 0, 0.0, 0.0
        for i in range(last):
            if i == 0 or self.run[i] != self.run[i - 1]:
                number, mean_u, mean_r = 0, 0.0, 0.0
            if self.draws[i]:
                du, dr = self.used[i] - mean_u, self.reading[i] - mean_r
                part = number / (number + 1)
                weight, falling = weight + part * du * du, falling + part * du * dr
                number, mean_u, mean_r = number + 1, mean_u + du / (number + 1), mean_r + dr / (number + 1)
        return weight, falling

    def moments(self, first: int) -> tuple[int, float, float]:
        """Over the readings from `first` on: their number, and sums of (u - mean u)**2 and of (u - mean u) * (r - mean r)."""
        for i in range(len(self._sums) - 1, len(self.used)):
            number, su, sr, suu, sur = self._sums[-1]
            if self.draws[i]:
                u, r = self.used[i] - self.used[0], self.reading[i] - self.reading[0]
                self._sums.append((number + 1, su + u, sr + r, suu + u * u, sur + u * r))
            else:
                self._sums.append(self._sums[-1])
        before, now = self._sums[first], self._sums[-1]
        number = now[0] - before[0]
        if number < 2:
            return int(number), 0.0, 0.0
        su = now[1] - before[1]
        return (
            int(number),
            max(0.0, now[3] - before[3] - su * su / number),
            now[4] - before[4] - su * (now[2] - before[2]) / number,
        )

    def fallen(self) -> tuple[float, float]:
        """(by how much its readings fall over the use between the first and the latest at which the pump drew grease, that use); of few
        readings (0, 0)."""
        if self.whole is None:
            number, weight, falling = self.moments(0)
            span = self.pumped - self.used[0] if number >= _TELL else 0.0
            self.whole = (-falling / weight * span, span) if span > 0 and weight > 0 else (0.0, 0.0)
        return self.whole

    def level(self, used: float, dose_ratio: float) -> tuple[float, int]:
        """(level after `used` percent by the sheet, readings that say so), by the latest readings."""
        if not self.reading:
            return math.nan, 0
        if self.latest is None or self.latest[0] != dose_ratio:
            back = max(0, len(self.used) - _RECENT)
            if self.step_pct >= _COARSE_PCT / 2:
                back = min(back, bisect_left(self.used, self.used[-1] - self._near() / dose_ratio))
            level, number, self.bound_pct = self._unused(slice(back, None), self.used[-1], dose_ratio)
            self.latest = (dose_ratio, level, number)
        return self.latest[1] - dose_ratio * used, self.latest[2]

    def level_at_start(self, used: float, dose_ratio: float) -> tuple[float, int]:
        """The same by the first readings, for the time of the fill."""
        if not self.reading:
            return math.nan, 0
        until = _RECENT
        if self.step_pct >= _COARSE_PCT / 2:
            until = max(until, bisect_left(self.used, self.used[0] + self._near() / dose_ratio))
        level, number, _ = self._unused(slice(0, until), self.used[0], dose_ratio)
        return level - dose_ratio * used, number

    def _near(self) -> float:
        """How far apart readings may lie that tell of one level, percent used."""
        return max(_RECENT_USE_PCT, _STEPS_BACK * self.step_pct)

    def _unused(self, chosen: slice, near: float, dose_ratio: float) -> tuple[float, int, float]:
        """What the readings close to `near` would be before anything was used: their median, or with a coarse step the middle
        of what they leave possible; their number; and how much of the step they leave open, either way.

        A reading r says that the level lies in r - step/2 … r + step/2. What all say together is that much narrower
        than one step as they lie apart, and its middle is the middle between the least and the most.
        """
        within = self._near()
        values = sorted(
            r + dose_ratio * u
            for u, r in zip(self.used[chosen], self.reading[chosen], strict=True)
            if abs(u - near) * dose_ratio <= within
        )
        half = len(values) // 2
        open_pct = max(0.0, self.step_pct - (values[-1] - values[0])) / 2
        if self.coarse:
            return (values[0] + values[-1]) / 2, len(values), open_pct
        return values[half] if len(values) % 2 else (values[half - 1] + values[half]) / 2, len(values), open_pct
