"""When a reservoir reaches its low mark if nobody fills it: the 10, 50 and 90 % points of a first passage.

Grease goes with the cycles, and the cycles go with the vehicle's calendar. Whole past weeks are therefore drawn again,
recent ones more often, hour by hour as they were; parks are drawn apart, since they are longer than a week and come
rarely. The level now and the grease per cycle are drawn from their uncertainties.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from statistics import NormalDist
from typing import Final
from zlib import crc32

import numpy as np

from analytics.refills import Refill
from analytics.settings import Settings
from analytics.vehicle.cycles import Audit
from analytics.vehicle.first_passage import Trouble, first_passage
from analytics.vehicle.habits import Runs, closed_days, drift, habits, midnight_us
from analytics.vehicle.history import History
from analytics.vehicle.idle import idle_since_us
from analytics.vehicle.level import Reservoir, percent_of_reservoir
from analytics.vehicle.peers import Sister
from analytics.vehicle.standing import NO_YARD, SILENT_DAYS, STOP_DAYS, Yard, standing
from analytics.vehicle.use import Use, pace_of, use_of
from ingest.arrays import Floats
from ingest.languages.saying import number, say
from ingest.times import DAY_US
from ingest.work import Work

_PATHS: Final = 400
# Standard normal, spread evenly over the paths: chance is left to what has no such shape.
_NORMAL: Final = np.array([NormalDist().inv_cdf((k + 0.5) / _PATHS) for k in range(_PATHS)])
_EVEN: Final = (np.arange(_PATHS) + 0.5) / _PATHS
_UNREAD_DAYS: Final = 7.0  # so long without a reading a level is no reading of these days
_FULL_PCT: Final = 95.0  # to which people fill
_FILL_SD_PCT: Final = 5.0  # of litres that somebody wrote down
_MENDED_DAYS: Final = 21.0  # in the mean, after which somebody mends what is found (common practice, no source)


def forecast(
    history: History, audit: Audit, reservoir: Reservoir, settings: Settings, sisters: Sequence[Sister] = (), yard: Yard = NO_YARD
) -> Refill:  # fmt: skip
    """The refill forecast of one vehicle; `sisters` lend it their weeks while its own history is short, and `yard` tells when
    its depot is closed."""
    setup, as_of = history.setup, history.as_of_us
    dose_cm3 = setup.dose_cm3 * reservoir.dose_ratio * reservoir.run_ratio
    at_us = history.cycles.at_us
    ran, pace, use = 1 + audit.lost, pace_of(audit), use_of(history, audit, reservoir, settings)
    days = (as_of - int(history.heard_us[0])) / DAY_US if len(at_us) else 0.0
    recent = at_us > as_of - 28 * DAY_US
    per_day = float((ran * pace)[recent].sum() / min(days, 28.0)) if days >= 1 else None
    lately = (
        len(history.heard_us) and int(history.heard_us[-1]) > as_of - 28 * DAY_US
    )  # unheard for so long is not known
    level, level_sd, low_since_us = reservoir.level_pct, reservoir.level_sd, reservoir.low_since_us
    counted, reached_us = _counted(history, reservoir), None
    if counted is not None:
        level, level_sd, low_since_us, reached_us = counted

    def answer(
        state: str, reason: str | None, due: tuple[int | None, int | None, int | None] = (None, None, None)
    ) -> Refill:  # fmt: skip
        basis = None if level is None else _basis(history, reservoir, counted is not None)
        return Refill(
            as_of, None if level is None else round(level, 1), setup.low_mark_pct, *due,
            None if level is None else round(max(0.0, 100 - level) / 100 * setup.reservoir_l, 2),
            round(dose_cm3, 2), round(setup.dose_cm3 * reservoir.baseline_dose_ratio, 2),
            round(per_day, 1) if per_day is not None and lately else None, state, reason, basis,
        )  # fmt: skip

    if level is None:
        return answer("unknown", _why_no_level(history, reservoir))
    if level <= setup.low_mark_pct or low_since_us is not None:
        since = low_since_us if low_since_us is not None else reached_us
        since = since if since is not None else _reached_us(history, reservoir)
        return answer("due", None, (since, since, since))
    if per_day is None or days < 3:
        unheard = not len(at_us) and len(history.heard_us) and as_of - int(history.heard_us[0]) >= 3 * DAY_US
        heard = say("no cycle of the pump was ever heard of") if unheard else say("less than three days are recorded")
        return answer("unknown", heard)
    ahead = _draw(history, audit, use, (level, level_sd), reservoir.dose_ratio_sd, settings, sisters, yard)
    if ahead is None:
        return answer("unknown", say("the pump has not run in the weeks on record"))
    points = [
        float(np.sort(told)[round(q * _PATHS) - 1])  # so many paths are there by then
        for q, told in ((0.1, ahead.soonest_us), (0.5, ahead.due_us), (0.9, ahead.due_us))
    ]
    due = tuple(int(d) if np.isfinite(d) and d <= as_of + settings.horizon_days * DAY_US else None for d in points)
    reason = say("further away than {days} days", days=settings.horizon_days) if due[1] is None else None
    soon = due[0] is not None and due[0] <= as_of + settings.lead_time_days * DAY_US
    return answer("soon" if soon else "ok", reason, (due[0], due[1], due[2]))


def _basis(history: History, reservoir: Reservoir, counted: bool) -> str | None:
    """What the level rests on, where it is no reading of these days."""
    if counted and history.setup.level == "switch" and _switched_last(history):
        return say("level counted from the cycles since the low-level switch last changed")
    if counted:
        return say("level counted from the cycles since a fill was recorded")
    if reservoir.by_counting:
        return say("the level sensor cannot be trusted; the level is counted from the cycles")
    idle_us = idle_since_us(history)
    if idle_us is not None:
        days = number((history.as_of_us - idle_us) / DAY_US, 0)
        return say(
            "no cycle was heard of for {days} days, and nothing tells whether the vehicle stands or its pump is dead",
            days=days,
        )
    silent = (history.as_of_us - int(history.heard_us[-1])) / DAY_US
    unread = silent if reservoir.read_us is None else (history.as_of_us - reservoir.read_us) / DAY_US
    if silent >= STOP_DAYS:
        return say("level as it was when the vehicle was last heard, {days} days ago", days=number(silent, 0))
    if unread >= _UNREAD_DAYS:
        return say(
            "level as it was last read, {days} days ago, less what the cycles since have used", days=number(unread, 0)
        )
    return None


def _reached_us(history: History, reservoir: Reservoir) -> int:
    """When the level, which is at the low mark or below now, got there: with the first cycle after it was last above, or with the
    latest reading."""
    mark, track = history.setup.low_mark_pct, reservoir.level_at_cycle_pct
    above, below = np.flatnonzero(track > mark), np.flatnonzero(track <= mark)
    below = below[below > (above[-1] if len(above) else -1)]
    if len(above) and len(below):
        return int(history.cycles.at_us[below[0]])
    return history.as_of_us if reservoir.read_us is None else reservoir.read_us


@dataclass(frozen=True)
class _Ahead:
    """What the paths tell: (paths,) when the level reaches its mark (microseconds, inf beyond the horizon), the same for the early
    end of the window, which silence alone never moves, and how likely the vehicle works where nothing is heard of it."""

    due_us: Floats
    soonest_us: Floats
    works: float


def _draw(
    history: History, audit: Audit, use: Use, level: tuple[float, float], dose_sd: float, settings: Settings,
    sisters: Sequence[Sister], yard: Yard,
) -> _Ahead | None:  # fmt: skip
    """The paths; `level` is (percent, its standard deviation) when the vehicle was heard last. None where it has hardly run."""
    setup, as_of, at_us = history.setup, history.as_of_us, history.cycles.at_us
    # The same question gets the same answer: the generator starts from the vehicle's name.
    rng = np.random.default_rng(crc32(f"{setup.fleet}/{setup.vehicle}".encode()))
    heard_us = max(int(history.heard_us[-1]), int(at_us[-1]))
    origin_us = midnight_us(heard_us, setup.timezone)
    runs = Runs(at_us, 1 + audit.lost, use.pace, int(history.heard_us[0]))
    found = habits(runs, origin_us, setup.interval_min, yard.closed, sisters)
    if found is None:
        return None
    per_cycle_pct = percent_of_reservoir(use.cm3_per_cycle, setup.reservoir_l)
    now = np.maximum(level[0] + level[1] * rng.permutation(_NORMAL), setup.low_mark_pct + 0.05)
    ahead_weeks = (level[0] - setup.low_mark_pct) / (per_cycle_pct * use.trouble) / found.weeks.mean
    drift_sd = float(np.hypot(drift(found.counts, ahead_weeks), found.pace_sd))
    factor = np.exp(np.hypot(dose_sd, drift_sd) * rng.permutation(_NORMAL))
    needed = np.maximum(1.0, (now - setup.low_mark_pct) / (per_cycle_pct * factor))
    begun = (heard_us - origin_us) / DAY_US
    closed = closed_days(yard.closed, runs, origin_us, settings.horizon_days, rng.permutation(_EVEN))
    mended_days = (as_of - origin_us) / DAY_US - _MENDED_DAYS * np.log(rng.permutation(_EVEN))
    trouble = None if use.trouble == 1.0 else Trouble(use.trouble, mended_days)
    seed = rng.integers(1 << 62)

    def paths(stands_days: Floats) -> Floats:
        days = first_passage(
            needed,
            found.weeks,
            settings.horizon_days,
            np.random.default_rng(seed),
            found.stops,
            stands_days,
            closed,
            begun,
            trouble,
        )
        return np.asarray(origin_us + days * DAY_US)

    works, stands_days, shut = standing(history, audit, found.stops, yard, heard_us, rng, _PATHS)
    working_us = paths(np.zeros(_PATHS))
    if works == 1.0:
        return _Ahead(working_us, working_us, 1.0)
    standing_us = paths(begun + stands_days)
    mixed_us = np.where(rng.permutation(_EVEN) < works, working_us, standing_us)
    silent = as_of - heard_us >= SILENT_DAYS * DAY_US and not shut
    return _Ahead(mixed_us, working_us if silent else mixed_us, works)


def _switched_last(history: History) -> bool:
    """Whether the low-level switch changed after the latest recorded fill."""
    changed = [
        int(at) for at, code in zip(history.faults.at_us, history.faults.code, strict=True) if code == "level_low"
    ]
    return not _recorded_fills(history) or bool(changed and changed[-1] > _recorded_fills(history)[-1].at_us)


def _recorded_fills(history: History) -> list[Work]:
    return [work for work in history.work if work.kind == "filled"]


def filled_to(work: Work, history: History, reservoir: Reservoir) -> float:
    """The level after a recorded fill, percent: as it says, or by its litres on top of the level then."""
    return _after_fill(work, history, reservoir)[0]


def _after_fill(work: Work, history: History, reservoir: Reservoir) -> tuple[float, float]:
    """The level after a recorded fill and its standard deviation, percent. Where nobody knows what was left, anything between its litres
    alone and about full is as likely."""
    setup = history.setup
    before = int(np.searchsorted(history.cycles.at_us, work.at_us)) - 1
    level = float(reservoir.level_at_cycle_pct[before]) if before >= 0 else np.nan
    if work.to_pct is not None:
        return work.to_pct, 3.0
    filled_pct = 100 * (work.litres or 0.0) / setup.reservoir_l
    if np.isfinite(level):
        return float(np.clip(level + filled_pct, 0, 105)), _FILL_SD_PCT
    least = min(filled_pct + (setup.low_mark_pct if setup.level == "switch" else 0.0), _FULL_PCT)
    return (least + _FULL_PCT) / 2, max((_FULL_PCT - least) / sqrt(12), _FILL_SD_PCT)


def _counted(history: History, reservoir: Reservoir) -> tuple[float, float, int | None, int | None] | None:
    """(level, its standard deviation, since when it is low, when the count reached the mark) by counting cycles, from the latest
    that is known of the reservoir: a low-level switch that changed or a fill that somebody recorded; None where level readings
    know better."""
    setup, cycles = history.setup, history.cycles
    known: list[tuple[int, float, float]] = []  # when, level, standard deviation
    if setup.level == "switch":
        faults = history.faults
        for at_us, code, active in zip(faults.at_us, faults.code, faults.active, strict=True):
            if code == "level_low":
                # Whoever fills it fills it to about the mark.
                known.append((int(at_us), *((setup.low_mark_pct, 1.0) if active else (93.0, 6.0))))
    fills = {work.at_us: work for work in _recorded_fills(history)}
    known += [(work.at_us, *_after_fill(work, history, reservoir)) for work in fills.values()]
    known = sorted(k for k in known if reservoir.read_us is None or k[0] > reservoir.read_us)
    for n in range(1, len(known)):
        work = fills.get(known[n][0])
        if work is not None and work.to_pct is None and work.litres is not None:  # on top of what was left by then
            between = (cycles.at_us > known[n - 1][0]) & (cycles.at_us <= work.at_us)
            left = known[n - 1][1] - reservoir.dose_ratio * float(reservoir.used_pct[between].sum())
            to_pct = min(105.0, max(0.0, left) + 100 * work.litres / setup.reservoir_l)
            known[n] = (work.at_us, to_pct, float(np.hypot(known[n - 1][2], 3.0)))
    if not known:
        return None
    at_us, level, sd = known[-1]
    later = cycles.at_us > at_us
    after = level - reservoir.dose_ratio * np.cumsum(reservoir.used_pct[later])
    # The switch opens again only once it was filled; a record may come first.
    low = np.flatnonzero(after <= setup.low_mark_pct)
    if level <= setup.low_mark_pct:
        low_since: int | None = at_us
    elif setup.level != "switch" and len(low):
        low_since = int(cycles.at_us[later][low[0]])
    else:
        low_since = None
    now = float(after[-1]) if len(after) else level
    reached = int(cycles.at_us[later][low[0]]) if len(low) else None
    return max(0.0, now), float(np.hypot(sd, 0.1 * (level - now))), low_since, reached


def _why_no_level(history: History, reservoir: Reservoir) -> str:
    if not history.setup.controller:
        return say("there is no reservoir: its points are greased by hand")
    if history.setup.level == "none":
        return say("there is no level sensor")
    if history.setup.level == "switch":
        return say("there is a low-level switch only, and it has not changed yet")
    if reservoir.stands_still:
        return say("the level reading has not moved since it was first heard, although cycles used grease")
    if any("reading_pct" in told.evidence and told.ended_us is None for told in reservoir.episodes):
        return say("the level sensor cannot be trusted: none of its readings can be true")
    return say("no level reading can be trusted yet")
