"""The pressure that every channel is expected to show, learned from what came before.

The logarithm of a channel's peak pressure is its own level, plus its share of what all channels of the pump do
together in that cycle (weather, stiffness of the grease after a stop), plus noise:

    log(peak) = level + sensitivity * common + noise

With several channels the common part is their robust centre, so that weather takes itself out. The common part in
turn is followed by a regression on the temperature of the grease (which lags the air), its square (steeper in the
cold) and the first half hour after a long stop; with one channel this regression is all there is.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analytics.settings import Settings
from analytics.statistics.robust import huber_update
from analytics.vehicle.pressure.readings import Flags, Readings
from ingest.arrays import Floats
from ingest.times import DAY_US, HOUR_US

# What is known of the weather's effect before anything is learned: log pressure per 10 degrees, and its bend.
_PRIOR: Final = np.array([0.0, -0.13, 0.03, 0.12])
_PRIOR_SD: Final = np.array([1.0, 0.06, 0.02, 0.12])
# Variance that ageing and the seasons add in an hour to the common level, with temperature known and without.
_RANDOM_WALK_PER_H: Final = 0.0004
_RANDOM_WALK_BLIND_PER_H: Final = 0.004
_FILL_SD: Final = 0.15  # a fill may bring another grade
_FEW_CHANNELS: Final = 4  # up to so many sound ones, the weather's guess has a voice beside theirs
# Where temperature is not known and no other channel tells the weather, cold may do as much as this to log pressure.
_WEATHER_SD: Final = 0.19
_SINCE_THEN: Final = 0.12  # by which a lone channel may have changed soundly since then
_PAST_DAYS: Final = (9.0, 36.0)
_PAST_DAYS_BLIND: Final = (4.0, 30.0)


class CommonPart:
    """The robust regression that follows what all channels do together."""

    def __init__(self) -> None:
        self.mean = _PRIOR.copy()
        self.cov = np.diag(_PRIOR_SD**2)
        self.noise = 0.08
        self.count = 0

    def expect(self, x: Floats) -> tuple[Floats, Floats]:
        """(expected, standard deviation of what is seen) for features of shape (n, 4)."""
        return x @ self.mean, np.sqrt(np.einsum("ij,jk,ik->i", x, self.cov, x) + self.noise**2)

    def learn(self, x: Floats, y: Floats) -> None:
        """Take a block of cycles in; what lies far off counts less."""
        self.mean, self.cov = huber_update(self.mean, self.cov, x, y, self.noise)
        self.count += len(y)
        left = 1.25 * np.minimum(np.abs(y - x @ self.mean), 3 * self.noise)
        step = max(len(y) / (self.count + 10), len(y) / 300)
        self.noise = float(np.clip(self.noise + step * (left.mean() - self.noise), 0.03, 0.3))

    def random_walk(self, variance: float) -> None:
        """Let the common level have moved by as much."""
        self.cov[0, 0] += variance


@dataclass(frozen=True)
class Block:
    """Cycles `a` to `b`, judged by what came before them. `common` and `weather` (n,): what all channels do together, and what the
    weather leads to expect of that, with its standard deviation; `several` (n,) whether more than one channel says so;
    `residual` and `spread` (n, channels): log of reading over expected, and the standard deviation it is held against."""

    a: int
    b: int
    common: Floats
    weather: Floats
    weather_sd: Floats
    several: Flags
    residual: Floats
    spread: Floats
    known: Flags
    reading: int  # channels with a level that read in these cycles


class Expected:
    """What is known of each channel, arrays of shape (channels,), and of what they do together."""

    def __init__(self, readings: Readings, fills_us: tuple[int, ...], settings: Settings) -> None:
        n, width = readings.log_kpa.shape
        self.readings, self.settings = readings, settings
        self.level = np.full(width, np.nan)  # log kPa, NaN until learned
        self.noise = np.full(width, 0.08)
        self.count = np.zeros(width, np.int64)
        self._common_squares = np.zeros(width)  # sums for the sensitivity to the common part
        self._common_products = np.zeros(width)
        self.common = CommonPart()
        self.blind = False
        self.calm = np.zeros(n, bool)
        self.repaired = np.full(width, -1)  # row from which the latest recorded repair of a channel has to prove itself
        self.block_us = 0  # when the latest block began
        self._walk_per_h = _RANDOM_WALK_PER_H if readings.with_temperature else _RANDOM_WALK_BLIND_PER_H
        self._fills_us = np.array(fills_us, np.int64)
        self._common_seen = np.zeros(n)

    def repair(self, j: int, row: int) -> None:
        """What was learned of a channel counts little after a repair: its line may be another tube now."""
        self.repaired[j] = row
        self.count[j] = min(self.count[j], 3)

    def advance(self, a: int) -> None:
        """Time has passed until the block that begins at row `a`: what was learned is a little less sure."""
        at_us, boot = self.readings.at_us, self.readings.boot
        before, self.block_us = self.block_us, int(at_us[a])
        if not a:
            return
        hours = (at_us[a] - at_us[a - 1]) / HOUR_US
        self.common.random_walk(self._walk_per_h * 0.01 * min(hours, 240.0) + self._walk_per_h * 0.05)
        fills = int(((self._fills_us > before) & (self._fills_us <= at_us[a])).sum())
        new_boot = boot[a] != boot[int(np.searchsorted(at_us, before))]
        if fills or new_boot:
            self.common.random_walk(_FILL_SD**2)
        if new_boot:
            self.count = np.minimum(self.count, 20)

    def expect(self, a: int, b: int, alarm: Flags) -> Block:
        """Rows `a` to `b` against what was learned before them; `alarm` (channels,) are those that look wrong."""
        log_kpa, x = self.readings.log_kpa[a:b], self.readings.features[a:b]
        known = ~np.isnan(self.level)
        weather, weather_sd = self.common.expect(x)
        reading = np.flatnonzero((known & ~np.isnan(log_kpa)).any(axis=0))
        # One channel that reads and no temperature: nothing but its own past, days back, tells what to expect.
        self.blind = len(reading) == 1 and not self.readings.with_temperature
        if len(reading) == 1:
            weather, weather_sd = self._from_the_past(a, int(reading[0]), x, weather, weather_sd)
        common, several = self._common_part(log_kpa - self.level, weather, alarm)
        shrink = (0.08 / 0.12) ** 2
        sensitivity = 1 + np.clip(self._common_products / (self._common_squares + shrink), -0.3, 0.3)
        residual = log_kpa - self.level - sensitivity * common[:, None]
        spread = np.where(several[:, None], self.noise, np.maximum(self.noise, weather_sd[:, None]))
        self._common_seen[a:b] = common
        return Block(a, b, common, weather, weather_sd, several, residual, spread, known, len(reading))

    def _from_the_past(self, a: int, j: int, x: Floats, weather: Floats, sd: Floats) -> tuple[Floats, Floats]:
        """What the calm readings of channel `j` some days to a month ago lead to expect, where no other channel tells more.

        Further back than a fault needs to grow, so that one that grows slowly is not learned as the new normal. Where the
        temperature is known it may pull what was learned since back to that; where it is not, there is room for the weather.
        """
        at_us, log_kpa, features = self.readings.at_us, self.readings.log_kpa, self.readings.features
        with_temperature = self.readings.with_temperature
        youngest, oldest = _PAST_DAYS if with_temperature else _PAST_DAYS_BLIND
        window = at_us[a] - np.array([oldest, youngest]) * DAY_US
        first, last = np.searchsorted(at_us[:a], window)
        first = max(int(first), int(self.repaired[j]) + 1)
        past = first + np.flatnonzero(self.calm[first:last] & ~np.isnan(log_kpa[first:last, j]))
        if len(past) < self.settings.learning_cycles:
            return weather, sd if with_temperature else np.maximum(sd, _WEATHER_SD)
        if not with_temperature:
            level = float(np.median(log_kpa[past, j])) - self.level[j]
            return np.full_like(weather, level), np.full_like(sd, _WEATHER_SD)
        slopes = self.common.mean[1:]
        level = float(np.median(log_kpa[past, j] - features[past, 1:] @ slopes)) - self.level[j]
        before = level + x[:, 1:] @ slopes
        return np.clip(weather, before - _SINCE_THEN, before + _SINCE_THEN), sd

    def _common_part(self, moves: Floats, weather: Floats, alarm: Flags) -> tuple[Floats, Flags]:
        """(what all channels do together in each cycle, whether several say so): the robust centre of the sound ones.

        With few channels the weather's guess has a voice as well.
        """
        sound = moves[:, ~alarm] if (~alarm & ~np.isnan(self.level)).any() else moves
        number = (~np.isnan(moves)).sum(axis=1)
        if sound.shape[1] <= _FEW_CHANNELS:
            sound = np.column_stack([sound, weather])
        common = weather.copy()
        use = number >= 2
        if use.any():
            common[use] = row_medians(sound[use])
        return np.where(np.isnan(common), weather, common), use

    def learn(self, block: Block, residual: Floats, calm: Flags, suspicious: Flags) -> None:
        """Learning goes on slowly, and never from what looks wrong: `calm` (n,) cycles without air, `suspicious` (channels,)."""
        a, b, common = block.a, block.b, block.common
        with np.errstate(invalid="ignore"):
            near = _WEATHER_SD * self.settings.sigmas if self.blind else np.maximum(0.3, 4 * self.noise)
            use = calm[:, None] & ~suspicious & (np.abs(residual) < near)
        self.calm[a:b] = use.any(axis=1)
        number = use.sum(axis=0)
        got = number > 0
        bounded = np.where(use, np.clip(residual, -2 * self.noise, 2 * self.noise), 0.0)
        self.count += number
        if block.several.any():
            pace = np.maximum(number / np.maximum(self.count, 1), 1e-3 * number)
            self.level[got] += (pace * bounded.sum(axis=0) / np.maximum(number, 1))[got]
            self._common_squares += (use * common[:, None] ** 2).sum(axis=0)
            self._common_products += (bounded * common[:, None]).sum(axis=0)
            if calm.any():
                both = calm & block.several
                self.common.learn(self.readings.features[a:b][both], common[both])
        elif use.any():
            row, column = np.nonzero(use)
            seen = self.readings.log_kpa[a:b][row, column] - self.level[column]
            self.common.learn(self.readings.features[a:b][row], seen)
        off = np.where(use, np.minimum(np.abs(residual), 3 * self.noise), 0.0).sum(axis=0) / np.maximum(number, 1)
        pace = np.maximum(number / (self.count + 5), number / 300)
        self.noise[got] = np.clip(self.noise + pace * (1.25 * off - self.noise), 0.03, 0.25)[got]
        self._first_levels(b)

    def _first_levels(self, b: int) -> None:
        """The first readings give a channel its level."""
        log_kpa = self.readings.log_kpa
        for j in np.flatnonzero(np.isnan(self.level)):
            seen = np.flatnonzero(~np.isnan(log_kpa[:b, j]))
            if len(seen) >= self.settings.learning_cycles:
                self.level[j] = np.median(log_kpa[seen, j] - self._common_seen[seen])
                self.count[j] = len(seen)


def row_medians(values: Floats) -> Floats:
    """Median of each row without its NaN; NaN for a row of nothing else. Several times as fast as numpy.nanmedian."""
    ordered = np.sort(values, axis=1)  # NaN last
    number: NDArray[np.int64] = (~np.isnan(values)).sum(axis=1)
    row = np.arange(len(values))
    low, high = np.maximum(number - 1, 0) // 2, np.minimum(number // 2, values.shape[1] - 1)
    return np.asarray((ordered[row, low] + ordered[row, high]) / 2)
