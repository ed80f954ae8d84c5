"""When a reservoir reaches its low mark if nobody fills it: the 10, 50 and 90 % points of a first passage.

Grease goes with the cycles, and the cycles go with the vehicle's calendar. Whole past weeks are therefore drawn again,
recent ones more often, hour by hour as they were; parks are drawn apart, since they are longer than a week and come
rarely. The level now and the grease per cycle are drawn from their uncertainties.
"""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from statistics import NormalDist
from typing import Any, Final
from zlib import crc32

import numpy as np

from analytics.settings import Settings
from analytics.vehicle.cycles import Audit
from analytics.vehicle.history import History
from analytics.vehicle.level import Reservoir, percent_of_reservoir
from analytics.vehicle.peers import Sister, lent
from ingest.arrays import Floats, Ints
from ingest.times import DAY_US, rfc3339
from ingest.work import Work

_WEEK_US: Final = 7 * DAY_US
_WEEKS: Final = 16
_HALF_LIFE_WEEKS: Final = 5.0
_PATHS: Final = 400
# Standard normal, spread evenly over the paths: chance is left to what has no such shape.
_NORMAL: Final = np.array([NormalDist().inv_cdf((k + 0.5) / _PATHS) for k in range(_PATHS)])
# Parks: before a vehicle's own past tells, one every 30 weeks, of two weeks on average.
_PARK_PER_WEEK: Final = 1 / 30
_PARK_PRIOR_WEEKS: Final = 20.0
_PARK_DAYS: Final = 15.0
_PARK_FROM_DAYS: Final = 4.5
_SAME_SETTING: Final = 0.05
_DRIFT_SD: Final = 0.16  # how far the use of the weeks to come may lie from that of the weeks drawn


@dataclass(frozen=True)
class Refill:
    """The forecast at `as_of_us`; due times are None where they are unknown or more than the horizon away."""

    as_of_us: int
    level_pct: float | None
    low_mark_pct: float
    due_early_us: int | None
    due_expected_us: int | None
    due_late_us: int | None
    litres_to_full: float | None
    cm3_per_cycle: float
    sound_cm3_per_cycle: float  # the same while nothing is lost or held back
    cycles_per_day: float | None
    state: str
    reason: str | None  # why nothing is known, or that it is far off
    basis: str | None = None  # what the level rests on, where no reading tells

    def to_row(self) -> dict[str, Any]:
        """As it is kept in a database."""
        return asdict(self)

    @staticmethod
    def from_row(row: Mapping[str, Any]) -> "Refill":
        """What `to_row` made."""
        return Refill(**row)

    @property
    def use_l_a_day(self) -> float | None:
        """Litres that the cycles of a day use, at the pace of the last four weeks; None where it is not known."""
        return self.cycles_per_day * self.cm3_per_cycle / 1000 if self.cycles_per_day else None

    def as_json(self, fleet: str, vehicle: str) -> dict[str, Any]:
        """The forecast as `tallow refills --json` prints it."""

        def time(us: int | None) -> str | None:
            return None if us is None else rfc3339(us)

        return {
            "fleet": fleet,
            "vehicle": vehicle,
            "as_of": rfc3339(self.as_of_us),
            "level_pct": self.level_pct,
            "low_mark_pct": self.low_mark_pct,
            "due_early": time(self.due_early_us),
            "due_expected": time(self.due_expected_us),
            "due_late": time(self.due_late_us),
            "litres_to_full": self.litres_to_full,
            "cm3_per_cycle": self.cm3_per_cycle,
            "sound_cm3_per_cycle": self.sound_cm3_per_cycle,
            "cycles_per_day": self.cycles_per_day,
            "state": self.state,
            "reason": self.reason,
            "basis": self.basis,
        }


