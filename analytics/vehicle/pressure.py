"""Expected pressure of every channel, and what departs from it.

The logarithm of a channel's peak pressure is its own level, plus its share of what all channels of the pump do
together in that cycle (weather, stiffness of the grease after a stop), plus noise:

    log(peak) = level + sensitivity * common + noise

With several channels the common part is their robust centre, so that weather takes itself out. The common part in
turn is followed by a regression on the temperature of the grease (which lags the air), its square (steeper in the
cold) and the first half hour after a long stop; with one channel this regression is all there is.

False alarms. A limit lies at least 3.3 standard deviations out, and three of the last five readings must lie beyond
it. For normal noise that is 10 * (5e-4)**3 = 1e-9 a reading; wild readings (1 in 600, half of them upwards) reach it by
three in five with 10 * (8e-4)**3 = 5e-9. A 24-channel vehicle at 20 cycles a day has 14,000 readings a month: fewer than
1e-4 false alarms from noise, 0.01 for 100 vehicles. What is left of the allowance is for what the model cannot follow.
"""

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analytics.findings import Stretch, joined
from analytics.settings import Settings
from analytics.statistics import robust
from analytics.statistics.sequential import onset
from analytics.vehicle.history import History
from ingest.arrays import Floats
from ingest.times import DAY_US, HOUR_US

Flags = NDArray[np.bool_]

_LAG_H: Final = 2.0  # grease follows the air with hours of delay
_LONG_STOP_H: Final = 6.0
_COLD_START_H: Final = 0.5
# What is known of the weather's effect before anything is learned: log pressure per 10 degrees, and its bend.
_PRIOR: Final = np.array([0.0, -0.13, 0.03, 0.12])
_PRIOR_SD: Final = np.array([1.0, 0.06, 0.02, 0.12])
_WANDER_PER_H: Final = 0.0004  # variance that ageing and the seasons add to the common level, with temperature known
_WANDER_BLIND_PER_H: Final = 0.004  # and without
_FILL_SD: Final = 0.15  # a fill may bring another grade
# Cycles between two lessons; where other channels tell the weather and the first lessons are learned, they may lie far apart.
_BLOCK: Final = 12
_LONG_BLOCK: Final = 48
_FIRST_CYCLES: Final = 120
_FEW_CHANNELS: Final = 2
# Where temperature is not known and no other channel tells the weather, cold may do as much as this to log pressure.
_WEATHER_SD: Final = 0.19
_WARM_SPELL: Final = 0.25  # by which a thaw may lower all channels further where no temperature tells it
# Standard deviations that a reading lies off, all beyond them is evidence; and how far back a slow departure may begin.
_ALLOWANCE: Final = 2.0
_ONSET_READINGS: Final = 200
_NEVER: Final = 1 << 40
_NOTHING_KPA: Final = 20.0  # below it a reading is no pressure at all
PROOF_CYCLES: Final = 10  # that show whether a repair held
_SINCE_THEN: Final = 0.12  # by which a lone channel may have changed soundly since then
_PAST_DAYS: Final = (9.0, 36.0)
_PAST_DAYS_BLIND: Final = (4.0, 30.0)


@dataclass(frozen=True)
class Pressures:
    """`ratio` (cycles, channels) is reading over expected, NaN where there is none; `common` (cycles,) its common part.

    `level` (channels,) is the logarithm of what each channel has by itself (NaN until learned);
    `explained` is 1 for cycles whose pressures tell of a blockage or of a pump without grease.
    """

    channels: tuple[str, ...]
    ratio: NDArray[np.float32]
    level: Floats
    noise: Floats
    learned: NDArray[np.int64]
    explained: Floats
    stretches: tuple[Stretch, ...]


@dataclass
class _Channels:
    """What is known of each channel: arrays of shape (channels,)."""

    level: Floats  # log kPa, NaN until learned
    noise: Floats
    count: NDArray[np.int64]
    uu: Floats  # sums for the sensitivity to the common part
    ur: Floats


