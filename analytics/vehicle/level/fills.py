"""When the reservoir was filled and how much came in, by the readings on both sides."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from analytics.fills import Fill
from analytics.vehicle.history import History
from analytics.vehicle.level.readings import Readings, SheetUse, used_until
from analytics.vehicle.level.segments import Segment
from ingest.times import HOUR_US, LONG_AGO_US

_ONE_DELIVERY_US: Final = HOUR_US  # fills that lie no further apart are one
_MOST_PCT: Final = 115.0  # that is shown of a level after a fill
_FULLEST_PCT: Final = 108.0  # nobody fills it further, the noise of a reading included (common practice, no source)
_DOUBT_PCT: Final = 3.0  # of a reading that says it was


@dataclass(frozen=True)
class FillSeen:
    """A fill as it shows in the readings."""

    at_us: int  # start of its segment
    read_us: int  # the first reading that lies above
    detected_us: int
    dose_ratio: float  # until then


def fill_time(history: History, after_us: int, before_us: int) -> int:
    """When between two readings it was filled: at the end of the longest stop, as vehicles are filled standing."""
    heard = history.heard_us
    inside = heard[(heard >= after_us) & (heard <= before_us)]
    if len(inside) < 2:
        return (after_us + before_us) // 2
    longest = int(np.argmax(np.diff(inside)))
    return int(inside[longest] + 0.8 * (inside[longest + 1] - inside[longest]))


def room_since_us(
    history: History, use: SheetUse, readings: Readings, j: int, before: Segment, dose_ratio: float
) -> int:
    """Since when there was room for the fill that reading `j` shows: earlier it would not have fitted in. What is more than a reservoir
    holds was filled in several times, once of which may be any time."""
    used, reading = float(readings.used_pct[j]), float(readings.level_pct[j])
    if reading - max(before.level(used, dose_ratio)[0], before.floor) > _FULLEST_PCT:
        return LONG_AGO_US
    since = used - max(_FULLEST_PCT - reading, _DOUBT_PCT) / dose_ratio
    done = int(np.searchsorted(use.total, since))
    return int(history.cycles.at_us[done - 1]) if done else LONG_AGO_US


def measured(
    history: History, use: SheetUse, segments: Sequence[Segment], fills: Sequence[FillSeen], sound_dose_ratio: float
) -> tuple[Fill, ...]:
    """The fills with their sizes, from the readings on both sides; while readings go on rising within the hour, it is one
    delivery. What went in is the rise and what was used meanwhile, also where that is more than a reservoir holds: then nobody read the
    level in between, and it was filled several times."""
    starts = {segment.start_us: n for n, segment in enumerate(segments)}
    found: list[Fill] = []
    before_pct = 0.0  # the first of one delivery
    rising_us = LONG_AGO_US
    for seen in fills:
        used = float(used_until(history, use, np.array([seen.at_us]))[0])
        from_to = _size(segments, starts[seen.at_us], used, seen.dose_ratio, sound_dose_ratio)
        if from_to is None:
            continue
        from_pct, to_pct = from_to
        at_us, detected_us = seen.at_us, seen.detected_us
        if found and seen.read_us - rising_us <= _ONE_DELIVERY_US:
            first = found.pop()
            at_us, detected_us, from_pct = first.at_us, first.detected_us, before_pct
        rising_us, before_pct = seen.detected_us, from_pct
        litres = max(0.0, (to_pct - from_pct) / 100 * history.setup_of(at_us).reservoir_l)
        from_pct, to_pct = max(from_pct, 0.0), min(to_pct, _MOST_PCT)
        found.append(
            Fill(at_us=at_us, detected_us=detected_us, from_pct=from_pct, to_pct=to_pct, litres=round(litres, 3))
        )
    return tuple(found)


def _size(
    segments: Sequence[Segment], n: int, used: float, dose_ratio: float, sound_dose_ratio: float
) -> tuple[float, float] | None:
    """Percent before and after a fill that began segment `n`, as counted; None where readings on one side are missing."""
    to, support = segments[n].level_at_start(used, sound_dose_ratio)
    before = next((s for s in reversed(segments[:n]) if s.reading), None)
    from_, known = before.level(used, dose_ratio) if before else (np.nan, 0)
    return (round(max(from_, before.floor), 1), round(to, 1)) if before and support and known else None
