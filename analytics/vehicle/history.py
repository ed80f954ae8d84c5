"""The history of one vehicle up to a moment: its messages in order of corrected time, its set-ups, and its ignition hours."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analytics.vehicle import cycle_numbers, outside_meters
from analytics.vehicle.clocks import corrected_at
from analytics.vehicle.hour_meter import stood_still, stopped_us
from analytics.vehicle.ignition import Heard, by_timer, by_timer_within, ignition_hours
from analytics.vehicle.repeats import said_once
from ingest.arrays import Cycles, Faults, Floats, Ignitions, Ints, Levels, Messages, Rows, States, chosen, numbered
from ingest.setups import Setup, in_force
from ingest.times import FOREVER_US, LONG_AGO_US
from ingest.work import Work


@dataclass(frozen=True)
class History:
    """What is known of a vehicle at `as_of_us`; every array is in order of corrected time.

    `cycle_h` is ignition-on hours since an arbitrary start, of each cycle. Hours are sure where no lost message can have
    switched the ignition unseen. Between messages of different `heard_doubts` they are good to `doubt_h` only (0 with a fine
    hour meter). Without any meter (`metered`), and from `unmetered_us` on, since when the meter counts no more (None: it counts), they are
    the timer's: each cycle is worth its interval, and nothing else is.
    """

    setups: tuple[Setup, ...]
    cycles: Cycles
    levels: Levels
    ignitions: Ignitions
    faults: Faults
    states: States
    as_of_us: int
    next_us: int | None  # the earliest of what is recorded and comes later: a message of a clock ahead, or a set-up
    cycle_h: Floats
    cycle_sure: NDArray[np.bool_]
    heard_us: Ints  # times at which anything was heard
    heard_h: Floats  # ignition hours at those times
    heard_sure: NDArray[np.bool_]
    heard_seq: Ints
    heard_boot: NDArray[np.str_]
    meter_step_h: float  # resolution of the hours
    heard_doubts: Ints
    cycle_doubts: Ints
    doubt_h: float
    metered: bool
    unmetered_us: int | None
    stood_still: tuple[
        tuple[int, int], ...
    ]  # stretches in which it counted nothing while the pump went on; there the timer does
    undated: int  # messages whose time cannot be known: no finding rests on them
    corrected: int  # messages whose clock was wrong and could be put right
    work: tuple[Work, ...] = ()  # what people did, by its time
    repeated: int = 0  # messages that came once more under another number
    counter_stands: bool = (
        False  # the controller's counter of cycles did not move with the latest: their messages count them
    )

    @property
    def setup(self) -> Setup:
        """The set-up in force at `as_of_us`."""
        return self.setups[-1]

    @property
    def run_s(self) -> Floats:
        """(cycles,) registered run time in force at each cycle, seconds."""
        return np.asarray(self.said("run_s", self.cycles.at_us), np.float64)

    @property
    def temperatures(self) -> tuple[Ints, Floats]:
        """Every reading of the temperature at the pump or in the reservoir: (times (n,), degrees Celsius (n,); NaN where none is)."""
        c, read = self.cycles, self.levels
        return np.concatenate([c.at_us, read.at_us]), np.concatenate([c.temp_c, read.temp_c])

    def said(self, name: str, at_us: Ints) -> Any:
        """What the set-ups in force at each time say of one thing: an array of shape (n,)."""
        return np.array([getattr(setup, name) for setup in self.setups])[self.setup_at(at_us)]

    def setup_of(self, at_us: int) -> Setup:
        """The set-up in force at a time."""
        return in_force(self.setups, at_us)

    def channels_of(self, work: Work) -> tuple[str, ...]:
        """The pressure channels that watch the lines of a record, all lines where it names none."""
        lines = self.setup_of(work.at_us).lines
        return tuple(dict.fromkeys(x.channel for x in lines if x.channel and (not work.lines or x.line in work.lines)))

    def away(self) -> list[tuple[int, int]]:
        """Stretches in which the vehicle is laid up or sold: (from, to), to the end of time while it lasts."""
        told: list[tuple[int, int]] = []
        for one in self.work:
            if one.kind in ("laid_up", "sold") and not (told and told[-1][1] == FOREVER_US):
                told.append((one.at_us, FOREVER_US))
            elif one.kind == "back" and told and told[-1][1] == FOREVER_US:
                told[-1] = (told[-1][0], one.at_us)
        return told

    def setup_at(self, at_us: Ints) -> Ints:
        """Which of `setups` was in force at each time."""
        return _setup_at(self.setups, at_us)


def _setup_at(setups: Sequence[Setup], at_us: Ints) -> Ints:
    since = np.array([LONG_AGO_US if s.valid_from_us is None else s.valid_from_us for s in setups], np.int64)
    return np.maximum(np.searchsorted(since, at_us, "right") - 1, 0)


def _nothing(messages: Messages) -> Messages:
    return Messages(**{name: chosen(rows, np.zeros(len(rows), bool)) for name, rows in vars(messages).items()})


def build(messages: Messages, setups: tuple[Setup, ...], as_of_us: int, work: tuple[Work, ...] = ()) -> History:
    """The history at `as_of_us`: nothing later is in it; work counts from when it was done."""
    states, outside = outside_meters.split(messages.states)
    if not in_force(setups, as_of_us).controller:  # what calls itself by its name is none of it
        messages, states = _nothing(messages), chosen(states, np.zeros(len(states), bool))
    kinds, repeated = said_once([messages.cycles, messages.levels, messages.ignitions, messages.faults, states])
    times = corrected_at(kinds)

    def upto(rows: Rows, at_us: Ints, done: Ints) -> Rows:
        usable = np.flatnonzero((done < 2) & (at_us <= as_of_us))
        order = np.lexsort((rows.seq[usable], numbered(rows.boot)[usable], at_us[usable]))
        return chosen(rows, usable[order], at_us=at_us[usable[order]])

    cycles, levels, ignitions, faults, states = (
        upto(rows, at_us, done) for rows, (at_us, done) in zip(kinds, times, strict=True)
    )
    # A confirmation that is not there says nothing, whatever the controller sends.
    unconfirmed = np.array([s.confirmation is False for s in setups])[_setup_at(setups, cycles.at_us)]
    cycles = replace(cycles, complete=np.where(unconfirmed, np.nan, cycles.complete))
    number, stood = cycle_numbers.counted(cycles, (cycles, levels, ignitions, faults, states))
    cycles = replace(cycles, cycle_no=number)
    everything = np.concatenate([done for _, done in times])
    later = [at_us[(done < 2) & (at_us > as_of_us)] for at_us, done in times]
    to_come = [int(at_us.min()) for at_us in later if len(at_us)]
    to_come += [s.valid_from_us for s in setups if s.valid_from_us is not None and s.valid_from_us > as_of_us]
    to_come += outside.at_us[outside.at_us > as_of_us].tolist()
    hours = _hours((cycles, levels, ignitions, faults, states), setups, chosen(outside, outside.at_us <= as_of_us))
    heard = hours.heard
    heard_us, heard_h, cycle_row = heard.at_us, heard.hours, heard.row[: len(cycles)]
    told = tuple(s for s in setups if s.valid_from_us is None or s.valid_from_us <= as_of_us) or setups[:1]
    return History(
        setups=told,
        cycles=cycles,
        levels=levels,
        ignitions=ignitions,
        faults=faults,
        states=states,
        as_of_us=as_of_us,
        next_us=min(to_come, default=None),
        cycle_h=np.interp(cycles.at_us, heard_us, heard_h) if len(heard_us) else np.zeros(0),
        cycle_sure=heard.sure[cycle_row],
        heard_us=heard_us,
        heard_h=heard_h,
        heard_sure=heard.sure,
        heard_seq=heard.seq,
        heard_boot=heard.boot,
        meter_step_h=heard.step_h,
        heard_doubts=heard.doubts,
        cycle_doubts=heard.doubts[cycle_row],
        doubt_h=heard.doubt_h,
        metered=heard.metered,
        unmetered_us=hours.unmetered_us,
        stood_still=hours.stood_still,
        undated=int((everything == 2).sum()),
        corrected=int((everything == 1).sum()),
        work=tuple(one for one in work if one.at_us <= as_of_us),
        repeated=repeated,
        counter_stands=bool(stood[-1:].any()),
    )


@dataclass(frozen=True)
class _Hours:
    """Ignition hours at all messages of the controller; since when no meter counts, and stretches in which none did."""

    heard: Heard
    unmetered_us: int | None
    stood_still: tuple[tuple[int, int], ...] = ()


def _hours(own: Sequence[Any], setups: Sequence[Setup], outside: States) -> _Hours:
    """Ignition hours at all messages of the controller (`own`: cycles, then the other kinds): by its meter, else by those that somebody
    else reads (`outside`), else by its timer."""
    cycles = own[0]
    interval_h = np.array([s.interval_min / 60 for s in setups])[_setup_at(setups, cycles.at_us)]
    timer = cycles.cycle_no, cycles.boot, interval_h
    unmetered_us = stopped_us(cycles, interval_h, own)
    if unmetered_us is not None:
        own = [replace(x, engine_h=np.where(x.at_us > unmetered_us, np.nan, x.engine_h)) for x in own]
        meters = outside_meters.going_on(outside, unmetered_us)
        stand_in = unmetered_us > LONG_AGO_US and len(meters) and stopped_us(cycles, interval_h, [*own, meters]) is None
        if stand_in:
            return _Hours(outside_meters.without(ignition_hours(*own, meters), len(meters)), None)
    still = tuple(stood_still(cycles, interval_h, own))
    heard = ignition_hours(*own)
    if not heard.metered:
        unmetered_us, still, meters = None, (), outside_meters.usable(outside)
        heard = outside_meters.without(ignition_hours(*own, meters), len(meters))
    heard = by_timer_within(heard, *timer, still)
    if not heard.metered or unmetered_us is not None:
        heard = by_timer(heard, *timer, unmetered_us)
    return _Hours(heard, unmetered_us, still)