class _Common:
    """The robust regression that follows what all channels do together."""

    def __init__(self) -> None:
        self.theta = _PRIOR.copy()
        self.cov = np.diag(_PRIOR_SD**2)
        self.noise = 0.08
        self.count = 0

    def expect(self, x: Floats) -> tuple[Floats, Floats]:
        """(expected, standard deviation of what is seen) for features of shape (n, 4)."""
        return x @ self.theta, np.sqrt(np.einsum("ij,jk,ik->i", x, self.cov, x) + self.noise**2)

    def learn(self, x: Floats, seen: Floats) -> None:
        """Take a block of cycles in; what lies far off counts less."""
        self.theta, self.cov = robust.update(self.theta, self.cov, x, seen, self.noise)
        self.count += len(seen)
        left = 1.25 * np.minimum(np.abs(seen - x @ self.theta), 3 * self.noise)
        step = max(len(seen) / (self.count + 10), len(seen) / 300)
        self.noise = float(np.clip(self.noise + step * (left.mean() - self.noise), 0.03, 0.3))

    def wander(self, variance: float) -> None:
        """Let the common level have moved by as much."""
        self.cov[0, 0] += variance


def features(history: History) -> Floats:
    """(cycles, 4): one, lagged temperature from 10 degrees in tens of degrees, its square, cold start; 0 where unknown."""
    # Lists: a loop takes several times as long over the numbers of an array.
    c, n = history.cycles, len(history.cycles)
    hours, clock_h, temps = history.cycle_h.tolist(), (c.at_us / HOUR_US).tolist(), c.temp_c.tolist()
    grease, stiff = [0.0] * n, [0.0] * n
    lagged, last, start_h = math.nan, 0.0, 0.0
    stop_long = True
    for i in range(n):
        if i:
            stopped_h = (clock_h[i] - clock_h[i - 1]) - (hours[i] - hours[i - 1])
            if stopped_h > 0.2:
                start_h = hours[i - 1]
                stop_long = stopped_h > _LONG_STOP_H
        temp = temps[i]
        if -60 <= temp <= 70:
            passed = clock_h[i] - last
            lagged = temp if math.isnan(lagged) else lagged + (1 - math.exp(-passed / _LAG_H)) * (temp - lagged)
            last = clock_h[i]
        if not math.isnan(lagged) and clock_h[i] - last < 24:
            grease[i] = (lagged - 10) / 10
        if stop_long:
            stiff[i] = math.exp(-(hours[i] - start_h) / _COLD_START_H)
    z = np.array(grease)
    return np.column_stack([np.ones(n), z, z * z, np.array(stiff)])


def judge(history: History, fills_us: tuple[int, ...], settings: Settings) -> Pressures:
    """Follow every channel cycle by cycle; each reading is judged by what came before it only."""
    c = history.cycles
    # A channel that no sheet names watches nothing that anybody could find.
    order = list(dict.fromkeys(name for s in reversed(history.setups) for name in s.channels))
    index = {name: i for i, name in enumerate(c.channels)}
    n, width = len(c), len(order)
    peak = np.full((n, width), np.nan)
    for j, name in enumerate(order):
        if name in index:
            peak[:, j] = c.peak_kpa[:, index[name]]
    which = history.setup_at(c.at_us)
    relief = history.said("relief_kpa", c.at_us)
    whole = c.run_s >= settings.short_run * history.run_s
    impossible = (peak < settings.impossible_below_kpa) | (peak > settings.impossible_over_relief * relief[:, None])
    sheets = np.array([[name in s.channels for name in order] for s in history.setups], bool)
    watched = sheets[which]

    sensors = _sensors(history, peak, impossible, order, watched, settings)
    usable = watched & ~np.isnan(peak) & ~impossible & whole[:, None] & (peak > -1e-9)
    for stretch in sensors:
        j = order.index(stretch.channel or "")
        usable[(c.at_us >= stretch.began_us) & (c.at_us < (stretch.ended_us or 1 << 62)), j] = False
    with np.errstate(invalid="ignore"):
        logp = np.log(np.maximum(peak, _NOTHING_KPA))
    # Readings that repeat exactly wait until it is plain whether the sensor is stuck.
    same = np.zeros((n, width), bool)
    if n > 2:
        same[2:] = (peak[2:] == peak[1:-1]) & (peak[1:-1] == peak[:-2]) & (peak[2:] > _NOTHING_KPA)
        k = settings.stuck_readings + 1
        if n > k:  # that long they have waited enough
            windows = np.lib.stride_tricks.sliding_window_view(peak, k, axis=0)
            same[k - 1 :] &= ~(windows == windows[..., :1]).all(axis=2)
    follower = _Follower(
        history,
        np.where(usable, logp, np.nan),
        same,
        peak >= settings.at_relief * relief[:, None],
        fills_us,
        order,
        settings,
    )
    stretches = follower.run()
    ratio, explained = np.full((n, width), np.nan, np.float32), np.zeros(n)
    ratio[follower.rows], explained[follower.rows] = np.exp(follower.residual), follower.explained
    pause_us = int(settings.pause_h * HOUR_US)
    found = []
    for kind in ("blocked_line", "open_line", "starved_pump"):
        for channel in (*order, None):
            found += joined([s for s in stretches if (s.kind, s.channel) == (kind, channel)], pause_us)
    state = follower.state
    told = tuple(_until_taken_off(stretch, history) for stretch in (*found, *sensors))
    return Pressures(tuple(order), ratio, state.level, state.noise, state.count, explained, told)


