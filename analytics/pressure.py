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

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analytics.findings import Stretch, joined
from analytics.history import HOUR_US, History
from analytics.settings import Settings
from ingest.store import Floats

Flags = NDArray[np.bool_]

_LAG_H: Final = 2.0  # grease follows the air with hours of delay
_LONG_STOP_H: Final = 6.0
_COLD_START_H: Final = 0.5
# What is known of the weather's effect before anything is learned: log pressure per 10 degrees, and its bend.
_PRIOR: Final = np.array([0.0, -0.13, 0.03, 0.08])
_PRIOR_SD: Final = np.array([1.0, 0.06, 0.02, 0.06])
_WANDER_PER_H: Final = 0.0004  # variance that ageing and the seasons add to the common level, with temperature known
_WANDER_BLIND_PER_H: Final = 0.004  # and without
_FILL_SD: Final = 0.15  # a fill may bring another grade


@dataclass(frozen=True)
class Pressures:
    """`ratio` (cycles, channels) is reading over expected, NaN where there is none; `common` (cycles,) its common part.

    `explained` is 1 for cycles whose pressures tell of a blockage or of a pump without grease.
    """

    channels: tuple[str, ...]
    ratio: NDArray[np.float32]
    noise: Floats
    learned: NDArray[np.int64]
    explained: Floats
    stretches: tuple[Stretch, ...]


@dataclass
class _Channels:
    """What is known of each channel: arrays of shape (channels,); `recent` holds the latest residuals, newest last."""

    level: Floats
    noise: Floats
    count: NDArray[np.int64]
    uu: Floats
    ur: Floats
    recent: Floats  # (window, channels)
    relief: Floats  # (window, channels) 1 where the reading was at relief
    times: NDArray[np.int64]  # (window, channels)


class _Common:
    """The regression that follows what all channels do together: recursive least squares with Huber's weights."""

    def __init__(self) -> None:
        self.theta = _PRIOR.copy()
        self.cov = np.diag(_PRIOR_SD**2)
        self.noise = 0.08
        self.count = 0

    def expect(self, x: Floats) -> tuple[float, float]:
        """(expected, standard deviation of what is seen)."""
        return float(x @ self.theta), float(np.sqrt(x @ self.cov @ x + self.noise**2))

    def learn(self, x: Floats, seen: float) -> None:
        """Take one cycle in; what lies far off counts less."""
        miss = seen - float(x @ self.theta)
        spread = np.sqrt(x @ self.cov @ x + self.noise**2)
        weight = min(1.0, 1.5 * spread / max(abs(miss), 1e-9))
        gain = self.cov @ x / (x @ self.cov @ x + self.noise**2 / weight)
        self.theta = self.theta + gain * miss
        self.cov = self.cov - np.outer(gain, x @ self.cov)
        self.count += 1
        left = seen - float(x @ self.theta)
        step = max(1 / (self.count + 10), 1 / 300)
        self.noise += step * (1.25 * min(abs(left), 3 * self.noise) - self.noise)
        self.noise = float(np.clip(self.noise, 0.03, 0.3))


def features(history: History) -> Floats:
    """(cycles, 4): one, lagged temperature from 10 degrees in tens of degrees, its square, cold start; 0 where unknown."""
    c, hours = history.cycles, history.cycle_h
    n = len(c)
    x = np.zeros((n, 4))
    x[:, 0] = 1.0
    clock_h = c.at_us / HOUR_US
    lagged, last, start_h = np.nan, 0.0, 0.0
    stop_long = True
    for i in range(n):
        if i:
            stopped_h = (clock_h[i] - clock_h[i - 1]) - (hours[i] - hours[i - 1])
            if stopped_h > 0.2:
                start_h = hours[i - 1]
                stop_long = bool(stopped_h > _LONG_STOP_H)
        temp = c.temp_c[i]
        if not np.isnan(temp) and -60 <= temp <= 70:
            passed = clock_h[i] - last
            lagged = temp if np.isnan(lagged) else lagged + (1 - np.exp(-passed / _LAG_H)) * (temp - lagged)
            last = clock_h[i]
        if not np.isnan(lagged) and clock_h[i] - last < 24:
            z = (lagged - 10) / 10
            x[i, 1:3] = z, z * z
        x[i, 3] = np.exp(-(hours[i] - start_h) / _COLD_START_H) if stop_long else 0.0
    return x


