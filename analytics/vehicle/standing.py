"""Where a vehicle stands still: its own stops, closings that vehicles of one depot share, and what silence means.

A vehicle of which nothing is heard stands, or works where its messages cannot get out. Which of the two it is its earlier
silences tell: messages that came late show that it had worked meanwhile. What the others of its depot do tells of closings.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from analytics.vehicle.cycles import Audit
from analytics.vehicle.first_passage import Stops
from analytics.vehicle.history import History
from ingest.arrays import Floats, Ints
from ingest.times import DAY_US

STOP_DAYS: Final = 3.0  # shorter ones are nights and weekends
LONG_DAYS: Final = 4.5  # longer than the weeks that are drawn hold
SILENT_DAYS: Final = 1.0  # from here on a silence is one
MAYBE_CLOSED_DAYS: Final = 2.0  # a vehicle that stands for so long may stand since its depot is closed
MATES: Final = 12  # of a depot are enough to tell whether it is closed
_SHARED: Final = 2 / 3  # of a depot's vehicles that stand together: it is closed
_SHARED_DAYS: Final = 4.0
_LEAST_VEHICLES: Final = 3  # that stand together: fewer do by chance
_LAID_UP_DAYS: Final = 60.0  # a vehicle that stands for longer says nothing of its depot
# Lengths of closings, days from the last work to the next, before a depot's own past tells: whole weeks, mostly two (common
# practice, no source).
_CLOSINGS: Final = np.array([9.5, 14.5, 15.5, 16.5, 16.5, 23.5])
_ALIKE: Final = 0.7  # earlier silences that lasted at least so much of this one tell of it
# Before earlier silences tell: share in which a vehicle worked, and for how many silences that counts.
_WORKED: Final = (0.4, 1.5)
# Of messages that the ignition is off so many never come, before earlier silences tell; and for how many silences that counts.
_UNHEARD_OFF: Final = (0.03, 10.0)


@dataclass(frozen=True)
class Mate:
    """Another vehicle of the depot: its stretches of at least STOP_DAYS without a cycle (begin, end), the last perhaps still
    going on, and when it was first heard."""

    first_us: int
    stops: tuple[tuple[int, int], ...]


@dataclass(frozen=True)
class Yard:
    """What is known of a vehicle's depot: the other vehicles there, and the stretches (begin, end) in which its calendar says that it
    is closed, past and to come."""

    mates: Sequence[Mate] = ()
    closed: Sequence[tuple[int, int]] = ()


NO_YARD: Final = Yard()


@dataclass(frozen=True)
class Closing:
    """A closing of a depot that goes on: since when, and lengths in days that it may have in all."""

    since_us: int
    days: Floats


def stops_of(at_us: Ints, as_of_us: int, least_days: float = STOP_DAYS) -> tuple[tuple[int, int], ...]:
    """Stretches of at least so many days without a cycle: (begin, end), the last one perhaps still going on."""
    at_us = at_us[at_us <= as_of_us]
    ends = np.append(at_us[1:], as_of_us)
    return tuple((int(at_us[k]), int(ends[k])) for k in np.flatnonzero(ends - at_us >= least_days * DAY_US))


def shared(mates: Sequence[Mate], as_of_us: int) -> list[tuple[int, int]]:
    """Stretches in which two thirds of a depot's vehicles, three at least, stood together for longer than a weekend: (begin, end), by
    time."""
    turns: list[tuple[int, int, int]] = []  # when, how many more stand, how many more there are
    for mate in mates:
        turns.append((mate.first_us, 0, 1))
        for begin_us, end_us in mate.stops:
            laid_up = end_us - begin_us > _LAID_UP_DAYS * DAY_US
            turns.append((begin_us, 0 if laid_up else 1, -1 if laid_up else 0))
            turns.append((end_us, 0 if laid_up else -1, 1 if laid_up else 0))
    found: list[tuple[int, int]] = []
    stand = there = 0
    since_us: int | None = None
    for at_us, more, others in sorted(turns):
        if at_us >= as_of_us:  # whatever ends now goes on
            break
        stand, there = stand + more, there + others
        closed = stand >= max(_LEAST_VEHICLES, _SHARED * there)
        if closed and since_us is None:
            since_us = at_us
        elif not closed and since_us is not None:
            found.append((since_us, at_us))
            since_us = None
    if since_us is not None:
        found.append((since_us, as_of_us))
    return [(a, b) for a, b in found if b - a >= _SHARED_DAYS * DAY_US]


def closing(found: Sequence[tuple[int, int]], as_of_us: int) -> Closing | None:
    """The closing, of those that a depot's vehicles shared, that goes on; how long it may be is told by those before it."""
    if not found or found[-1][1] < as_of_us:
        return None
    past = [(b - a) / DAY_US for a, b in found[:-1]]
    return Closing(found[-1][0], np.array([*_CLOSINGS, *(3 * past)]))