def _until_taken_off(stretch: Stretch, history: History) -> Stretch:
    """Nothing lasts on a channel that a later call-out sheet leaves out."""
    if stretch.channel is None or stretch.ended_us is not None:
        return stretch
    named = [stretch.channel in setup.channels for setup in history.setups]
    if not any(named) or named[-1]:
        return stretch
    last = len(named) - 1 - named[::-1].index(True)
    since_us = history.setups[last + 1].valid_from_us or history.as_of_us
    return replace(stretch, ended_us=max(since_us, stretch.detected_us))


class _Follower:
    """Goes through the cycles in blocks: within a block what was learned stays as it is, so that a reading is judged
    by what came before its block, whatever comes after it."""

    def __init__(
        self, history: History, logp: Floats, same: Flags, at_relief: Flags, fills_us: tuple[int, ...], order: list[str],
        settings: Settings,
    ) -> None:  # fmt: skip
        self.rows = np.flatnonzero(~np.isnan(logp).all(axis=1))
        self.settings, self.order = settings, order
        self.at_us = history.cycles.at_us[self.rows]
        self.boot = history.cycles.boot[self.rows]
        self.logp, self.same, self.at_relief = logp[self.rows], same[self.rows], at_relief[self.rows]
        self.x = features(history)[self.rows]
        n, width = self.logp.shape
        self.scatter = np.full((n, width), np.nan)  # standard deviation that a residual is held against
        with_temp = len(history.cycles) > 0 and float(np.isfinite(history.cycles.temp_c[:50]).mean()) > 0.5
        # One channel that reads and no temperature: nothing but its own past, days back, tells what to expect.
        self.blind = False
        self.with_temp = with_temp
        self.calm = np.zeros(n, bool)
        self.wander_per_h = _WANDER_PER_H if with_temp else _WANDER_BLIND_PER_H
        self.fills_us = np.array(fills_us, np.int64)
        self.state = _Channels(
            np.full(width, np.nan),
            np.full(width, 0.08),
            np.zeros(width, np.int64),
            np.zeros(width),
            np.zeros(width),
        )
        self.common = _Common()
        self.u = np.zeros(n)  # what all channels did together
        self.residual = np.full((n, width), np.nan)
        self.high, self.low = np.zeros((n, width), bool), np.zeros((n, width), bool)
        self.sound = np.zeros((n, width), bool)  # back within reach of what is expected
        self.gone = np.zeros(n, bool)  # pressure lost on all channels
        self.airy = np.zeros(n, bool)
        self.explained = np.zeros(n)
        self.alarm = np.zeros(width, bool)
        self.open: dict[tuple[str, int], Stretch] = {}  # (kind, channel)
        self.mended = np.full(width, -1)  # row from which the latest recorded repair of a channel has to prove itself
        self.repairs: dict[int, set[int]] = {}  # row -> channels repaired before it
        for work in history.work:
            if work.kind in ("line_mended", "sensor_replaced") and (work.kind == "line_mended" or work.channel):
                names = (work.channel,) if work.channel else history.channels_of(work)
                row = int(np.searchsorted(self.at_us, work.at_us))
                self.repairs.setdefault(row, set()).update(order.index(name) for name in names if name in order)
        self.starved: Stretch | None = None
        self.done: list[Stretch] = []
        self.block_us = 0  # when the latest block began

    def run(self) -> list[Stretch]:
        """All stretches, those that last included."""
        rows = len(self.rows)
        few = rows if self.logp.shape[1] <= _FEW_CHANNELS else min(rows, _FIRST_CYCLES)
        edges = sorted(
            {*range(0, few, _BLOCK), *range(few, rows, _LONG_BLOCK), *(row for row in self.repairs if row < rows)}
        )
        for first, last in pairwise([*edges, rows]):
            for j in self.repairs.get(first, ()):
                self._repaired(j, first)
            self._block(first, last)
        return self.done + list(self.open.values()) + ([self.starved] if self.starved is not None else [])

    def _repaired(self, j: int, row: int) -> None:
        """What was learned of a channel counts little after a repair: its line may be another tube now."""
        self.mended[j] = row
        self.state.count[j] = min(self.state.count[j], 3)

    def _block(self, a: int, b: int) -> None:
        state, settings, common = self.state, self.settings, self.common
        before, self.block_us = self.block_us, int(self.at_us[a])
        if a:
            hours = (self.at_us[a] - self.at_us[a - 1]) / HOUR_US
            self.common.wander(self.wander_per_h * 0.01 * min(hours, 240.0) + self.wander_per_h * 0.05)
            fills = int(((self.fills_us > before) & (self.fills_us <= self.at_us[a])).sum())
            new_boot = self.boot[a] != self.boot[int(np.searchsorted(self.at_us, before))]
            if fills or new_boot:
                common.wander(_FILL_SD**2)
            if new_boot:
                state.count = np.minimum(state.count, 20)
        logp, x = self.logp[a:b], self.x[a:b]
        known = ~np.isnan(state.level)
        guess, guess_sd = common.expect(x)
        reading = np.flatnonzero((known & ~np.isnan(logp)).any(axis=0))
        self.blind = len(reading) == 1 and not self.with_temp
        if len(reading) == 1:
            guess, guess_sd = self._from_the_past(a, int(reading[0]), x, guess, guess_sd)
        u, several = self._common_part(logp - state.level, guess)

        shrink = (0.08 / 0.12) ** 2
        slope = 1 + np.clip(state.ur / (state.uu + shrink), -0.3, 0.3)
        residual = logp - state.level - slope * u[:, None]
        self.residual[a:b] = residual
        spread = np.where(several[:, None], state.noise, np.maximum(state.noise, guess_sd[:, None]))
        self.scatter[a:b] = spread
        relief = self.at_relief[a:b]
        free = (np.where(known, relief, False).sum(axis=1) <= 0.5 * max(int(known.sum()), 1)) | (len(known) == 1)
        with np.errstate(invalid="ignore"):
            # In the cold a channel that usually stands near relief reaches it by itself.
            cold = 0.15 * np.maximum(u, 0.0)[:, None]
            least = 0.15 if len(reading) > 1 else 0.25
            pressed = relief & free[:, None] & (residual > np.maximum(least, 3 * spread) + cold)
            self.high[a:b] = (residual > np.maximum(settings.blocked_log_ratio, settings.sigmas * spread)) | pressed
            self.low[a:b] = residual < np.minimum(settings.open_log_ratio, -settings.sigmas * spread)
            self.sound[a:b] = np.abs(residual) < np.maximum(settings.sound_log_ratio, 2 * state.noise)
            self.sound[a:b] &= ~(relief & (residual > 0.1))
            limit = settings.starved_log_ratio - (0.0 if self.with_temp else _WARM_SPELL)
            self.gone[a:b] = several & (u - guess < np.minimum(limit, -3 * guess_sd))
        if common.count < settings.learning_cycles:
            self.gone[a:b] = False
        self._all_together(a, b, u - guess, several)
        self._each(a, b)
        blocked = {j for kind, j in self.open if kind == "blocked_line"}
        few = self.logp.shape[1] <= _FEW_CHANNELS
        self.explained[a:b] = self.airy[a:b] | bool(blocked) | ("open_line" in {k for k, _ in self.open} and few)
        if few:
            self.explained[a:b] = np.maximum(self.explained[a:b], self.high[a:b].any(axis=1))
        self.u[a:b] = u
        self._learn(a, b, several, self.residual[a:b])

    def _from_the_past(self, a: int, j: int, x: Floats, guess: Floats, guess_sd: Floats) -> tuple[Floats, Floats]:
        """What the calm readings of channel `j` some days to a month ago lead to expect, where no other channel tells more.

        Further back than a fault needs to grow, so that one that grows slowly is not learned as the new normal. Where the
        temperature is known it may pull what was learned since back to that; where it is not, there is room for the weather.
        """
        youngest, oldest = _PAST_DAYS if self.with_temp else _PAST_DAYS_BLIND
        window = self.at_us[a] - np.array([oldest, youngest]) * DAY_US
        first, last = np.searchsorted(self.at_us[:a], window)
        first = max(int(first), int(self.mended[j]) + 1)
        past = first + np.flatnonzero(self.calm[first:last] & ~np.isnan(self.logp[first:last, j]))
        if len(past) < self.settings.learning_cycles:
            return guess, guess_sd if self.with_temp else np.maximum(guess_sd, _WEATHER_SD)
        if not self.with_temp:
            level = float(np.median(self.logp[past, j])) - self.state.level[j]
            return np.full_like(guess, level), np.full_like(guess_sd, _WEATHER_SD)
        weather = self.common.theta[1:]
        level = float(np.median(self.logp[past, j] - self.x[past, 1:] @ weather)) - self.state.level[j]
        before = level + x[:, 1:] @ weather
        return np.clip(guess, before - _SINCE_THEN, before + _SINCE_THEN), guess_sd

    def _common_part(self, moves: Floats, guess: Floats) -> tuple[Floats, Flags]:
        """(what all channels do together in each cycle, whether several say so): the robust centre of the sound ones.

        With few channels the weather's guess has a voice as well.
        """
        sound = moves[:, ~self.alarm] if (~self.alarm & ~np.isnan(self.state.level)).any() else moves
        number = (~np.isnan(moves)).sum(axis=1)
        if sound.shape[1] <= 4:
            sound = np.column_stack([sound, guess])
        u = guess.copy()
        use = number >= 2
        if use.any():
            u[use] = _row_medians(sound[use])
        return np.where(np.isnan(u), guess, u), use

    def _all_together(self, a: int, b: int, shift: Floats, several: Flags) -> None:
        """Begin or end a starved pump."""
        settings = self.settings
        if self.starved is None and not self.gone[max(0, a - settings.window) : b].any():
            return
        for i in range(a, b):
            recent = self.gone[max(0, i - settings.window + 1) : i + 1]
            if self.starved is None and self.gone[i] and recent.sum() >= settings.needed:
                start = i - len(recent) + 1 + int(np.argmax(recent))
                self.starved = Stretch("starved_pump", None, int(self.at_us[start]), int(self.at_us[i]))
                self.starved.evidence = {"ratio_to_expected": round(float(np.exp(shift[i - a])), 2)}
            if self.starved is not None and several[i - a]:
                # While it lasts, anything clearly low counts as gone.
                self.gone[i] = shift[i - a] < -0.3
                if not self.gone[max(0, i - 3) : i + 1].any():
                    self.starved.ended_us = int(self.at_us[i - 3])
                    self.done.append(self.starved)
                    self.starved = None
            self.airy[i] = self.starved is not None or bool(recent.any())

    def _each(self, a: int, b: int) -> None:
        """Begin or end the findings of each channel."""
        settings = self.settings
        start = max(0, a - settings.window + 1)
        for kind, flags in (("blocked_line", self.high), ("open_line", self.low)):
            totals = np.cumsum(np.vstack([np.zeros((1, flags.shape[1]), np.int64), flags[start:b]]), axis=0)
            for j in np.flatnonzero((totals[-1] >= settings.needed) | self.alarm).tolist():
                for i in range(a, b):
                    self._one(kind, flags, j, i)
        self.alarm[:] = False
        self.alarm[[j for _, j in self.open]] = True

    def _one(self, kind: str, flags: Flags, j: int, i: int) -> None:
        """Channel `j` at cycle `i`."""
        if np.isnan(self.residual[i, j]):
            return
        settings, held = self.settings, self.open.get((kind, j))
        have = np.flatnonzero(~np.isnan(self.residual[max(0, i - 3 * settings.window) : i + 1, j]))[-settings.window :]
        rows = have + max(0, i - 3 * settings.window)
        recent = self.residual[rows, j]
        typical = round(float(np.exp(np.median(recent))), 2)
        if held is None:
            beyond = flags[rows, j]
            if beyond[-1] and beyond.sum() >= settings.needed and not self.same[i, j] and not self.airy[i]:
                began = self._began(kind, j, int(rows[np.argmax(beyond)]))
                self.open[kind, j] = Stretch(kind, self.order[j], began, int(self.at_us[i]))
                off = float(np.median(recent[beyond]))
                self.open[kind, j].evidence = {
                    "ratio_to_expected": round(float(np.exp(off)), 2),
                    "scatters": round(abs(off) / float(self.scatter[i, j]), 1),
                }
                if not self.with_temp and self.logp.shape[1] == 1:
                    self.open[kind, j].evidence["temperature_known"] = 0
            return
        across = recent < -settings.sound_log_ratio if kind == "blocked_line" else recent > settings.sound_log_ratio
        settled = self._settled(j, i)
        if settled or ((self.sound[rows, j] | across)[-4:].all() and len(rows) >= 4):
            held.ended_us = int(self.at_us[rows[-4]])
            self.done.append(self.open.pop((kind, j)))
        elif flags[i, j]:
            held.evidence["ratio_to_expected"] = typical
            held.evidence["scatters"] = round(abs(float(np.median(recent))) / float(self.scatter[i, j]), 1)

    def _settled(self, j: int, i: int) -> bool:
        """Whether a repaired line has shown for ten readings that it is sound, if elsewhere than before: another tube.

        Its level is then learned anew.
        """
        if self.mended[j] < 0:
            return False
        since = np.arange(self.mended[j], i + 1)
        since = since[~np.isnan(self.residual[since, j])]
        if len(since) != PROOF_CYCLES:
            return False
        off = float(np.median(self.residual[since, j]))
        if not self.settings.open_log_ratio < off < self.settings.blocked_log_ratio:
            return False
        self.state.level[j] += off
        self.state.count[j] = PROOF_CYCLES
        self.residual[i + 1 :, j] -= off  # what is left of this block
        self.high[i + 1 :, j] = self.low[i + 1 :, j] = False
        return True

    def _began(self, kind: str, j: int, first: int) -> int:
        """When a departure whose first reading beyond the limit is `first` began: where its cumulative sum left zero."""
        start = max(0, first - _ONSET_READINGS)
        rows = start + np.flatnonzero(~np.isnan(self.residual[start : first + 1, j]))
        z = np.clip(self.residual[rows, j] / self.state.noise[j], -3, 3) * (1 if kind == "blocked_line" else -1)
        return int(self.at_us[rows[min(onset(z, _ALLOWANCE), len(rows) - 1)]])

    def _learn(self, a: int, b: int, several: Flags, residual: Floats) -> None:
        """Learning goes on slowly, and never from what looks wrong."""
        state, settings, u = self.state, self.settings, self.u[a:b]
        start = max(0, a - settings.window + 1)
        suspicious = (self.high[start:b].sum(axis=0) >= 2) | (self.low[start:b].sum(axis=0) >= 2)
        calm = ~self.airy[a:b]
        with np.errstate(invalid="ignore"):
            near = _WEATHER_SD * settings.sigmas if self.blind else np.maximum(0.3, 4 * state.noise)
            use = calm[:, None] & ~self.alarm & ~suspicious & (np.abs(residual) < near)
            self.calm[a:b] = use.any(axis=1)
        number = use.sum(axis=0)
        got = number > 0
        bounded = np.where(use, np.clip(residual, -2 * state.noise, 2 * state.noise), 0.0)
        state.count += number
        if several.any():
            pace = np.maximum(number / np.maximum(state.count, 1), 1e-3 * number)
            state.level[got] += (pace * bounded.sum(axis=0) / np.maximum(number, 1))[got]
            state.uu += (use * u[:, None] ** 2).sum(axis=0)
            state.ur += (bounded * u[:, None]).sum(axis=0)
            if calm.any():
                self.common.learn(self.x[a:b][calm & several], u[calm & several])
        elif use.any():
            row, column = np.nonzero(use)
            self.common.learn(self.x[a:b][row], self.logp[a:b][row, column] - state.level[column])
        off = np.where(use, np.minimum(np.abs(residual), 3 * state.noise), 0.0).sum(axis=0) / np.maximum(number, 1)
        pace = np.maximum(number / (state.count + 5), number / 300)
        state.noise[got] = np.clip(state.noise + pace * (1.25 * off - state.noise), 0.03, 0.25)[got]
        # The first readings give a channel its level.
        for j in np.flatnonzero(np.isnan(state.level)):
            seen = np.flatnonzero(~np.isnan(self.logp[:b, j]))
            if len(seen) >= settings.learning_cycles:
                state.level[j] = np.median(self.logp[seen, j] - self.u[seen])
                state.count[j] = len(seen)