def judge(history: History, level_above_mark: Floats, fills_us: tuple[int, ...], settings: Settings) -> Pressures:
    """Follow every channel cycle by cycle; each reading is judged by what came before it only.

    `level_above_mark` (cycles,) is the level's distance from the low mark as known at each cycle, NaN where it is not.
    """
    c, setup = history.cycles, history.setup
    order = [*setup.channels, *(name for name in c.channels if name not in setup.channels)]
    index = {name: i for i, name in enumerate(c.channels)}
    n, width = len(c), len(order)
    peak = np.full((n, width), np.nan)
    for j, name in enumerate(order):
        if name in index:
            peak[:, j] = c.peak_kpa[:, index[name]]
    which = history.setup_at(c.at_us)
    relief = np.array([s.relief_kpa for s in history.setups])[which]
    run_s = np.array([s.run_s for s in history.setups])[which]
    whole = c.run_s >= settings.short_run * run_s
    impossible = (peak < settings.impossible_below_kpa) | (peak > settings.impossible_over_relief * relief[:, None])
    watched = np.array([name in setup.channels for name in order], bool)

    sensors = _sensors(history, peak, impossible, order, watched, settings)
    usable = ~np.isnan(peak) & ~impossible & whole[:, None] & (peak > -1e-9)
    for stretch in sensors:
        j = order.index(stretch.channel or "")
        usable[(c.at_us >= stretch.began_us) & (c.at_us < (stretch.ended_us or 1 << 62)), j] = False
    with np.errstate(invalid="ignore"):
        logp = np.log(np.maximum(peak, 20.0))
    # Readings that repeat exactly wait until it is plain whether the sensor is stuck.
    same = np.zeros((n, width), bool)
    if n > 2:
        same[2:] = (peak[2:] == peak[1:-1]) & (peak[1:-1] == peak[:-2])
    ratio, explained, stretches, state = _follow(
        history, logp, usable, same, peak >= settings.at_relief * relief[:, None], level_above_mark, fills_us, order, settings
    )
    pause_us = int(settings.pause_h * HOUR_US)
    found = []
    for kind in ("blocked_line", "open_line", "starved_pump"):
        for name in (*order, None):
            found += joined([s for s in stretches if (s.kind, s.channel) == (kind, name)], pause_us)
    return Pressures(
        tuple(order), ratio, state.noise, state.count, explained, tuple(found) + tuple(sensors)
    )


