"""What lines ought to read beside each other: nothing in a line's own past tells a fault that was there from the start.

Lines of sister vehicles that are alike in length, bore and dose tell it best; where there are too few of them, the other lines of the
vehicle do. A lone main line has none of either: that divider valves and injectors need some pressure to move at all tells of it.
"""

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import chain
from typing import Final

import numpy as np

from analytics.statistics.m_estimates import BY_BIWEIGHT, m_estimates
from analytics.vehicle.history import History
from analytics.vehicle.pressure.expected import row_medians
from analytics.vehicle.pressure.readings import NOTHING_KPA, relief_at
from analytics.vehicle.pressure.weather import usual_weather
from ingest.arrays import Floats
from ingest.setups import Line, Setup

ODD_RATIO: Final = 2.2  # lines alike by length, bore and dose differ by less
_FEWEST_LINES: Final = 3
_MANY_LINES: Final = 8  # from so many on a vehicle's own lines tell how pressure goes with length, bore and dose
# Where they are fewer: the power of each that grease through a tube and a joint shows (power law of flow index 0.3 to 0.5, a good
# third of the pressure held by the joint), and its standard deviation. Common practice, no source.
_POWER: Final = {"length_m": (0.6, 0.25), "bore_mm": (-1.3, 0.5), "dose_cm3": (0.25, 0.15)}

# Shares of relief pressure between which main lines read, within ODD_RATIO: injectors take more to fire than divider valves to move
# (common practice, no source).
_MAIN_SHARES: Final = {"progressive": (0.09, 0.43), "injector": (0.2, 0.43)}

_FEWEST_SISTERS: Final = 3  # vehicles that read a channel alike
_ALIKE: Final = 1.1  # ratio of lengths, bores or doses up to which lines are alike
_SISTERS_SD: Final = (
    0.15  # by which sound lines alike differ from vehicle to vehicle, as a logarithm (common practice, no source)
)

# Length (m), bore (mm) and dose (cm3) of each line that a channel watches, ascending.
Tubes = tuple[tuple[float, float, float], ...]


@dataclass(frozen=True)
class SisterChannel:
    """A channel of another vehicle: the lines that it watches, and the logarithm of the kPa that it read at first, as at 10 degrees."""

    tubes: Tubes
    log_kpa: float


@dataclass(frozen=True)
class Beside:
    """Channels beside those like them, arrays of shape (channels,): by how much each lies off, as a logarithm, NaN where nothing tells;
    the standard deviation of that among sound ones; and how many `sisters` tell it, 0 where the vehicle's own lines do."""

    log: Floats
    sd: Floats
    sisters: Floats

    @property
    def odd(self) -> Floats:
        """By how much each lies off where that is too much, 0 where it is not, NaN where nothing tells."""
        limit = np.maximum(np.log(ODD_RATIO), 4 * self.sd)
        return np.where(np.abs(self.log) > limit, self.log, np.where(np.isnan(self.log), np.nan, 0.0))

    def likelier(self, j: int, other: "Beside") -> float:
        """The log likelihood that sister vehicles give channel `j` as it stands in `other`, less that of how it stands here; NaN where
        they tell nothing."""
        if not self.sisters[j]:
            return np.nan
        return float((self.log[j] ** 2 - other.log[j] ** 2) / (2 * self.sd[j] ** 2))


def tubes_of(setup: Setup, channel: str) -> Tubes:
    """The lines that a channel watches."""
    return tuple(sorted((x.length_m, x.bore_mm, x.dose_cm3) for x in setup.lines if x.channel == channel))


@lru_cache(4096)  # each channel is held beside those of all sisters, and most have one of a few line lists
def alike_tubes(one: Tubes, other: Tubes) -> bool:
    """Whether two channels watch lines that are alike, one by one."""
    if len(one) != len(other) or not one:
        return False
    pairs = zip(chain(*one), chain(*other), strict=True)
    return all(max(a, b) <= _ALIKE * min(a, b) for a, b in pairs)


def first_levels(kpa: Floats, temp_c: Floats, fewest: int) -> Floats:
    """(channels,) the logarithm of what channels read in some cycles, (n, channels), as at 10 degrees; NaN where too few readings show
    pressure."""
    if not len(kpa):
        return np.full(kpa.shape[1], np.nan)
    shown = kpa > NOTHING_KPA
    number = shown.sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        log_kpa = np.where(shown, np.log(kpa), np.nan) - usual_weather(temp_c)[:, np.newaxis]
    known = (number >= fewest) & (number > 0.5 * np.isfinite(kpa).sum(axis=0))
    return np.where(known, row_medians(log_kpa.T), np.nan)


