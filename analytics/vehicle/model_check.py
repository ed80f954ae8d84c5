"""Whether the pressure model fits a channel: what is left of its readings once temperature, grease and the line's own past are taken
out should be noise without memory, no wider than its limits say, and not leaning with the temperature.

Only readings of the last year count in which nothing was found wrong, and since the channel's line was last worked on. A model that does
not fit a channel finds its faults late, or finds some that are none: nothing here is a fault of the lubrication.
"""

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from analytics.settings import DEFAULTS, Settings
from analytics.statistics.standing_out import discoveries, upper_tail
from analytics.vehicle.analysis import Result
from analytics.vehicle.wear import sound
from ingest.arrays import Floats
from ingest.times import DAY_US

Remark = Literal["leans", "remembers", "wide", "outside"]

FEWEST: Final = 100  # readings of which anything is told
_LAST_DAYS: Final = 365
_SPAN_C: Final = 10.0  # of temperature, at least, between the 5 % coldest and warmest readings
_SURE: Final = 1.96  # 95 %
# What somebody should look at; common practice, no source. By 5 % in 10 degrees a season moves a channel by a third of what a
# blockage does.
MOST_LEAN_PERCENT: Final = 5.0
MOST_MEMORY: Final = 0.5
MOST_OUTSIDE: Final = 0.15  # of readings outside limits that should hold all but one in twenty


@dataclass(frozen=True, kw_only=True)
class Check:
    """How well the model fits a channel, by `readings` of it; None where there are fewer than `FEWEST`, or too few temperatures.

    `spread_percent` is one standard deviation of what is left; `outside` the share of readings beyond 95 % limits by the noise that the
    model itself assumes; `memory` the correlation of one reading with the next, pure noise lying within `memory_limit` either side of
    zero; `lean_percent` what is left in 10 degrees, with 95 % limits (widened by the memory). `worst` is the largest share of its limit
    that any of them has, above 1 what `remarks` name, the worst first.
    """

    channel: str
    lines: tuple[int, ...]
    readings: int
    spread_percent: float | None = None
    outside: float | None = None
    memory: float | None = None
    memory_limit: float | None = None
    lean_percent: float | None = None
    lean_low: float | None = None
    lean_high: float | None = None
    worst: float | None = None
    remarks: tuple[Remark, ...] = ()


def checks(result: Result, settings: Settings = DEFAULTS) -> list[Check]:
    """A check of every channel of the set-up, by number of its first line."""
    history, pressures, c = result.history, result.pressures, result.history.cycles
    usual = ~pressures.starved & (c.at_us > history.as_of_us - _LAST_DAYS * DAY_US)
    out = []
    for channel in history.setup.channels:
        lines = tuple(line.line for line in history.setup.lines if line.channel == channel)
        if channel not in pressures.channels:
            out.append(Check(channel=channel, lines=lines, readings=0))
            continue
        j = pressures.channels.index(channel)
        left = np.log(np.asarray(pressures.ratio[:, j], np.float64))
        mine = usual & sound(result, channel) & np.isfinite(left)
        out.append(check(channel, lines, left[mine], c.temp_c[mine], float(pressures.noise[j]), settings))
    return sorted(out, key=lambda one: (one.lines, one.channel))


def check(
    channel: str, lines: tuple[int, ...], left: Floats, temp_c: Floats, noise: float, settings: Settings = DEFAULTS
) -> Check:
    """A check by what is `left` (n,) of a channel's readings as logarithms, at `temp_c` (n,; NaN where not known), `noise` being the
    standard deviation that the model assumes."""
    n = len(left)
    if n < FEWEST:
        return Check(channel=channel, lines=lines, readings=n)
    off = left - left.mean()
    spread, power = float(off.std(ddof=1)), float(off @ off)
    memory = float(off[1:] @ off[:-1]) / power if power > 0 else 0.0
    outside = float(np.mean(np.abs(off) > _SURE * noise)) if noise > 0 else None
    lean = lean_of(left, temp_c, memory)
    # From so wide a spread on a blockage is told later than from what else is asked for.
    widest = settings.blocked_log_ratio / settings.sigmas
    shares: dict[Remark, float] = {
        "leans": 0.0 if lean is None or lean[1] <= 0 <= lean[2] else abs(lean[0]) / MOST_LEAN_PERCENT,
        "remembers": memory / MOST_MEMORY,
        "wide": spread / widest,
        "outside": 0.0 if outside is None else outside / MOST_OUTSIDE,
    }
    order = sorted(shares, key=lambda name: -shares[name])
    return Check(
        channel=channel,
        lines=lines,
        readings=n,
        spread_percent=100 * float(np.expm1(spread)),
        outside=outside,
        memory=memory,
        memory_limit=_SURE / float(np.sqrt(n)),
        lean_percent=None if lean is None else lean[0],
        lean_low=None if lean is None else lean[1],
        lean_high=None if lean is None else lean[2],
        worst=shares[order[0]],
        remarks=tuple(name for name in order if shares[name] > 1),
    )


REMARKS: Final[tuple[Remark, ...]] = ("leans", "remembers", "wide", "outside")
FEWEST_ALIKE: Final = 20  # channels that others are compared with
FALSE_SHARE: Final = 0.05  # of the channels named, by chance


def outstanding(measured: Floats, beyond: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """What is worth a look of many channels, (n, 4) in the order of `REMARKS`: what is `beyond` its limit, and more so than the rest of
    the fleet, as far as a false share of `FALSE_SHARE` allows. What half of all channels do is how the sensors, the grease or the model
    are, and no channel's own. `measured` (n, 4) are lean, memory, spread and the share outside; NaN where not known. Of fewer than
    `FEWEST_ALIKE` channels nobody can say what is usual: all that is beyond a limit is worth a look."""
    if len(measured) < FEWEST_ALIKE:
        return beyond
    with np.errstate(divide="ignore"):
        told = np.column_stack(
            [np.abs(measured[:, 0]), np.arctanh(np.clip(measured[:, 1], -0.999, 0.999)), np.log(measured[:, 2]),
             np.arcsin(np.sqrt(np.clip(measured[:, 3], 0, 1)))]
        )  # fmt: skip
    enough = np.isfinite(told).sum(axis=0) >= FEWEST_ALIKE
    p = np.column_stack(
        [upper_tail(told[:, k]) if enough[k] else np.full(len(told), np.nan) for k in range(len(REMARKS))]
    )
    return np.asarray(beyond & (discoveries(p, FALSE_SHARE) | ~enough), bool)


def lean_of(left: Floats, temp_c: Floats, memory: float) -> tuple[float, float, float] | None:
    """(percent in 10 degrees, its 95 % limits) of a straight line through what is left; None where temperatures are too few or alike.
    Readings that follow each other are alike: (1 + memory) / (1 - memory) of them count as one."""
    known = np.isfinite(temp_c)
    if known.sum() < FEWEST or np.ptp(np.quantile(temp_c[known], (0.05, 0.95))) < _SPAN_C:
        return None
    x, y = temp_c[known] / 10, left[known]
    x = x - x.mean()
    slope = float(x @ (y - y.mean()) / (x @ x))
    rest = y - y.mean() - slope * x
    kept = float(np.clip(memory, 0.0, 0.95))
    error = float(np.sqrt(rest @ rest / (len(x) - 2) / (x @ x) * (1 + kept) / (1 - kept)))
    low, high = slope - _SURE * error, slope + _SURE * error
    return 100 * float(np.expm1(slope)), 100 * float(np.expm1(low)), 100 * float(np.expm1(high))
