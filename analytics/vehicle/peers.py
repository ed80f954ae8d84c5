"""What sister vehicles lend a vehicle whose own history is short: the weeks in which they worked.

A vehicle heard for a few days has shown neither its weekend nor its busy days. Vehicles of its class, those of its depot first,
have: their weeks, set to the vehicle's own timer and to its own pace as far as that is known, stand in for its own.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from ingest.arrays import Floats, Ints
from ingest.times import DAY_US

SHORT_DAYS: Final = 28  # a history as long as this has weeks of its own to draw from
WEEKS: Final = 6
SISTERS: Final = 12
_WEEK_US: Final = 7 * DAY_US
_MONDAY_US: Final = 4 * DAY_US  # 1970-01-05
# How far vehicles of one class differ in use, and how far one day's use differs from the next, as logarithms.
_BETWEEN_SD: Final = 0.35
_DAY_SD: Final = 0.5


@dataclass(frozen=True)
class Sister:
    """Another vehicle's cycles in the weeks before the last Monday, and its timer's interval."""

    cycles_us: Ints
    interval_min: float


@dataclass(frozen=True)
class Lent:
    """Weeks to draw from, as times of cycles in days from the as-of on; how many own cycles each stands for; and how sure that is
    (standard deviation of its logarithm)."""

    weeks: list[Floats]
    pace: Floats
    pace_sd: float


def span_us(as_of_us: int) -> tuple[int, int]:
    """The whole weeks that are lent at `as_of_us`: up to the last Monday 00:00 UTC, so that they change once a week."""
    monday_us = (as_of_us - _MONDAY_US) // _WEEK_US * _WEEK_US + _MONDAY_US
    return monday_us - WEEKS * _WEEK_US, monday_us


def lent(sisters: Sequence[Sister], interval_min: float, heard_us: int, cycles: int, as_of_us: int) -> Lent | None:
    """What `sisters` lend a vehicle that was first heard at `heard_us` and made so many cycles since; None where they stood still."""
    first_us, end_us = span_us(as_of_us)
    ahead = (as_of_us - end_us) / DAY_US  # days since Monday
    weeks, scale = list[Floats](), list[float]()
    for sister in sisters:
        for start_us in range(first_us, end_us, _WEEK_US):
            a, b = np.searchsorted(sister.cycles_us, [start_us, start_us + _WEEK_US])
            if b > a:
                weeks.append(np.sort(((sister.cycles_us[a:b] - start_us) / DAY_US - ahead) % 7))
                scale.append(sister.interval_min / interval_min)
    if not weeks:
        return None
    share = np.array(scale)
    days = (as_of_us - heard_us) / DAY_US
    partial = 7 - days % 7  # the part of a week, before the as-of, that was seen once more than the others
    expected = float(
        np.mean([k * (len(w) * (days // 7) + (w >= partial).sum()) for w, k in zip(weeks, share, strict=True)])
    )
    if min(expected, cycles) < 1:
        return None
    known = _BETWEEN_SD**2 / (_BETWEEN_SD**2 + _DAY_SD**2 / days)
    return Lent(weeks, share * (cycles / expected) ** known, float(_BETWEEN_SD * np.sqrt(1 - known)))
