"""Lines that have stood at relief pressure since they were first heard: nothing in their own past tells that, the valve does.

At an open relief valve readings lie within a few percent of each other, whatever the weather; a long line that takes much pressure soundly
goes with it. Where most channels stand there it is the pump, the cold or a wrong sheet; with one channel nobody can tell, unless the switch
of a divider says as well that its pistons do not move.
"""

from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np

from analytics.findings import Episode
from analytics.settings import Settings
from analytics.vehicle.history import History
from analytics.vehicle.pressure.readings import Readings

_READINGS: Final = 24  # the first, that tell
_NEARLY_ALL: Final = 0.9  # of them
_VALVE_SCATTER: Final = 0.04  # standard deviation of readings at an open valve, as a logarithm (valves open within 2 %)
_OTHERS: Final = 0.5  # of the channels, at most, may stand there
_ENOUGH_SOUND: Final = 4  # readings in a row that end it
_FAR: Final = 0.2  # as a logarithm, below what it read: no open valve any more


class Blocked(NamedTuple):
    """A channel at relief since it was first heard: rows of its first reading, of the one that made it certain, and of the first of those
    that ended it (None: it lasts); and the rows at which it reads far less, so that nothing is known of its line any more."""

    channel: int
    first: int
    certain: int
    ended: int | None
    anew: tuple[int, ...]


def always_at_relief(readings: Readings, settings: Settings) -> list[Blocked]:
    """The channels that have stood at relief from the start while most others did not, or alone."""
    known = ~np.isnan(readings.log_kpa)
    lone = known.shape[1] == 1
    others = lone | ((readings.at_relief & known).sum(axis=1) <= _OTHERS * np.maximum(known.sum(axis=1), 1))
    stiff = (10 + 10 * readings.features[:, 1] < settings.stiff_below_c) & readings.temperature_known
    found = []
    often = (readings.at_relief & known).sum(axis=0) >= _NEARLY_ALL * _READINGS
    for j in np.flatnonzero(often).tolist():
        rows = np.flatnonzero(known[:, j])
        told = rows[~stiff[rows]][:_READINGS]
        if len(told) < _READINGS or (readings.at_relief[told, j] & others[told]).mean() < _NEARLY_ALL:
            continue
        values = readings.log_kpa[told, j]
        usual = float(np.median(values))
        if 1.4826 * float(np.median(np.abs(values - usual))) > _VALVE_SCATTER:
            continue
        free = np.convolve(~readings.at_relief[rows, j], np.ones(_ENOUGH_SOUND), "valid") == _ENOUGH_SOUND
        free[: int(np.searchsorted(rows, told[-1])) + 1] = False
        ended = int(rows[int(np.argmax(free))]) if free.any() else None
        until = rows if ended is None else rows[: int(np.argmax(free)) + _ENOUGH_SOUND]  # by then it is known
        anew = until[(readings.log_kpa[until, j] < usual - _FAR) & (until > told[-1])]
        found.append(Blocked(j, int(rows[0]), int(told[-1]), ended, tuple(anew.tolist())))
    return found


def proven(blocked: Sequence[Blocked], readings: Readings, history: History) -> list[Blocked]:
    """Those that are surely blocked: with a lone channel, where no cycle was confirmed meanwhile."""
    if len(readings.channels) > 1:
        return list(blocked)
    complete = history.cycles.complete[readings.rows]
    return [one for one in blocked if np.mean(complete[one.first : one.certain + 1] == 0) >= _NEARLY_ALL]


def episodes_of(blocked: Sequence[Blocked], readings: Readings) -> list[Episode]:
    """What is found of them."""
    found = []
    for one in blocked:
        at_us = readings.at_us
        ended_us = None if one.ended is None else int(at_us[one.ended])
        episode = Episode(
            "blocked_line", readings.channels[one.channel], int(at_us[one.first]), int(at_us[one.certain]), ended_us
        )
        episode.evidence = {"at_relief_from_the_start": 1.0}
        found.append(episode)
    return found