def _follow(
    history: History,
    logp: Floats,
    usable: Flags,
    same: Flags,
    at_relief: Flags,
    level_above_mark: Floats,
    fills_us: tuple[int, ...],
    order: list[str],
    settings: Settings,
) -> tuple[NDArray[np.float32], Floats, list[Stretch], _Channels]:
    at_us = history.cycles.at_us
    n, width = logp.shape
    x = features(history)
    with_temp = bool(np.isfinite(history.cycles.temp_c[:50]).mean() > 0.5) if n else False
    state = _Channels(
        np.full(width, np.nan), np.full(width, 0.08), np.zeros(width, np.int64), np.zeros(width), np.zeros(width),
        np.zeros((settings.window, width)), np.zeros((settings.window, width)), np.zeros((settings.window, width), np.int64),
    )  # fmt: skip
    common, ratio, explained = _Common(), np.full((n, width), np.nan, np.float32), np.zeros(n)
    done: list[Stretch] = []
    open_: dict[tuple[str, int], Stretch] = {}  # (kind, channel index)
    starved: Stretch | None = None
    lows: list[tuple[int, bool]] = []  # of the latest cycles: time, all channels low
    first: dict[int, list[tuple[float, float]]] = {j: [] for j in range(width)}  # (log pressure, expected common) while learning
    fills = list(fills_us)
    alarm = np.zeros(width, bool)
    clock_h = at_us / HOUR_US

    for i in range(n):
        if i:
            wander = _WANDER_PER_H if with_temp else _WANDER_BLIND_PER_H
            common.cov[0, 0] += wander * 0.01 * min(clock_h[i] - clock_h[i - 1], 240.0)
            if history.cycles.boot[i] != history.cycles.boot[i - 1]:
                common.cov[0, 0] += _FILL_SD**2
                state.count = np.minimum(state.count, 20)
        while fills and fills[0] <= at_us[i]:
            fills.pop(0)
            common.cov[0, 0] += _FILL_SD**2
        ok = usable[i]
        if not ok.any():
            continue
        known = ok & ~np.isnan(state.level)
        guess, guess_sd = common.expect(x[i])
        # The common part: the robust centre of sound channels; with few of them the weather's guess has a voice as well.
        sound = known & ~alarm
        moves = (logp[i] - state.level)[sound if sound.any() else known]
        if len(moves) >= 2:
            u = float(np.median(np.append(moves, guess) if len(moves) <= 4 else moves))
        else:
            u = guess
        several = int(known.sum()) >= 2

        # Learning: the first cycles give a channel its level.
        for j in np.flatnonzero(ok & np.isnan(state.level)):
            first[j].append((logp[i, j], u))
            if len(first[j]) >= settings.learning_cycles:
                state.level[j] = float(np.median([p - m for p, m in first[j]]))
                state.count[j] = len(first[j])
        if not known.any():
            continue

        shrink = (0.08 / 0.12) ** 2
        slope = 1 + np.clip(state.ur / (state.uu + shrink), -0.3, 0.3)
        residual = logp[i] - state.level - slope * u
        ratio[i, known] = np.exp(residual[known])
        k = known
        state.recent[:-1, k], state.recent[-1, k] = state.recent[1:, k], residual[k]
        state.relief[:-1, k], state.relief[-1, k] = state.relief[1:, k], at_relief[i, k]
        state.times[:-1, k], state.times[-1, k] = state.times[1:, k], at_us[i]
        spread = state.noise if several else np.maximum(state.noise, guess_sd)
        high_limit = np.maximum(settings.blocked_log_ratio, settings.sigmas * spread)
        low_limit = np.minimum(settings.open_log_ratio, -settings.sigmas * spread)
        others_free = at_relief[i, k].mean() <= 0.5 or width == 1
        stuck_at_relief = (state.relief > 0) & (state.recent > np.maximum(0.15, 3 * spread)) & others_free
        high = (state.recent > high_limit) | stuck_at_relief
        low = state.recent < low_limit

        # All channels together.
        gone = several and u - guess < min(settings.starved_log_ratio, -3 * guess_sd) and common.count >= settings.learning_cycles
        lows = [*lows, (int(at_us[i]), bool(gone))][-settings.window :]
        if starved is None and gone and sum(low_ for _, low_ in lows) >= settings.needed:
            starved = Stretch("starved_pump", None, next(t for t, low_ in lows if low_), int(at_us[i]))
        if starved is not None and several:
            starved.evidence = {"ratio_to_expected": round(float(np.exp(u - guess)), 2)}
            back = u - guess > -0.3
            lows[-1] = (int(at_us[i]), not back)
            if not any(low_ for _, low_ in lows[-4:]) and len(lows) >= 4:
                starved.ended_us = lows[-4][0]
                done.append(starved)
                starved, lows = None, []
        airy = starved is not None or any(low_ for _, low_ in lows)

        # Each channel.
        suspicious = (high.sum(axis=0) >= 2) | (low.sum(axis=0) >= 2)
        for j in np.flatnonzero(k & (suspicious | alarm)):
            _judge_channel(j, i, at_us, high, low, same, airy, several, level_above_mark, state, open_, done, order, settings)
            alarm[j] = any((kind, j) in open_ for kind in ("blocked_line", "open_line", "starved_pump"))
        blocked = any(kind == "blocked_line" for kind, _ in open_)
        lone = any(kind == "starved_pump" for kind, _ in open_)
        explained[i] = float(blocked or lone or airy or bool((high[-1] & k).any() and width <= 2))

        # Learning goes on slowly, and never from what looks wrong.
        learn = k & ~alarm & ~suspicious & (np.abs(residual) < np.maximum(0.3, 4 * state.noise))
        if airy:
            learn &= False
        state.count[learn] += 1
        step = np.maximum(1 / state.count, 1e-3)[learn] if several else np.zeros(int(learn.sum()))
        bounded = np.clip(residual, -2 * state.noise, 2 * state.noise)
        state.level[learn] += step * bounded[learn]
        pace = np.maximum(1 / (state.count + 5), 1 / 300)[learn]
        seen = 1.25 * np.minimum(np.abs(residual), 3 * state.noise)[learn]
        state.noise[learn] = np.clip(state.noise[learn] + pace * (seen - state.noise[learn]), 0.03, 0.25)
        if several:
            state.uu[learn] += u * u
            state.ur[learn] += u * bounded[learn]
            if not airy:
                common.learn(x[i], u)
        elif learn.any():
            common.learn(x[i], float(np.mean((logp[i] - state.level)[learn])))
    done += list(open_.values()) + ([starved] if starved is not None else [])
    return ratio, explained, done, state


