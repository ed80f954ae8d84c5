"""Silence: nothing heard for longer than the stops before it explain."""

from collections.abc import Sequence
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from analytics.findings import Episode
from analytics.settings import Settings
from analytics.vehicle.history import History
from ingest.arrays import Common, Ints
from ingest.times import DAY_US, HOUR_US, LONG_AGO_US, microseconds

_NEVER_HEARD_US: Final = 7 * DAY_US  # after commissioning or registering (as contracted)
_LIKE_BEFORE: Final = 1.1  # stops within a tenth of one that was made before are as long as that


def analyse(
    history: History,
    settings: Settings,
    recorded_since_us: int | None = None,
    closed: Sequence[tuple[int, int]] = (),
) -> list[Episode]:
    """Stretches in which nothing was heard for longer than the stops before them explain, those (begin, end) left out in which its depot's
    calendar says that it is closed; of a vehicle never heard, since anything of its fleet was (`recorded_since_us`)."""
    if not history.setup.controller:  # there is nothing that could be heard
        return []
    heard = np.unique(history.heard_us)
    if not len(heard):
        return _never_heard(history, recorded_since_us)
    episodes: list[Episode] = []
    longest_h = parked_h = (
        0.0  # of the gaps so far the longest that is no long park, and the longest in which it was switched off
    )
    gaps_h = np.diff(heard, append=history.as_of_us) / HOUR_US
    long = np.flatnonzero(gaps_h >= settings.silent_min_h / 4)
    told = zip(long.tolist(), _at_work(history, heard[long]), _longest_wait_h(history, heard[long]), strict=True)
    for k, at_work, wait_h in told:
        before, after, gap_h = int(heard[k]), int(heard[k + 1]) if k + 1 < len(heard) else None, float(gaps_h[k])
        limit = limit_h([longest_h, wait_h], (before - int(heard[0])) / DAY_US, settings)
        if not at_work:  # it may stand for as long as it ever stood
            limit = max(limit, _LIKE_BEFORE * parked_h)
        detected = _open_until(before, int(limit * HOUR_US), closed)
        for left_us, back_us in history.away():  # nobody expects to hear of it
            if left_us <= detected < back_us:
                detected = back_us + int(limit * HOUR_US)
            elif after is None and detected < left_us <= history.as_of_us:
                after = left_us
        if detected <= history.as_of_us if after is None else detected < after:
            evidence = {"silent_h": round(gap_h, 1), "never_heard": 0.0}
            episodes.append(Episode("silent", None, before, detected, after, evidence))
        longest_h = max(longest_h, gap_h if gap_h <= settings.silent_max_h else 0.0)
        parked_h = parked_h if at_work else max(parked_h, gap_h)
    return episodes


def _open_until(since_us: int, length_us: int, closed: Sequence[tuple[int, int]]) -> int:
    """When so much time has passed since a moment, that in which the depot is closed not counted."""
    until_us = since_us + length_us
    for begin_us, end_us in sorted(closed):
        if end_us > since_us and begin_us < until_us:
            until_us += end_us - max(begin_us, since_us)
    return until_us


def limit_h(gaps_h: list[float], days: float, settings: Settings) -> float:
    """Hours of silence that are out of the ordinary after such gaps, and waits of messages, in `days` days of history.

    The longest ordinary stop with a margin; long parks among the gaps count only up to the upper bound.
    """
    longest = max((g for g in gaps_h if g <= settings.silent_max_h), default=0.0)
    limit = float(min(max(settings.silent_min_h, settings.silent_margin * longest), settings.silent_max_h))
    return max(limit, settings.silent_young_h) if days < settings.silent_young_days else limit


def _at_work(history: History, heard: Ints) -> list[bool]:
    """Whether the ignition was on at each time, as the last message of switching up to it said; no where nobody said."""
    switching = history.ignitions
    if not len(switching):
        return [False] * len(heard)
    last = np.searchsorted(switching.at_us, heard, "right") - 1
    on: list[bool] = ((last >= 0) & (switching.on[np.maximum(last, 0)] == 1)).tolist()
    return on


def _longest_wait_h(history: History, heard: Ints) -> list[float]:
    """The longest that a message of up to each time waited before it was received, hours; 0 where receipts are not known."""
    kinds: tuple[Common, ...] = (history.cycles, history.levels, history.ignitions, history.faults, history.states)
    at_us = np.concatenate([rows.at_us for rows in kinds])
    received_us = np.concatenate([rows.received_us for rows in kinds])
    order = np.argsort(at_us, kind="stable")
    waited = np.where(received_us >= 0, received_us - at_us, 0)[order]
    longest = np.maximum.accumulate(np.maximum(waited, 0))
    hours: list[float] = (longest[np.searchsorted(at_us[order], heard, "right") - 1] / HOUR_US).tolist()
    return hours


def _never_heard(history: History, recorded_since_us: int | None) -> list[Episode]:
    """A registered vehicle of which nothing was ever heard, a week after it was commissioned or registered, whichever is later.

    Nothing can be heard before anything is recorded. Where the registering came after `as_of_us`, as with logs that are replayed
    later, the recording tells since when the vehicle should have been heard.
    """
    setup = history.setups[0]
    since = [s.registered_us for s in history.setups if s.registered_us is not None]
    begins = [us for us in since[:1] if us <= history.as_of_us]
    begins += [us for us in (recorded_since_us,) if us is not None and us <= history.as_of_us]
    if since and not begins:  # nobody knew of it then
        return []
    if setup.commissioned is not None:
        day = datetime.combine(setup.commissioned, datetime.min.time(), ZoneInfo(setup.timezone))
        begins.append(microseconds(day))
    began = max(begins, default=LONG_AGO_US)
    detected = began + _NEVER_HEARD_US
    for left_us, back_us in history.away():
        if left_us <= detected < back_us:
            detected = back_us + _NEVER_HEARD_US
    if began == LONG_AGO_US or detected > history.as_of_us:
        return []
    silent_h = round((history.as_of_us - began) / HOUR_US, 1)
    undated = {"undated_messages": float(history.undated)} if history.undated else {}
    return [Episode("silent", None, began, detected, None, {"silent_h": silent_h, "never_heard": 1.0, **undated})]