def worked_unheard(history: History, audit: Audit, closed: Sequence[tuple[int, int]]) -> tuple[Floats, Floats, Floats]:
    """Earlier silences, of those that lasted for at least SILENT_DAYS: how long nothing came, days; whether (1 or 0) it had worked
    meanwhile, as messages told that came later or never came; and whether its ignition was on (NaN: not known) by what had been heard.
    Those of a time at which its depot was closed tell nothing."""
    cycles = history.cycles
    arrived = np.flatnonzero(cycles.received_us >= 0)
    order = arrived[np.argsort(cycles.received_us[arrived], kind="stable")]
    received_us, newest_us = cycles.received_us[order], np.maximum.accumulate(cycles.at_us[order])
    gaps = np.flatnonzero(np.diff(received_us) >= SILENT_DAYS * DAY_US)
    since_us, until_us = newest_us[gaps], received_us[gaps + 1]
    margin_us = DAY_US // 8
    ran = np.r_[0, np.cumsum(1 + audit.lost)]
    a, b = (np.searchsorted(cycles.at_us, t) for t in (since_us + margin_us, until_us - margin_us))
    meant = (until_us - since_us) >= SILENT_DAYS * DAY_US
    for begin_us, end_us in closed:
        meant &= 2 * (np.minimum(until_us, end_us) - np.maximum(since_us, begin_us)) < until_us - since_us
    days = (until_us - since_us) / DAY_US
    worked = (ran[np.maximum(a, b)] - ran[a] > 0).astype(np.float64)
    return days[meant], worked[meant], _ignition_heard(history, (received_us[gaps] + until_us) // 2)[meant]


def _ignition_heard(history: History, at_us: Ints) -> Floats:
    """(n,) whether the ignition was on (1 or 0) by the newest message of it that had arrived at each time; NaN where none had."""
    ignitions = history.ignitions
    order = np.argsort(ignitions.received_us, kind="stable")
    newest = np.maximum.accumulate(ignitions.at_us[order]) if len(order) else np.zeros(0, np.int64)
    arrived = np.searchsorted(ignitions.received_us[order], at_us, "right") - 1
    on = np.full(len(at_us), np.nan)
    for k in np.flatnonzero(arrived >= 0):
        on[k] = ignitions.on[np.searchsorted(ignitions.at_us, newest[arrived[k]], "right") - 1]
    return on


def chance_of_work(days: Floats, worked: Floats, silent_days: float, together: bool) -> float:
    """How likely a vehicle works that has been silent for so long, by its earlier silences; little where its depot stands together."""
    alike = days >= _ALIKE * silent_days
    share, weight = _WORKED
    chance = (float(worked[alike].sum()) + share * weight) / (float(alike.sum()) + weight)
    return 0.1 * chance if together else chance


def off_unheard(worked: Floats, on: Floats) -> float:
    """The share of its stops of which it was not heard that the ignition was off, by its earlier silences."""
    share, weight = _UNHEARD_OFF
    stood = (worked == 0) & np.isfinite(on)
    return (share * weight + float(on[stood].sum())) / (weight + float(stood.sum()))


def given_ignition(chance: float, on: bool | None, on_share: float, unheard: float) -> float:
    """The chance that it works, given whether its ignition was on when it was heard last (None: nothing tells). Whoever parks switches
    it off, which is `unheard` in some cases; coverage is left at any hour, on in `on_share` of them, so that off tells a little of
    parking, too (Bayes' rule)."""
    if on is None:
        return chance
    working, parked = (on_share, unheard) if on else (1 - on_share, 1 - unheard)
    told = chance * working + (1 - chance) * parked
    return chance * working / told if told > 0 else chance


def remaining(lengths: Floats, elapsed_days: float, rng: np.random.Generator, paths: int) -> Floats:
    """(paths,) days that a stop goes on which has lasted so long already, drawn from the lengths of stops."""
    longer = lengths[lengths > elapsed_days]
    if not len(longer):  # longer than any: as long again, more or less
        return np.asarray(rng.exponential(max(elapsed_days, 3.0) * 0.5, paths))
    return np.asarray(rng.choice(longer, paths) - elapsed_days)


def standing(
    history: History, audit: Audit, stops: Stops, yard: Yard, heard_us: int, rng: np.random.Generator, paths: int
) -> tuple[float, Floats, bool]:
    """Of a vehicle that was heard last at `heard_us`: how likely it has worked unheard since; where it has not, the days (paths,) from
    then on in which it stands; and whether its depot is closed. A silence that is none yet is work as usual."""
    as_of_us, last_us = history.as_of_us, int(history.cycles.at_us[-1])
    silent, idle = (as_of_us - heard_us) / DAY_US, (as_of_us - last_us) / DAY_US
    stands = np.full(paths, silent)
    known = any(begin_us <= as_of_us < end_us for begin_us, end_us in yard.closed)
    own = Mate(int(history.heard_us[0]), stops_of(history.cycles.at_us, as_of_us))
    closings = shared([own, *yard.mates], as_of_us)
    together = closing(closings, as_of_us) if idle >= MAYBE_CLOSED_DAYS and not known else None
    if together is not None:
        elapsed = (as_of_us - together.since_us) / DAY_US
        stands += remaining(together.days, elapsed, rng, paths)
    elif idle > LONG_DAYS and not known:
        stands += remaining(stops.days, idle, rng, paths)
    elif silent < SILENT_DAYS:
        return 1.0, np.zeros(paths), known
    shut = known or together is not None
    if silent < SILENT_DAYS:
        return 0.0, stands, shut
    days, worked, left_on = worked_unheard(history, audit, [*closings, *yard.closed])
    chance = chance_of_work(days, worked, silent, shut)
    on = history.ignitions.on[-1] == 1 if len(history.ignitions) else None
    heard_days = (int(history.heard_us[-1]) - int(history.heard_us[0])) / DAY_US
    on_share = (history.heard_h[-1] - history.heard_h[0]) / 24 / max(heard_days, 1.0)
    chance = given_ignition(chance, on, float(np.clip(on_share, 0.05, 0.95)), off_unheard(worked, left_on))
    return chance, stands, shut
