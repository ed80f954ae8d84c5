"""The pressure that every channel is expected to show, learned from what came before.

The logarithm of a channel's peak pressure is its own level, plus its share of what all channels of the pump do
together in that cycle (weather, stiffness of the grease after a stop), plus noise:

    log(peak) = level + common + (sensitivity - 1) * (common - usual common) + noise

The level is a baseline: it is learned from the first sound readings and then stands, so that a fault that creeps cannot become
the new normal, however slow; it only follows ageing, at less than a third of the pace that is still sound. Beside it a trend
follows the recent readings, against which a sudden change is judged.

With several channels the common part is their robust centre, so that weather takes itself out, and so do grease of another
grade and the seasons. The common part in turn is followed by a regression on the temperature of the grease (which lags the air),
its square (steeper in the cold) and the first half hour after a long stop. With one channel this regression is all there is: its
slopes are learned from changes within days, its intercept stands with the baseline.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, ClassVar, Final

import numpy as np
from numpy.typing import NDArray

from analytics.settings import Settings
from analytics.vehicle.checkpoints import Stateful
from analytics.vehicle.pressure.readings import Flags, Readings
from analytics.vehicle.pressure.weather import CommonPart
from ingest.arrays import Floats, Ints
from ingest.times import DAY_US, HOUR_US

# Variance that ageing and the seasons add in an hour to the common level, with temperature known and without.
_RANDOM_WALK_PER_H: Final = 0.0004
_RANDOM_WALK_BLIND_PER_H: Final = 0.004
_FILL_SD: Final = 0.15  # a fill may bring another grade
_FEW_CHANNELS: Final = 4  # up to so many sound ones, the weather's guess has a voice beside theirs
_BASELINE_READINGS: Final = 120  # of a channel that make its baseline, or
_BASELINE_DAYS: Final = 42.0  # those of so many days
_AGEING_PER_H: Final = 0.03 / 1000  # that a baseline follows: sound lines age by up to 10 % in 1,000 ignition hours
_TREND_READINGS: Final = 40.0  # over which a trend forgets
_TREND_LIMIT: Final = 0.3  # what is further off its baseline is no trend
_SENSITIVITY_SD: Final = 0.15  # of lines before anything is learned: long thin ones feel the weather more
_SENSITIVITY_LIMIT: Final = 0.4
_SURE: Final = 2.0  # standard deviations of what the weather may explain
# Where temperature is not known and no other channel tells the weather, cold may do as much as this to log pressure.
_WEATHER_SD: Final = 0.19
_WEATHER_LIMIT: Final = 0.3
_PAST_DAYS: Final = (4.0, 30.0)  # that tell a lone channel without temperature what to expect
_FILL_READINGS: Final = 10  # on either side of a fill, that show whether it brought another grade
_FILL_STEP: Final = (0.2, 0.6)  # by which another grade moves all pressures, as a logarithm
_GRADE_SD: Final = 0.21  # a step that another grade makes lies within 3.3 of them
_FILL_AGREES: Final = 0.12  # by which the first and the last of them may differ


@dataclass(frozen=True)
class Block:
    """Cycles `a` to `b`, judged by what came before them. `common` and `weather` (n,): what all channels do together, and what the
    weather leads to expect of that, with its standard deviation; `several` (n,) whether more than one channel says so.

    Of shape (n, channels), as logarithms: `departure` of a reading from the baseline, with `doubt` about what the weather may
    have to do with it; `change` from the trend, and `spread`, the standard deviation that it is held against.
    """

    a: int
    b: int
    common: Floats
    weather: Floats
    weather_sd: Floats
    several: Flags
    departure: Floats
    doubt: Floats
    change: Floats
    spread: Floats
    known: Flags
    reading: int  # channels with a level that read in these cycles


class Expected(Stateful):
    """What is known of each channel, arrays of shape (channels,), and of what they do together."""

    GIVEN: ClassVar = frozenset(
        "readings settings common calm fills_us _blind _walk_per_h _common_seen _grade_open _departure".split()
    )

    def __init__(self, readings: Readings, fills_us: Sequence[int], settings: Settings) -> None:
        n, width = readings.log_kpa.shape
        self.readings, self.settings = readings, settings
        self.level = np.full(width, np.nan)  # log kPa, NaN until learned
        self.device = np.zeros(width)  # by how much its sensors read otherwise than those that were there first
        self.trend = np.zeros(width)
        self.noise = np.full(width, 0.08)
        self.count = np.zeros(width, np.int64)
        self.common = CommonPart()
        self.calm = np.zeros(n, bool)
        self.block_us = 0  # when the latest block began
        self._blind = False
        self.baseline_us = np.zeros(width, np.int64)  # when its first reading was taken
        self._since = np.zeros(width, np.int64)  # row from which on readings tell a channel's level
        self._usual = np.zeros(width)  # common part while the baseline was learned
        self._slow_residual = np.zeros(width)  # for the sensitivity: what lasts for weeks tells nothing of the weather
        self._slow_common = 0.0
        self._squares = np.zeros(width)
        self._products = np.zeros(width)
        self._anchor = np.zeros(4)  # of a lone channel: means of its readings less its level, and of features
        self._walk_per_h = _RANDOM_WALK_PER_H if readings.with_temperature else _RANDOM_WALK_BLIND_PER_H
        self.fills_us = np.array(sorted(fills_us), np.int64)
        self._common_seen = np.zeros(n)
        self._grade_open = np.zeros(n, bool)  # so soon after a fill that another grade may be all that it shows
        for row in self.fill_rows():
            self._grade_open[max(0, row - _FILL_READINGS) : row] = True
        self._departure = np.full(n, np.nan)  # of a lone channel
        self._done = 0  # rows that were learned from

    def state(self) -> dict[str, Any]:
        """As it is put down: of the rows so far only what later ones look back on."""
        done = self._done
        of_a_level = np.isnan(self.level) & (np.arange(done)[:, None] >= self._since) & self.readings.usable[:done]
        rows = np.flatnonzero(of_a_level.any(axis=1))
        return {
            **super().state(),
            "calm": self.calm[:done],
            "common_seen": (rows, self._common_seen[rows]),
            "departure": self._departure[max(0, done - 2 * _FILL_READINGS) : done],
        }

    def go_on(self, state: dict[str, Any]) -> None:
        """Go on from what was put down."""
        calm, (rows, common), departure = (state.pop(name) for name in ("calm", "common_seen", "departure"))
        super().go_on(state)
        done = self._done
        self.calm[:done], self._common_seen[rows], self._departure[done - len(departure) : done] = (
            calm,
            common,
            departure,
        )

    @property
    def baseline(self) -> Floats:
        """(channels,) log kPa as at 10 degrees, NaN until learned."""
        if not self._lone:
            return self.level - self.device
        return np.asarray(self.level + self._anchor[0] - float(self._anchor[1:] @ self.common.mean[1:]))

    def begin_anew(self, j: int, row: int) -> None:
        """Nothing is known of channel `j` any more: what it watches is another line from `row` on."""
        self.level[j], self.trend[j], self.noise[j], self.count[j], self._since[j] = np.nan, 0.0, 0.08, 0, row
        self._squares[j] = self._products[j] = self._slow_residual[j] = 0.0

    def move(self, j: int, by: float, readings: int) -> None:
        """The baseline of channel `j` lies elsewhere, as so many readings show."""
        self.level[j] += by
        self.trend[j] = 0.0
        self._slow_residual[j] = 0.0
        self.count[j] = readings
        self.baseline_us[j] = self.block_us

    def exchange(self, j: int, by: float) -> None:
        """Channel `j` is read by another device, and so by so much otherwise."""
        self.move(j, by, self.settings.learning_cycles)
        self.device[j] += by

    def move_trend(self, j: int, by: float) -> None:
        """The recent readings of channel `j` lie elsewhere than its trend; what its own past leads to expect moves by itself."""
        if self._lone:
            self.common.mean[0] += 0.0 if self._blind else by
        else:
            self.trend[j] = np.clip(self.trend[j] + by, -_TREND_LIMIT, _TREND_LIMIT)

    def advance(self, a: int) -> None:
        """Time has passed until the block that begins at row `a`: what was learned is a little less sure."""
        at_us, boot = self.readings.at_us, self.readings.boot
        before, self.block_us = self.block_us, int(at_us[a])
        if not a:
            return
        hours = (at_us[a] - at_us[a - 1]) / HOUR_US
        self.common.random_walk(self._walk_per_h * 0.01 * min(hours, 240.0) + self._walk_per_h * 0.05)
        filled = ((before < self.fills_us) & (self.fills_us <= self.block_us)).any()
        if filled or boot[a] != boot[int(np.searchsorted(at_us, before))]:
            self.common.random_walk(_FILL_SD**2)

    def expect(self, a: int, b: int, alarm: Flags) -> Block:
        """Rows `a` to `b` against what was learned before them; `alarm` (channels,) are those that look wrong."""
        readings = self.readings
        log_kpa, x, dated = readings.log_kpa[a:b], readings.features[a:b], readings.temperature_known[a:b]
        known = ~np.isnan(self.level)
        read = readings.usable[a:b] & known
        weather, weather_sd = self.common.expect(x)
        if readings.with_temperature:
            weather_sd = np.hypot(weather_sd, np.where(dated, 0.0, _WEATHER_SD))
        reading = np.flatnonzero(read.any(axis=0))
        # One channel that reads and no temperature: nothing but its own past, days back, tells what to expect.
        self._blind = len(reading) == 1 and not readings.with_temperature
        if self._blind:
            weather, weather_sd = self._from_the_past(a, int(reading[0]), weather, weather_sd)
        moves, several = log_kpa - self.level, read.sum(axis=1) >= 2
        spread = np.maximum(self.noise, np.where(several, 0.0, weather_sd)[:, None])
        if self._lone:
            common = weather
            departure, doubt = self._lone_departure(moves, x, dated)
            change = moves - common[:, None]
            self._departure[a:b] = departure[:, 0]
            spread[self._grade_open[a:b]] = np.maximum(spread[self._grade_open[a:b]], _GRADE_SD)
        else:
            common = np.where(several, self._common_part(moves, self._standing_weather(x, weather), alarm), weather)
            departure, doubt = self._departures(moves, common)
            change = departure - self.trend
            doubt[~several] = _WEATHER_LIMIT
        self._common_seen[a:b] = common
        return Block(
            a, b, common, weather, weather_sd, several, departure, doubt, change, spread, known, len(reading)
        )  # fmt: skip

    @property
    def _lone(self) -> bool:
        return len(self.level) == 1

    def _departures(self, moves: Floats, common: Floats) -> tuple[Floats, Floats]:
        """(n, channels) departure from the baseline, and how much of it the channel's share of the weather may explain."""
        information = self._squares + (0.08 / _SENSITIVITY_SD) ** 2
        more = np.clip(self._products / information, -_SENSITIVITY_LIMIT, _SENSITIVITY_LIMIT)
        off_usual = common[:, None] - self._usual
        return moves - common[:, None] - more * off_usual, _SURE * self.noise / np.sqrt(information) * np.abs(off_usual)

    def _lone_departure(self, moves: Floats, x: Floats, dated: Flags) -> tuple[Floats, Floats]:
        """The same for a lone channel, against its baseline at the weather of now."""
        away = x[:, 1:] - self._anchor[1:]
        departure = moves[:, 0] - self._anchor[0] - away @ self.common.mean[1:]
        doubt = _SURE * np.sqrt(np.einsum("ij,jk,ik->i", away, self.common.cov[1:, 1:], away))
        return departure[:, None], np.where(dated, doubt, np.maximum(doubt, _WEATHER_LIMIT))[:, None]

    def _from_the_past(self, a: int, j: int, weather: Floats, sd: Floats) -> tuple[Floats, Floats]:
        """What the calm readings of channel `j` some days to a month ago lead to expect, with room for the weather, where
        neither another channel nor a temperature tells more."""
        at_us, log_kpa = self.readings.at_us, self.readings.log_kpa
        youngest, oldest = _PAST_DAYS
        first, last = np.searchsorted(at_us[:a], at_us[a] - np.array([oldest, youngest]) * DAY_US)
        first = max(int(first), int(self._since[j]))
        past = first + np.flatnonzero(self.calm[first:last] & self.readings.usable[first:last, j])
        if len(past) < self.settings.learning_cycles:
            return weather, np.maximum(sd, _WEATHER_SD)
        level = float(np.median(log_kpa[past, j])) - self.level[j]
        return np.full_like(weather, level), np.full_like(sd, _WEATHER_SD)

    def _standing_weather(self, x: Floats, weather: Floats) -> Floats:
        """What the weather leads to expect by the baseline, (n,): its guess cannot be drawn along by a channel that creeps."""
        if not self.readings.with_temperature or self.common.count < self.settings.learning_cycles:
            return weather
        return np.asarray(self._anchor[0] + (x[:, 1:] - self._anchor[1:]) @ self.common.mean[1:])

    def _common_part(self, moves: Floats, weather: Floats, alarm: Flags) -> Floats:
        """What all channels do together in each cycle, (n,), where several read: the robust centre of the sound ones.

        With few channels the weather's guess has a voice as well.
        """
        if alarm.any() and (~alarm & ~np.isnan(self.level)).any():
            moves = moves[:, ~alarm]
        if moves.shape[1] <= _FEW_CHANNELS:
            moves = np.column_stack([moves, weather])
        common = row_medians(moves)
        return np.where(np.isnan(common), weather, common)

    def learn(self, block: Block, calm: Flags, suspicious: Flags, alarm: Flags) -> None:
        """Learning never comes from what looks wrong: `calm` (n,) cycles without air, `suspicious` and `alarm` (channels,). Only how much
        readings scatter is learned of suspicious ones as well: else a sensor that grows noisy would stay suspicious for good."""
        a, b, change = block.a, block.b, block.change
        near = _WEATHER_SD * self.settings.sigmas if self._blind else np.maximum(0.3, 4 * self.noise)
        unwarned = calm[:, None] & ~alarm & (np.abs(change) < near)
        use = unwarned & ~suspicious
        self.calm[a:b] = use.any(axis=1)
        self._learn_noise(change, unwarned)
        if block.several.any():
            self._learn_channels(block, use)
            both = calm & block.several
            if both.any():
                x = self.readings.features[a:b][both]
                self.common.learn(x, block.common[both])
                if self.common.count <= _BASELINE_READINGS:
                    now = np.r_[block.common[both].mean(), x[:, 1:].mean(axis=0)]
                    self._anchor += len(x) / self.common.count * (now - self._anchor)
        elif use.any():
            self._learn_alone(a, b, use)
        self._first_levels(b)
        self._done = b

    def _learn_noise(self, change: Floats, use: Flags) -> None:
        """Noise from the differences of successive readings, so that what lasts, or creeps, has no part in it."""
        steps = np.abs(change[1:] - change[:-1])
        both = use[1:] & use[:-1]
        number = both.sum(axis=0)
        off = np.where(both, np.minimum(steps, 4 * self.noise), 0.0).sum(axis=0) / np.maximum(number, 1)
        pace = np.minimum(np.maximum(number / (self.count + 5), number / 300), 1.0)
        self.noise = np.clip(self.noise + pace * (0.886 * off - self.noise), 0.03, 0.25)

    def _learn_channels(self, block: Block, use: Flags) -> None:
        """Baselines while they are young, trends, and what share of the weather each channel feels."""
        number = use.sum(axis=0)
        many = np.maximum(number, 1)
        departure = np.where(use, block.departure, 0.0)
        self.count += number
        young = self._young() & (number > 0)
        if young.any():
            pace = number / np.maximum(self.count, 1)
            bounded = np.clip(departure, -2 * self.noise, 2 * self.noise).sum(axis=0) / many
            common = np.where(use, block.common[:, None], 0.0).sum(axis=0) / many
            self.level[young] += (pace * bounded)[young]
            self._usual[young] += (pace * (common - self._usual))[young]
        forget = np.minimum(number / _TREND_READINGS, 1.0)
        self.trend += forget * (departure.sum(axis=0) / many - self.trend)
        self.trend[young] = 0.0
        hours = number * self.readings.interval_h
        aged = np.clip(self.trend, -_AGEING_PER_H * hours, _AGEING_PER_H * hours)
        self.level += aged
        self.trend = np.clip(self.trend - aged, -_TREND_LIMIT, _TREND_LIMIT)
        self._learn_sensitivity(block, use, many, forget)

    def _learn_sensitivity(self, block: Block, use: Flags, many: Ints, forget: Floats) -> None:
        """A channel's share of the weather, by what changes within weeks: the seasons and a fault that creeps would look alike."""
        drive = np.where(self.readings.temperature_known[block.a : block.b], block.weather, block.common)
        residual = np.where(use, self.readings.log_kpa[block.a : block.b] - self.level - block.common[:, None], 0.0)
        swing = drive - self._slow_common
        swing = np.where(np.abs(swing) < 0.5, swing, 0.0)[:, None]
        started = self.count > 2 * self.settings.learning_cycles
        self._squares += started * np.where(use, swing**2, 0.0).sum(axis=0)
        bounded = np.clip(residual - self._slow_residual, -2 * self.noise, 2 * self.noise)
        self._products += started * np.where(use, bounded * swing, 0.0).sum(axis=0)
        self._slow_residual += forget * (residual.sum(axis=0) / many - self._slow_residual)
        self._slow_common += min(len(drive) / _TREND_READINGS, 1.0) * (float(drive.mean()) - self._slow_common)

    def _learn_alone(self, a: int, b: int, use: Flags) -> None:
        """The weather's slopes by the one channel that reads, and its baseline while it is young."""
        row, column = np.nonzero(use)
        x, y = self.readings.features[a:b][row], self.readings.log_kpa[a:b][row, column] - self.level[column]
        self.common.learn(x, y)
        if self._lone:
            self.count += int(use.sum())
            if self._young()[0]:
                pace = len(y) / self.count[0]
                self._anchor += pace * (np.r_[y.mean(), x[:, 1:].mean(axis=0)] - self._anchor)
            else:
                off = float(np.median(y - self._anchor[0] - (x[:, 1:] - self._anchor[1:]) @ self.common.mean[1:]))
                most = _AGEING_PER_H * len(y) * self.readings.interval_h
                self._anchor[0] += np.clip(off, -most, most)

    def _young(self) -> Flags:
        """(channels,) whose baseline is still learned."""
        days = (self.block_us - self.baseline_us) / DAY_US
        return np.asarray((self.count < _BASELINE_READINGS) & (days < _BASELINE_DAYS))

    def _first_levels(self, b: int) -> None:
        """The first readings give a channel its level."""
        readings, needed = self.readings, self.settings.learning_cycles
        for j in np.flatnonzero(np.isnan(self.level)):
            since = int(self._since[j])
            seen = since + np.flatnonzero(readings.usable[since:b, j])
            if len(seen) < needed:
                continue
            self.level[j] = np.median(readings.log_kpa[seen, j] - self._common_seen[seen])
            self.count[j] = len(seen)
            self.baseline_us[j] = readings.at_us[seen[0]]
            self._usual[j] = float(self._common_seen[seen].mean())
            if self._lone:
                self._anchor = np.r_[
                    (readings.log_kpa[seen, j] - self.level[j]).mean(), readings.features[seen, 1:].mean(axis=0)
                ]

    def fill_rows(self) -> set[int]:
        """Rows of a lone channel at which it may show that a fill brought another grade."""
        if not self._lone:
            return set()
        return {int(row) + _FILL_READINGS for row in np.searchsorted(self.readings.at_us, self.fills_us)}

    def take_fill(self, row: int) -> bool:
        """Move the baseline of a lone channel by what a fill, `_FILL_READINGS` before `row`, did to its pressure at once and for
        good; whether it did."""
        fill = row - _FILL_READINGS
        before, after = self._departure[max(0, fill - _FILL_READINGS) : fill], self._departure[fill:row]
        if len(before) < _FILL_READINGS or np.isnan(before).any() or np.isnan(after).any():
            return False
        half = _FILL_READINGS // 2
        step = float(np.median(after) - np.median(before))
        steady = abs(float(np.median(after[:half]) - np.median(after[half:]))) < _FILL_AGREES
        if not (_FILL_STEP[0] < abs(step) < _FILL_STEP[1] and steady):
            return False
        self._anchor[0] += step
        self._departure[fill:row] -= step
        return True


def row_medians(values: Floats) -> Floats:
    """Median of each row without its NaN; NaN for a row of nothing else. Several times as fast as numpy.nanmedian."""
    ordered, width = np.sort(values, axis=1), values.shape[1]
    gaps = np.isnan(ordered[:, -1])  # NaN come last
    if not gaps.any():
        return np.asarray((ordered[:, (width - 1) // 2] + ordered[:, width // 2]) / 2)
    number: NDArray[np.int64] = (~np.isnan(values)).sum(axis=1)
    row = np.arange(len(values))
    low, high = np.maximum(number - 1, 0) // 2, np.minimum(number // 2, width - 1)
    return np.asarray((ordered[row, low] + ordered[row, high]) / 2)
