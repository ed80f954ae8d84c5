"""Every channel followed cycle by cycle; each reading is judged by what came before it only."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analytics.findings import Episode, joined
from analytics.settings import PROOF_CYCLES, Settings
from analytics.vehicle.history import History
from analytics.vehicle.pressure.always_at_relief import always_at_relief, episodes_of
from analytics.vehicle.pressure.expected import Expected
from analytics.vehicle.pressure.lines import LineFaults, StarvedPump
from analytics.vehicle.pressure.readings import Readings, peaks, repairs, usable_readings
from analytics.vehicle.pressure.sensors import sensor_faults
from analytics.vehicle.pressure.sister_lines import Beside, SisterChannel, odd_lines
from ingest.arrays import Floats
from ingest.setups import Setup
from ingest.times import HOUR_US

# Cycles between two lessons; where other channels tell the weather and the first lessons are learned, they may lie far apart.
_BLOCK: Final = 12
_LONG_BLOCK: Final = 48
_FIRST_CYCLES: Final = 120
_FEW_CHANNELS: Final = 2

Rows = dict[int, set[int]]  # row of a reading -> channels


@dataclass(frozen=True)
class Pressures:
    """`ratio` (cycles, channels) is reading over expected, NaN where there is none. What all channels share is taken out as weather,
    but not in cycles in which the pump has no grease (`starved`, (cycles,)).

    `level` (channels,) is the logarithm of what each channel has by itself (NaN until learned), and `beside` how that lies beside
    channels like it;
    `explained` (cycles,) is 1 for cycles whose pressures tell of a blockage or of a pump without grease; `exchanged_us` is when it was
    plain that another device reads the pressures, and `perhaps_blocked` a lone channel that has stood at relief since it was first heard.
    """

    channels: tuple[str, ...]
    ratio: NDArray[np.float32]
    starved: NDArray[np.bool_]
    level: Floats
    beside: Beside
    noise: Floats
    learned: NDArray[np.int64]
    explained: Floats
    perhaps_blocked: tuple[str, ...]
    exchanged_us: tuple[int, ...]
    episodes: tuple[Episode, ...]


def analyse(
    history: History, fills_us: tuple[int, ...], settings: Settings, sisters: Sequence[SisterChannel] = ()
) -> Pressures:  # fmt: skip
    """What the pressures of a vehicle tell; `fills_us` are the fills seen in its level: they, and those that somebody recorded, may
    have brought another grade of grease. `sisters` are channels of other vehicles, to hold its own beside."""
    seen = peaks(history, settings)
    sensors = sensor_faults(history.cycles.at_us, seen, settings)
    readings = usable_readings(history, seen, sensors, settings)
    recorded = [work.at_us for work in history.work if work.kind == "filled"]
    expected = Expected(readings, (*fills_us, *recorded), settings)
    pump = StarvedPump(readings, settings)
    beside = odd_lines(history, seen.channels, sisters)
    lines = LineFaults(readings, expected, pump.airy, beside, settings)
    ratio = np.full(seen.kpa.shape, np.nan, np.float32)
    explained = np.zeros(len(seen.kpa))
    at_relief, new_lines = always_at_relief(readings, settings), _new_lines(history, readings)
    for one in at_relief:
        for row in one.anew:
            new_lines.setdefault(row, set()).add(one.channel)
    explained[readings.rows] = _follow(readings, expected, pump, lines, _repaired(history, readings), new_lines)
    without_grease = pump.airy & np.isfinite(pump.shift)
    ratio[readings.rows] = np.exp(lines.departure + np.where(without_grease, pump.shift, 0.0)[:, np.newaxis])
    starved = np.zeros(len(seen.kpa), bool)
    starved[readings.rows] = without_grease
    alone = at_relief if len(seen.channels) == 1 else []
    episodes = [] if alone else episodes_of(at_relief, readings)
    episodes += [*pump.ended, *lines.ended, *lines.open.values(), *([pump.open] if pump.open is not None else [])]
    pause_us = int(settings.pause_h * HOUR_US)
    found: list[Episode] = []
    for kind in ("blocked_line", "open_line"):
        for channel in seen.channels:
            found += joined([s for s in episodes if (s.kind, s.channel) == (kind, channel)], pause_us)
    for several in _unproven([s for s in episodes if s.kind == "starved_pump"], readings):
        found += joined(several, pause_us)
    return Pressures(
        channels=seen.channels,
        ratio=ratio,
        starved=starved,
        level=expected.level,
        beside=beside(expected.baseline),
        noise=expected.noise,
        learned=expected.count,
        explained=explained,
        perhaps_blocked=tuple(readings.channels[one.channel] for one in alone if one.ended is None),
        exchanged_us=tuple(int(readings.at_us[row - 1]) for row in lines.exchanges.moved),
        episodes=tuple(_until_taken_off(episode, history) for episode in (*found, *sensors)),
    )


def _unproven(episodes: list[Episode], readings: Readings) -> list[list[Episode]]:
    """Stretches of a starved pump, those together between which too few cycles ran to prove that it was bled."""
    groups: list[list[Episode]] = []
    for episode in sorted(episodes, key=lambda s: s.began_us):
        last = groups[-1][-1].ended_us if groups else None
        between = np.searchsorted(readings.at_us, [last or 0, episode.began_us])
        if (last is not None and between[1] - between[0] >= PROOF_CYCLES) or not groups:
            groups.append([])
        groups[-1].append(episode)
    return groups


def _follow(
    readings: Readings, expected: Expected, pump: StarvedPump, lines: LineFaults, repaired: Rows, new_lines: Rows
) -> Floats:
    """Go through the readings in blocks: within a block what was learned stays as it is, so that a reading is judged by what
    came before its block, whatever comes after it. (n,): 1 where pressures explain a cycle that was not confirmed."""
    settings, (rows, width) = expected.settings, readings.log_kpa.shape
    few = width <= _FEW_CHANNELS
    explained = np.zeros(rows)
    first = rows if few else min(rows, _FIRST_CYCLES)
    fills, exchanged = expected.fill_rows(), lines.exchanges.moved
    edges = {*range(0, first, _BLOCK), *range(first, rows, _LONG_BLOCK), *repaired, *new_lines, *fills, *exchanged}
    for a, b in pairwise([*sorted(row for row in edges if row < rows), rows]):
        for j in repaired.get(a, ()):
            lines.repair(j, a)
        for j in new_lines.get(a, ()):
            lines.begin_anew(j, a)
            expected.begin_anew(j, a)
        if a in exchanged:
            lines.exchange(a, exchanged[a])
        if a in fills and not lines.alarm.any():
            expected.take_fill(a)
        expected.advance(a)
        block = expected.expect(a, b, lines.alarm)
        lines.take(block)
        pump.take(block, expected.common.count >= settings.learning_cycles)
        lines.follow(a, b)
        open_ = {kind for kind, _ in lines.open}
        explained[a:b] = pump.airy[a:b] | ("blocked_line" in open_) | ("open_line" in open_ and few)
        if few:
            explained[a:b] = np.maximum(explained[a:b], lines.high[a:b].any(axis=1))
        start = max(0, a - settings.window + 1)
        suspicious = (lines.high[start:b].sum(axis=0) >= 2) | (lines.low[start:b].sum(axis=0) >= 2)
        expected.learn(block, ~pump.airy[a:b], suspicious | lines.alarm)
    return explained


def _repaired(history: History, readings: Readings) -> Rows:
    """Row of a reading -> channels on which work was recorded before it."""
    found: Rows = {}
    for at_us, names in repairs(history):
        _add(found, readings, at_us, names)
    return found


def _new_lines(history: History, readings: Readings) -> Rows:
    """Row of a reading -> channels that watch other lines from then on: re-lined, or by another line list."""
    found: Rows = {}
    for work in history.work:
        if work.kind == "relined":
            _add(found, readings, work.at_us, history.channels_of(work))
    for before, after in pairwise(history.setups):
        changed = [name for name in after.channels if _tubes(before, name) not in ([], _tubes(after, name))]
        _add(found, readings, after.valid_from_us or 0, changed)
    return found


def _tubes(setup: Setup, channel: str) -> list[tuple[int, str, float, float]]:
    """What a channel watches: number, point, length and bore of each line."""
    return [(x.line, x.point, x.length_m, x.bore_mm) for x in setup.lines if x.channel == channel]


def _add(found: Rows, readings: Readings, at_us: int, names: Iterable[str]) -> None:
    row = int(np.searchsorted(readings.at_us, at_us))
    channels = {readings.channels.index(name) for name in names if name in readings.channels}
    if channels and row < len(readings.at_us):
        found.setdefault(row, set()).update(channels)


def _until_taken_off(episode: Episode, history: History) -> Episode:
    """Nothing lasts on a channel that a later line list leaves out."""
    if episode.channel is None or episode.ended_us is not None:
        return episode
    named = [episode.channel in setup.channels for setup in history.setups]
    if not any(named) or named[-1]:
        return episode
    last = len(named) - 1 - named[::-1].index(True)
    since_us = history.setups[last + 1].valid_from_us or history.as_of_us
    return replace(episode, ended_us=max(since_us, episode.detected_us))