def _row_medians(values: Floats) -> Floats:
    """Median of each row without its NaN; NaN for a row of nothing else. Several times as fast as numpy.nanmedian."""
    ordered = np.sort(values, axis=1)  # NaN last
    number = (~np.isnan(values)).sum(axis=1)
    row = np.arange(len(values))
    low, high = np.maximum(number - 1, 0) // 2, np.minimum(number // 2, values.shape[1] - 1)
    return np.asarray((ordered[row, low] + ordered[row, high]) / 2)


def _sensors(
    history: History, peak: Floats, impossible: Flags, order: list[str], watched: Flags, settings: Settings
) -> list[Stretch]:
    """Channels whose readings are missing, stuck or impossible."""
    at_us = history.cycles.at_us
    found: list[Stretch] = []
    pause_us = int(settings.pause_h * HOUR_US)
    for j in range(len(order)):
        rows = np.flatnonzero(watched[:, j])  # only while the channel was on the call-out sheet
        own: list[Stretch] = []
        gone = np.isnan(peak[rows, j])
        own += _runs(at_us[rows], gone, settings.missing_readings, order[j])
        have = rows[~gone]
        value = peak[have, j]
        own += _stuck(at_us[have], value, order[j], settings.stuck_readings)
        wrong = impossible[have, j]
        recent = np.convolve(wrong, np.ones(settings.window), "full")[: len(wrong)] if len(wrong) else wrong
        own += _runs(at_us[have], recent >= settings.needed, 1, order[j], lead=settings.needed - 1)
        found += joined(own, pause_us)
    return found