def sister_ratios(lines: Sequence[Line], log_kpa: Floats) -> tuple[Floats, float]:
    """(each line's pressure against that of lines like it, as logarithms; their scatter), by a robust regression of the vehicle's
    own lines on length, bore and dose; with fewer than eight of them by what tubes have in common. Fewer than three give NaN."""
    if len(lines) < _FEWEST_LINES:
        return np.full(len(lines), np.nan), np.nan
    if len(lines) < _MANY_LINES:
        power = np.array([[np.log(getattr(line, name)) for name in _POWER] for line in lines])
        off = log_kpa - power @ [mean for mean, _ in _POWER.values()]
        off = off - np.median(off)
        # Lines that differ much from the others may be off by as much as the powers are not known.
        doubt = float(np.sqrt(((power - np.median(power, axis=0)) ** 2 @ [sd**2 for _, sd in _POWER.values()]).max()))
        return off, max(1.4826 * float(np.median(np.abs(off))), doubt, 0.15)
    fit = m_estimates(alike(lines), log_kpa[np.newaxis], BY_BIWEIGHT)
    return fit.left[0], float(fit.scale[0])


def alike(lines: Sequence[Line]) -> Floats:
    """What lines are compared by, (lines, terms): length, bore and dose, as far as they differ."""
    x = np.log([[line.length_m, line.bore_mm, line.dose_cm3] for line in lines])
    return np.column_stack([np.ones(len(x)), x[:, np.ptp(x, axis=0) > 1e-6]])


def odd_limit(scatter: float) -> float:
    """How far, as a logarithm, a line may lie off those like it."""
    return max(float(np.log(ODD_RATIO)), 4 * scatter)


def odd_lines(
    history: History, channels: Sequence[str], sisters: Sequence[SisterChannel]
) -> Callable[[Floats], Beside]:  # fmt: skip
    """A function of (channels,) log kPa that holds each channel beside those like it."""
    number = Counter(line.channel for line in history.setup.lines)
    own = {line.channel: line for line in history.setup.lines if line.channel and number[line.channel] == 1}
    watched = [tubes_of(history.setup, name) for name in channels]
    by_tubes: dict[Tubes, list[float]] = {}
    for sister in sisters:
        by_tubes.setdefault(sister.tubes, []).append(sister.log_kpa)
    told = {tubes: _of_sisters(tubes, by_tubes) for tubes in set(watched)}  # many channels watch lines of one kind
    usual, spread, heard = np.array([told[tubes] for tubes in watched], np.float64).reshape(-1, 3).T
    enough = heard >= _FEWEST_SISTERS
    lone_main = len(channels) == 1 and history.setup.feed in _MAIN_SHARES
    relief_kpa = float(relief_at(history)[-1]) if lone_main and len(history.cycles) else np.nan

    def beside(log_kpa: Floats) -> Beside:
        log, sd = np.full(len(channels), np.nan), np.full(len(channels), np.nan)
        known = np.isfinite(log_kpa)
        by_sisters = np.flatnonzero(enough & known)
        alone = np.array([name in own for name in channels], bool) & known
        if (alone & ~enough).any():
            places = np.flatnonzero(alone)
            log[places], sd[places] = sister_ratios([own[channels[j]] for j in places.tolist()], log_kpa[places])
        if lone_main and not enough[0]:
            least, most = np.log(relief_kpa * np.array(_MAIN_SHARES[history.setup.feed]))
            log, sd = log_kpa - np.clip(log_kpa, least, most), np.where(known, _SISTERS_SD, np.nan)
        off = log_kpa[by_sisters] - usual[by_sisters]
        if len(off) >= _FEWEST_LINES:  # what most channels of a vehicle share is its pump, its grease and its weather
            off -= np.median(off)
        log[by_sisters], sd[by_sisters] = off, np.maximum(spread[by_sisters], _SISTERS_SD)
        return Beside(log, sd, np.where(enough & known, heard, 0.0))

    return beside


def _of_sisters(tubes: Tubes, by_tubes: Mapping[Tubes, Sequence[float]]) -> tuple[float, float, int]:
    """(median, scatter, number) of what channels that watch lines like these read on sister vehicles, by the tubes of each."""
    told = np.array(
        [log_kpa for other, several in by_tubes.items() if alike_tubes(other, tubes) for log_kpa in several]
    )
    if len(told) < _FEWEST_SISTERS:
        return np.nan, np.nan, len(told)
    middle = float(np.median(told))
    return middle, 1.4826 * float(np.median(np.abs(told - middle))), len(told)