def first_passage(
    needed: Floats, weeks: list[Floats], weights: Floats, delay_days: Floats, parks: tuple[float, float],
    horizon_days: int, rng: np.random.Generator, pace: Floats | None = None, seasonal: int = 0,
) -> Floats:  # fmt: skip
    """Days until `needed` cycles are done, one path for each of them: shape (paths,), inf beyond the horizon.

    `weeks` hold the times of the cycles of past weeks (days since the week's start, ascending), to be drawn with
    `weights`; `parks` is (chance a week, mean days); `delay_days` (paths,) passes before anything runs. `pace` (weeks,) is how
    many cycles one of each week stands for, where the timer is set otherwise now. The last `seasonal` of `weeks` are those of a year
    ago in their order: every other path goes by them as far as they reach.
    """
    pace = np.ones(len(weeks)) if pace is None else pace
    paths, ahead = len(needed), int(np.ceil(horizon_days / 7)) + 1
    counts = np.array([len(week) for week in weeks], np.float64) * pace
    mean = float(counts[: len(weights)] @ weights)
    if mean <= 0:
        return np.full(paths, np.inf)
    recent = len(weeks) - seasonal
    # As many weeks as do for all but one path in 30,000: four standard deviations of their sum, and what the season holds back.
    spread = float(np.sqrt(weights @ (counts[:recent] / mean - 1) ** 2))
    held_back = float(np.maximum(0.0, 1 - counts[recent:] / mean).sum())
    enough = (2 * spread + np.sqrt(4 * spread**2 + np.max(needed) / mean + held_back)) ** 2
    ahead = int(min(ahead, np.ceil(enough) + 1))
    drawn = np.searchsorted(np.cumsum(weights[:-1]), rng.random((paths, ahead)), side="right")
    drawn[::2, :seasonal] = recent + np.arange(min(seasonal, ahead))
    rests = rng.random((paths, ahead)) < parks[0]
    parked = np.zeros((paths, ahead))
    parked[rests] = rng.exponential(parks[1], np.count_nonzero(rests))
    start = delay_days[:, None] + 7.0 * np.arange(ahead) + np.cumsum(parked, axis=1)
    done = np.cumsum(counts[drawn], axis=1)
    week = np.argmax(done >= needed[:, None], axis=1)
    reached = done[np.arange(paths), week] >= needed
    # The cycle of that week at which it is: all weeks' times one after another.
    path = np.flatnonzero(reached)
    last, which = week[path], drawn[path, week[path]]
    before = np.where(last > 0, done[path, np.maximum(last - 1, 0)], 0.0)
    length = np.array([len(one) for one in weeks])
    begin, times = np.cumsum(length) - length, np.concatenate(weeks)
    position = np.maximum(0, np.ceil((needed[path] - before) / pace[which]).astype(np.intp) - 1)
    days = np.full(paths, np.inf)
    days[path] = start[path, last] + times[begin[which] + np.minimum(position, length[which] - 1)]
    return np.where(days <= horizon_days, days, np.inf)


