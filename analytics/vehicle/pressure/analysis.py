"""Every channel followed cycle by cycle; each reading is judged by what came before it only."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analytics.findings import Episode, joined
from analytics.settings import PROOF_CYCLES, Settings
from analytics.vehicle.checkpoints import Checkpoints
from analytics.vehicle.history import History
from analytics.vehicle.pressure.always_at_relief import always_at_relief, episodes_of, proven
from analytics.vehicle.pressure.following import STEP, Following
from analytics.vehicle.pressure.lines import NotHeldError
from analytics.vehicle.pressure.readings import Flags, Readings, peaks, usable_readings
from analytics.vehicle.pressure.sensors import sensor_faults
from analytics.vehicle.pressure.sister_lines import Beside, SisterChannel, odd_lines
from ingest.arrays import Floats, Ints
from ingest.times import HOUR_US


@dataclass(frozen=True)
class Pressures:
    """What all channels share is taken out as weather, but not in cycles in which the pump has no grease (`starved`, (cycles,)).

    `level` (channels,) is the logarithm of what each channel has by itself (NaN until learned), and `beside` how that lies beside
    channels like it;
    `explained` (cycles,) is 1 for cycles whose pressures tell of a blockage or of a pump without grease; `exchanged_us` is when it was
    plain that another device reads the pressures, `perhaps_blocked` a lone channel that has stood at relief since it was first heard, and
    `thermometer_failed_us` since when the thermometer shows what cannot be true, where it does so now.
    """

    channels: tuple[str, ...]
    starved: Flags
    level: Floats
    beside: Beside
    noise: Floats
    learned: NDArray[np.int64]
    explained: Floats
    perhaps_blocked: tuple[str, ...]
    exchanged_us: tuple[int, ...]
    thermometer_failed_us: int | None
    episodes: tuple[Episode, ...]
    _told: Ints  # (2, channels) how many ratios there are of each channel, in all and of a pump that had grease
    _known: NDArray[np.float32] = field(compare=False)  # `ratio` as far as it was gone through
    _whole: "Callable[[], Pressures]" = field(compare=False, repr=False)  # the same, all of it gone through

    @cached_property
    def ratio(self) -> NDArray[np.float32]:
        """(cycles, channels) reading over expected, NaN where there is none; what was not gone through now is gone through for it."""
        known = (~np.isnan(self._known)).sum(axis=0)
        return self._known if (known == self._told[0]).all() else self._whole()._known

    def latest(self, channel: int, number: int, *, with_grease: bool = False) -> tuple[NDArray[np.float32], Flags]:
        """(latest ratios of a channel, so many where it has them; whether the pump was starved); those of a pump that had grease only
        where that is asked for."""
        there = self._there[int(with_grease)][channel]
        if len(there) >= min(number, self._told[int(with_grease), channel]):
            rows = there[-number:]
            return self._known[rows, channel], self.starved[rows]
        of_all = self.ratio[:, channel]
        rows = np.flatnonzero(~np.isnan(of_all) & ~(self.starved & with_grease))[-number:]
        return of_all[rows], self.starved[rows]

    @cached_property
    def _there(self) -> tuple[list[Ints], list[Ints]]:
        """Cycles of which a ratio is known so far, channel by channel: all of them, and those of a pump that had grease."""
        known = np.ascontiguousarray(~np.isnan(self._known).T)
        with_grease = known & ~self.starved
        return [np.flatnonzero(one) for one in known], [np.flatnonzero(one) for one in with_grease]


def analyse(
    history: History, fills_us: tuple[int, ...], settings: Settings, sisters: Sequence[SisterChannel] = (),
    checkpoints: Checkpoints | None = None,
) -> Pressures:  # fmt: skip
    """What the pressures of a vehicle tell; `fills_us` are the fills seen in its level: they, and those that somebody recorded, may
    have brought another grade of grease. `sisters` are channels of other vehicles, to hold its own beside."""
    seen = peaks(history, settings)
    sensors = sensor_faults(history.cycles.at_us, seen, settings)
    readings = usable_readings(history, seen, sensors, settings)
    recorded = [work.at_us for work in history.work if work.kind == "filled"]
    beside = odd_lines(history, seen.channels, sisters)
    at_relief = always_at_relief(readings, settings)
    checkpoints = checkpoints or Checkpoints()

    def followed() -> Following:
        following = Following(history, readings, (*fills_us, *recorded), beside, at_relief, settings)
        following.go_through(checkpoints, sisters)
        return following

    try:
        following = followed()
    except NotHeldError:
        checkpoints.forget(STEP)
        following = followed()
    expected, pump, lines = following.expected, following.pump, following.lines

    def by_cycle(values: NDArray[Any], otherwise: float) -> NDArray[Any]:
        of_all = np.full((len(seen.kpa), *values.shape[1:]), otherwise, values.dtype)
        of_all[readings.rows] = values
        return of_all

    blocked = proven(at_relief, readings, history)
    explained = following.explained.copy()
    for one in blocked:
        explained[one.first : one.ended] = True
    episodes = episodes_of(blocked, readings)
    episodes += [*pump.ended, *lines.ended, *lines.open.values(), *([pump.open] if pump.open is not None else [])]
    found = _one_of_each(episodes, readings, int(settings.pause_h * HOUR_US))
    return Pressures(
        channels=seen.channels,
        starved=by_cycle(pump.starved, False),
        level=expected.level,
        beside=beside(expected.baseline),
        noise=expected.noise,
        learned=expected.count,
        explained=by_cycle(explained.astype(np.float64), 0.0),
        perhaps_blocked=tuple(
            readings.channels[one.channel] for one in at_relief if one not in blocked and one.ended is None
        ),
        exchanged_us=tuple(int(readings.at_us[row - 1]) for row in lines.exchanges.moved),
        thermometer_failed_us=readings.thermometer_failed_us,
        episodes=tuple(_until_taken_off(episode, history) for episode in (*found, *sensors)),
        _told=following.told,
        _known=by_cycle(following.ratio, np.nan),
        _whole=partial(analyse, history, fills_us, settings, sisters),
    )


def _one_of_each(episodes: list[Episode], readings: Readings, pause_us: int) -> list[Episode]:
    """Stretches of one trouble that pause briefly only as one."""
    found: list[Episode] = []
    for kind in ("blocked_line", "open_line"):
        for channel in readings.channels:
            found += joined([s for s in episodes if (s.kind, s.channel) == (kind, channel)], pause_us)
    for several in _unproven([s for s in episodes if s.kind == "starved_pump"], readings):
        found += joined(several, pause_us)
    return found


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