def _repeats_needed(value: float, step: float, least: int) -> int:
    """Readings in a row that must be alike before a sensor is called stuck: so many that chance brings them once in a million.

    Readings scatter by three percent at least; the coarser the sensor's step beside that, the more often they are alike.
    """
    chance = min(max(step, 1e-9) / (2.51 * 0.03 * max(abs(value), 1.0)), 0.999)  # of the likeliest reading
    return max(least, 1 + int(np.ceil(np.log(1e-6) / np.log(chance)))) if chance < 0.95 else _NEVER


def _stuck(at_us: NDArray[np.int64], value: Floats, channel: str, least: int) -> list[Stretch]:
    """Runs of readings that are alike for longer than the sensor's step explains."""
    if len(value) < least:
        return []
    steps = np.abs(np.diff(value))
    # What came before a reading tells the step; the smallest difference so far.
    step = np.minimum.accumulate(np.where(steps > 0, steps, np.inf))
    edges = np.flatnonzero(np.r_[True, steps > 0, True])
    found = []
    long = np.flatnonzero(np.diff(edges) >= least)
    for first, last in zip(edges[long].tolist(), edges[long + 1].tolist(), strict=True):
        coarse = 10.0 ** sum(value[first] % 10.0**k == 0 for k in range(1, 3))  # as far as the reading itself can tell
        known = min(float(step[first - 1]), coarse) if first else coarse
        needed = _repeats_needed(float(value[first]), known, least)
        if last - first >= needed:
            ended = int(at_us[last]) if last < len(at_us) else None
            found.append(Stretch("pressure_sensor", channel, int(at_us[first]), int(at_us[first + needed - 1]), ended))
    return found


def _runs(at_us: NDArray[np.int64], flag: Flags, needed: int, channel: str, lead: int = 0) -> list[Stretch]:
    """Runs of at least `needed` flagged readings; each began `lead` readings before its first flag."""
    if not flag.any():
        return []
    edges = np.flatnonzero(np.diff(np.r_[0, flag.astype(np.int8), 0]))
    found = []
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        if last - first >= needed:
            ended = int(at_us[last]) if last < len(at_us) else None
            began, detected = at_us[max(0, first - lead)], at_us[first + needed - 1]
            found.append(Stretch("pressure_sensor", channel, int(began), int(detected), ended))
    return found