def _past_weeks(
    cycles_us: Ints, counts: Ints, pace: Floats, first_us: int, as_of_us: int
) -> tuple[list[Floats], Floats, Floats]:
    """Times of the cycles (days since the week's start) of the weeks that end at `as_of_us`, newest first, weights, and paces."""
    whole = min(_WEEKS, (as_of_us - first_us) // _WEEK_US)
    weeks, paces = list[Floats](), list[float]()
    starts = as_of_us - np.arange(int(whole) + 1) * _WEEK_US
    rows = np.searchsorted(cycles_us, starts).tolist()
    times = (cycles_us - as_of_us) % _WEEK_US / DAY_US
    own, single = bool((pace == 1.0).all()), bool((counts == 1).all())
    for a, b in zip(rows[1:], rows, strict=False):
        weeks.append(times[a:b] if single else np.repeat(times[a:b], counts[a:b]))
        paces.append(1.0 if own or b == a else float(np.average(pace[a:b], weights=counts[a:b])))
    weights = 0.5 ** (np.arange(int(whole)) / _HALF_LIFE_WEEKS)
    return weeks, weights, np.array(paces)


def _year_ago(cycles_us: Ints, counts: Ints, first_us: int, as_of_us: int) -> tuple[list[Floats], Floats]:
    """The weeks of a year ago that correspond to those ahead, and how many of its cycles of today one of each stands for: the
    season, and feasts at which everything stands still. Empty where the history does not reach so far."""
    then_us = as_of_us - 52 * _WEEK_US
    if first_us > then_us - 8 * _WEEK_US:
        return [], np.zeros(0)
    before, lately = (
        float(counts[(cycles_us > at_us - 8 * _WEEK_US) & (cycles_us <= at_us)].sum()) for at_us in (then_us, as_of_us)
    )
    if min(before, lately) < 1:
        return [], np.zeros(0)
    weeks = []
    for start_us in range(then_us, as_of_us - 26 * _WEEK_US, _WEEK_US):
        a, b = np.searchsorted(cycles_us, [start_us, start_us + _WEEK_US])
        weeks.append(np.repeat((cycles_us[a:b] - start_us) / DAY_US, counts[a:b]))
    return weeks, np.full(len(weeks), np.clip(lately / before, 0.5, 2.0))


def _parks(at_us: Ints, as_of_us: int) -> list[tuple[int, int]]:
    """Stretches without a cycle for longer than ordinary stops: (begin, end), the last one perhaps still going on."""
    ends = np.append(at_us[1:], as_of_us)
    days = (ends - at_us) / DAY_US
    stops = days[days > 0.25]
    ninth = int(0.9 * len(stops))  # of ten
    ordinary = float(np.partition(stops, ninth)[ninth]) if len(stops) >= 5 else 3.0
    limit = max(_PARK_FROM_DAYS, 1.6 * min(ordinary, 4.0))
    return [(int(at_us[k]), int(ends[k])) for k in np.flatnonzero(days > limit)]


def _pace(audit: Audit) -> Floats:
    """(cycles,) how many cycles each would be under the timer's present setting; small differences are the timer's own."""
    if not len(audit.interval_h):
        return np.zeros(0)
    ratio = audit.interval_h / audit.interval_h[-1]
    return np.where(np.abs(ratio - 1) > _SAME_SETTING, ratio, 1.0)


def forecast(
    history: History, audit: Audit, reservoir: Reservoir, settings: Settings, sisters: Sequence[Sister] = ()
) -> Refill:
    """The refill forecast of one vehicle; `sisters` lend it their weeks while its own history is short."""
    setup, as_of = history.setup, history.as_of_us
    dose_cm3 = setup.dose_cm3 * reservoir.dose_ratio * reservoir.run_ratio
    at_us = history.cycles.at_us
    ran, pace = 1 + audit.lost, _pace(audit)
    days = (as_of - int(history.heard_us[0])) / DAY_US if len(at_us) else 0.0
    recent = at_us > as_of - 28 * DAY_US
    per_day = float((ran * pace)[recent].sum() / min(days, 28.0)) if days >= 1 else None
    level, level_sd, low_since_us = reservoir.level_pct, reservoir.level_sd, reservoir.low_since_us
    counted, reached_us = _counted(history, reservoir), None
    if counted is not None:
        level, level_sd, low_since_us, reached_us = counted

    def answer(
        state: str, reason: str | None, due: tuple[int | None, int | None, int | None] = (None, None, None),
        basis: str | None = None,
    ) -> Refill:  # fmt: skip
        return Refill(
            as_of, None if level is None else round(level, 1), setup.low_mark_pct, *due,
            None if level is None else round(max(0.0, 100 - level) / 100 * setup.reservoir_l, 2),
            round(dose_cm3, 2), round(setup.dose_cm3 * reservoir.baseline_dose_ratio, 2),
            None if per_day is None else round(per_day, 1), state, reason, basis,
        )  # fmt: skip

    if level is None:
        return answer("unknown", _why_no_level(history))
    if level <= setup.low_mark_pct or low_since_us is not None:
        since = low_since_us if low_since_us is not None else reached_us
        since = since if since is not None else _reached_us(history, reservoir)
        return answer("due", None, (since, since, since))
    if per_day is None or days < 3:
        return answer("unknown", "less than three days are recorded")
    due_days = _draw(history, ran, pace, level, level_sd, dose_cm3, reservoir.dose_ratio_sd, settings, sisters)
    if due_days is None:
        return answer("unknown", "the pump has not run in the weeks on record")
    points = np.sort(due_days)[[round(q * _PATHS) - 1 for q in (0.1, 0.5, 0.9)]]  # so many paths are there by then
    due = tuple(None if not np.isfinite(d) else as_of + int(d * DAY_US) for d in points)
    reason = f"further away than {settings.horizon_days} days" if due[1] is None else None
    basis = None
    if counted is not None:
        basis = (
            "level counted from the cycles since the low-level switch last changed"
            if setup.level == "switch" and _switched_last(history)
            else "level counted from the cycles since a fill was recorded"
        )
    elif reservoir.by_counting:
        basis = "the level sensor cannot be trusted; the level is counted from the cycles"
    soon = due[0] is not None and due[0] <= as_of + settings.lead_time_days * DAY_US
    return answer("soon" if soon else "ok", reason, (due[0], due[1], due[2]), basis)


def _reached_us(history: History, reservoir: Reservoir) -> int:
    """When the level, which is at the low mark or below now, got there: with the first cycle after it was last above, or with the
    latest reading."""
    mark, track = history.setup.low_mark_pct, reservoir.level_at_cycle_pct
    above, below = np.flatnonzero(track > mark), np.flatnonzero(track <= mark)
    below = below[below > (above[-1] if len(above) else -1)]
    if len(above) and len(below):
        return int(history.cycles.at_us[below[0]])
    return history.as_of_us if reservoir.read_us is None else reservoir.read_us


def _draw(
    history: History,
    ran: Ints,
    pace: Floats,
    level: float,
    level_sd: float,
    dose_cm3: float,
    share_sd: float,
    settings: Settings,
    sisters: Sequence[Sister],
) -> Floats | None:
    setup, as_of, at_us = history.setup, history.as_of_us, history.cycles.at_us
    # The same question gets the same answer: the generator starts from the vehicle's name.
    rng = np.random.default_rng(crc32(f"{setup.fleet}/{setup.vehicle}".encode()))
    weeks, weights, paces = _past_weeks(at_us, ran, pace, int(at_us[0]), as_of)
    idle = _parks(at_us, as_of)
    ends = range(as_of, as_of - _WEEK_US * len(weeks), -_WEEK_US)
    active = np.array(
        [len(week) > 0 and not any(a < end - DAY_US and b > end - 6 * DAY_US for a, b in idle)
         for week, end in zip(weeks, ends, strict=True)], bool,
    )  # fmt: skip
    drift = _DRIFT_SD
    borrowed = (
        lent(sisters, setup.interval_min, int(history.heard_us[0]), int(ran.sum()), as_of) if active.sum() < 2 else None
    )
    if borrowed is not None:
        weeks, paces, drift = borrowed.weeks, borrowed.pace, float(np.hypot(drift, borrowed.pace_sd))
        weights, active, parks = np.ones(len(weeks)), np.ones(len(weeks), bool), (_PARK_PER_WEEK, _PARK_DAYS)
    elif active.sum() < 2:
        # Too little for a calendar: the cycles so far, spread evenly over a week.
        span_days = max((as_of - int(history.heard_us[0])) / DAY_US, 1.0)
        rate = float((ran * pace).sum()) / span_days
        number = round(7 * rate)
        if number < 1:
            return None
        weeks, weights, paces = [np.linspace(0, 7, number, endpoint=False)], np.ones(1), np.ones(1)
        drift, parks, active = 0.35, (_PARK_PER_WEEK, _PARK_DAYS), np.ones(1, bool)
    else:
        recent = [(b - a) / DAY_US for a, b in idle if b > as_of - len(weeks) * _WEEK_US]
        chance = (len(recent) + _PARK_PER_WEEK * _PARK_PRIOR_WEEKS) / (len(weeks) + _PARK_PRIOR_WEEKS)
        parks = (chance, min(max((sum(recent) + 2 * _PARK_DAYS) / (len(recent) + 2), 5.0), 40.0))
        drift = float(np.hypot(drift, 0.25 / active.sum()))
    chosen = [week for week, use in zip(weeks, active, strict=True) if use]
    weights = weights[active] / weights[active].sum()
    per_cycle_pct = percent_of_reservoir(dose_cm3, setup.reservoir_l)
    now = np.maximum(level + level_sd * rng.permutation(_NORMAL), setup.low_mark_pct + 0.05)
    factor = np.exp(np.hypot(share_sd, drift) * rng.permutation(_NORMAL))
    needed = np.maximum(1.0, (now - setup.low_mark_pct) / (per_cycle_pct * factor))
    parked = bool(idle) and idle[-1][1] == as_of
    delay = rng.exponential(parks[1], _PATHS) if parked else np.zeros(_PATHS)
    seasonal, their_pace = _year_ago(at_us, ran, int(history.heard_us[0]), as_of)
    return first_passage(
        needed, chosen + seasonal, weights, delay, parks, settings.horizon_days, rng, np.r_[paces[active], their_pace],
        len(seasonal),
    )  # fmt: skip


def _switched_last(history: History) -> bool:
    """Whether the low-level switch changed after the latest recorded fill."""
    changed = [
        int(at) for at, code in zip(history.faults.at_us, history.faults.code, strict=True) if code == "level_low"
    ]
    return not _recorded_fills(history) or bool(changed and changed[-1] > _recorded_fills(history)[-1].at_us)


def _recorded_fills(history: History) -> list[Work]:
    return [work for work in history.work if work.kind == "filled"]


def filled_to(work: Work, history: History, reservoir: Reservoir) -> float:
    """The level after a recorded fill, percent: as it says, or by its litres on top of the level then; about full where neither is
    known."""
    before = int(np.searchsorted(history.cycles.at_us, work.at_us)) - 1
    level = float(reservoir.level_at_cycle_pct[before]) if before >= 0 else np.nan
    if work.to_pct is not None:
        return work.to_pct
    if work.litres is not None and np.isfinite(level):
        return float(np.clip(level + 100 * work.litres / history.setup.reservoir_l, 0, 105))
    return 95.0


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
    known += [
        (work.at_us, filled_to(work, history, reservoir), 3.0 if work.to_pct is not None else 5.0)
        for work in fills.values()
    ]
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


def _why_no_level(history: History) -> str:
    if history.setup.level == "none":
        return "there is no level sensor"
    if history.setup.level == "switch":
        return "there is a low-level switch only, and it has not changed yet"
    return "no level reading can be trusted yet"