def _judge_channel(
    j: int,
    i: int,
    at_us: NDArray[np.int64],
    high: Flags,
    low: Flags,
    same: Flags,
    airy: bool,
    several: bool,
    level_above_mark: Floats,
    state: _Channels,
    open_: dict[tuple[str, int], Stretch],
    done: list[Stretch],
    order: list[str],
    settings: Settings,
) -> None:
    """Begin or end the findings of channel `j` at cycle `i`."""
    now = int(at_us[i])
    recent, times = state.recent[:, j], state.times[:, j]
    typical = float(np.exp(np.median(recent)))
    for kind, beyond in (("blocked_line", high[:, j]), ("open_line", low[:, j])):
        held = open_.get((kind, j)) or (open_.get(("starved_pump", j)) if kind == "open_line" else None)
        if held is None:
            if beyond.sum() < settings.needed or not beyond[-1] or same[i, j] or airy:
                continue
            began = int(times[np.argmax(beyond)])
            name = kind
            # With one channel nothing but the level tells a line that is off from a pump that draws air.
            if kind == "open_line" and not several and not level_above_mark[i] > 8:
                name = "starved_pump"
            open_[name, j] = Stretch(name, None if name == "starved_pump" else order[j], began, now)
            open_[name, j].evidence = {"ratio_to_expected": round(typical, 2)}
            continue
        sound = np.abs(recent) < max(settings.sound_log_ratio, 2 * state.noise[j])
        sound &= ~((state.relief[:, j] > 0) & (recent > 0.1))
        if kind == "blocked_line":
            sound |= recent < -settings.sound_log_ratio
        else:
            sound |= recent > settings.sound_log_ratio
        if sound[-4:].all():
            held.ended_us = int(times[-4])
            done.append(held)
            open_.pop((held.kind, j))
        elif kind == "blocked_line" and beyond[-1]:
            held.evidence["ratio_to_expected"] = round(max(typical, 1.0), 2)


def _sensors(
    history: History, peak: Floats, impossible: Flags, order: list[str], watched: Flags, settings: Settings
) -> list[Stretch]:
    """Channels whose readings are missing, stuck or impossible."""
    at_us = history.cycles.at_us
    found: list[Stretch] = []
    pause_us = int(settings.pause_h * HOUR_US)
    for j in np.flatnonzero(watched):
        own: list[Stretch] = []
        gone = np.isnan(peak[:, j])
        own += _runs(at_us, gone, settings.missing_readings, order[j])
        have = np.flatnonzero(~gone)
        value = peak[have, j]
        repeat = np.r_[False, value[1:] == value[:-1]] if len(value) else np.zeros(0, bool)
        own += _runs(at_us[have], repeat, settings.stuck_readings - 1, order[j], lead=1)
        wrong = impossible[have, j]
        recent = np.convolve(wrong, np.ones(settings.window), "full")[: len(wrong)] if len(wrong) else wrong
        own += _runs(at_us[have], recent >= settings.needed, 1, order[j], lead=settings.needed - 1)
        found += joined(own, pause_us)
    return found


def _runs(at_us: NDArray[np.int64], flag: Flags, needed: int, channel: str, lead: int = 0) -> list[Stretch]:
    """Runs of at least `needed` flagged readings; each began `lead` readings before its first flag."""
    edges = np.flatnonzero(np.diff(np.r_[0, flag.astype(np.int8), 0]))
    found = []
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        if last - first >= needed:
            ended = int(at_us[last]) if last < len(at_us) else None
            began, detected = at_us[max(0, first - lead)], at_us[first + needed - 1]
            found.append(Stretch("pressure_sensor", channel, int(began), int(detected), ended))
    return found
