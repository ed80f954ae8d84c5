"""The history of one vehicle up to a moment: its messages in order of corrected time, its set-ups, and its ignition hours."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from ingest.registry import Setup, in_force
from ingest.store import Common, Cycles, Faults, Floats, Ignitions, Ints, Levels, Messages, States
from ingest.work import Work

HOUR_US: Final = 3_600_000_000
DAY_US: Final = 24 * HOUR_US
# No controller of this kind ran before; a clock that says so has lost its power.
EARLIEST_US: Final = 1_262_304_000_000_000  # 2010-01-01
CLOCK_TOLERANCE_US: Final = 600_000_000  # ten minutes: drift of an honest clock between two settings
_FOREVER_US: Final = 1 << 62
_BEHIND_US: Final = 1_800_000_000  # half an hour: a network may be as slow as that for hours

Rows = TypeVar("Rows", bound=Common)


@dataclass(frozen=True)
class History:
    """What is known of a vehicle at `as_of_us`; every array is in order of corrected time.

    `cycle_h` is ignition-on hours since an arbitrary start, of each cycle. Hours are sure where no lost message can have
    switched the ignition unseen.
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
    meter_step_h: float  # resolution of the hour meter
    undated: int  # messages whose time cannot be known: no finding rests on them
    corrected: int  # messages whose clock was wrong and could be put right
    work: tuple[Work, ...] = ()  # what people did, by its time

    @property
    def setup(self) -> Setup:
        """The set-up in force at `as_of_us`."""
        return self.setups[-1]

    @property
    def run_s(self) -> Floats:
        """(cycles,) registered run time in force at each cycle, seconds."""
        return np.asarray(self.said("run_s", self.cycles.at_us), np.float64)

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
            if one.kind in ("laid_up", "sold") and not (told and told[-1][1] == _FOREVER_US):
                told.append((one.at_us, _FOREVER_US))
            elif one.kind == "back" and told and told[-1][1] == _FOREVER_US:
                told[-1] = (told[-1][0], one.at_us)
        return told

    def setup_at(self, at_us: Ints) -> Ints:
        """Which of `setups` was in force at each time."""
        return _setup_at(self.setups, at_us)


def _setup_at(setups: Sequence[Setup], at_us: Ints) -> Ints:
    since = np.array([-(1 << 62) if s.valid_from_us is None else s.valid_from_us for s in setups], np.int64)
    return np.maximum(np.searchsorted(since, at_us, "right") - 1, 0)


def _keep(rows: Rows, chosen: Ints, at_us: Ints) -> Rows:
    """The chosen rows, in that order, with corrected times."""
    picked: dict[str, Any] = {}
    for name, values in vars(rows).items():
        if name == "channels":
            continue
        picked[name] = tuple(values[i] for i in chosen) if isinstance(values, tuple) else values[chosen]
    picked["at_us"] = at_us[chosen]
    return replace(rows, **picked)


def corrected_at(kinds: Sequence[Common]) -> list[tuple[Ints, Ints]]:
    """Corrected times of each kind's messages, and what was done: 0 nothing, 1 corrected, 2 cannot be known.

    A controller cannot send before it is heard: where `sent_at` lies after the receipt, its clock is ahead by at least
    the difference. A clock is behind where all messages of half a day, received over hours, arrive late by the same:
    messages that merely waited somewhere arrive together. Where a clock has lost its power the time from event to
    sending is still right, and the receipts of some messages date the sending of all. Where a controller does not say
    when it sent, the message of half a day that came soonest after its event stands for the others. The raw times stay in
    the database.
    """
    at, sent, received = (
        np.concatenate([getattr(rows, name) for rows in kinds]) for name in ("at_us", "sent_us", "received_us")
    )
    boot = np.concatenate([rows.boot for rows in kinds]) if len(at) else np.zeros(0, np.str_)
    seq = np.concatenate([rows.seq for rows in kinds])
    done = np.zeros(len(at), np.int64)
    heard, says = received >= 0, sent >= 0
    off = at < EARLIEST_US
    late = np.where(heard, received - np.where(says, sent, at), 0)
    # Clocks are followed apart by boot, by whether they say when they sent, and by whether they have lost their power.
    clock = np.unique(boot, return_inverse=True)[1] * 4 + 2 * ~says + (off & ~says)
    behind = _behind(clock, seq, received, late, heard, heard & ((says & (sent >= EARLIEST_US)) | ~says))
    ahead = _ahead(clock, seq, late, heard, heard & ~(off & (~says | (sent < EARLIEST_US))))
    powerless = heard & says & off & (sent < EARLIEST_US) & (sent >= at)
    for wrong, shift in (
        (ahead < -CLOCK_TOLERANCE_US, ahead),
        (behind > 0, behind),
        (powerless, _soonest(clock, seq, sent, late, powerless)),
    ):
        at = np.where(wrong, at + shift, at)
        done[wrong] = 1
    impossible = (at < EARLIEST_US) | (heard & (at > received + CLOCK_TOLERANCE_US))
    done[impossible] = 2
    ends = np.cumsum([len(rows) for rows in kinds])
    return [(at[end - len(rows) : end], done[end - len(rows) : end]) for rows, end in zip(kinds, ends, strict=True)]


def _half_days(clock: Ints, received: Ints, usable: NDArray[np.bool_]) -> Iterator[tuple[Ints, Ints]]:
    """(messages of half a day, the same and those of the half days beside it), by receipt, of each clock."""
    half_day = received // (DAY_US // 2)
    for one in np.unique(clock[usable]):
        mine = np.flatnonzero(usable & (clock == one))
        mine = mine[np.argsort(received[mine], kind="stable")]
        parts = half_day[mine]
        for part in np.unique(parts):
            first, last = np.searchsorted(parts, (part - 1, part + 2))
            own = np.searchsorted(parts, (part, part + 1))
            yield mine[own[0] : own[1]], mine[first:last]


def _ahead(clock: Ints, seq: Ints, late: Ints, heard: NDArray[np.bool_], usable: NDArray[np.bool_]) -> Ints:
    """Microseconds by which each message must move back (negative), 0 where its clock was not ahead.

    What is told before it happened is told by a clock that was ahead. The soonest of some twenty such messages on either side,
    by their numbers, stands for all, as it waited least.
    """
    from scipy.ndimage import minimum_filter1d  # here, since it takes long to load

    ahead = np.zeros(len(late), np.int64)
    early = np.flatnonzero(usable & (late < -CLOCK_TOLERANCE_US))
    for one in np.unique(clock[early]):
        mine = early[clock[early] == one]
        mine = mine[np.argsort(seq[mine], kind="stable")]
        ahead[mine] = minimum_filter1d(late[mine], 41, mode="nearest")
    return _those_between(clock, seq, late, heard, usable, ahead)


def _soonest(clock: Ints, seq: Ints, sent: Ints, late: Ints, powerless: NDArray[np.bool_]) -> Ints:
    """Microseconds from sending to receipt of clocks without power: the soonest of some twenty messages on either side, by their
    numbers, as it waited least; a clock that lost its power again begins anew."""
    from scipy.ndimage import minimum_filter1d  # here, since it takes long to load

    least = late.copy()
    for one in np.unique(clock[powerless]):
        mine = np.flatnonzero(powerless & (clock == one))
        mine = mine[np.argsort(seq[mine], kind="stable")]
        again = np.flatnonzero(np.diff(sent[mine]) < -CLOCK_TOLERANCE_US) + 1
        for part in np.split(mine, again):
            least[part] = minimum_filter1d(late[part], 41, mode="nearest")
    return least


def _behind(
    clock: Ints, seq: Ints, received: Ints, late: Ints, heard: NDArray[np.bool_], usable: NDArray[np.bool_]
) -> Ints:
    """Microseconds by which each message's clock was behind, 0 where it was not: by half days of each clock."""
    behind = np.zeros(len(late), np.int64)
    for part, near in _half_days(clock, received, usable):
        least = int(late[near].min())
        hours = np.ptp(received[near]) / HOUR_US
        if (
            least > _BEHIND_US
            and len(near) >= 5
            and hours >= 3
            and np.quantile(late[near] - least, 0.3) < CLOCK_TOLERANCE_US
        ):
            behind[part] = least
    return _those_between(clock, seq, late, heard, usable, behind)


def _those_between(
    clock: Ints, seq: Ints, late: Ints, heard: NDArray[np.bool_], usable: NDArray[np.bool_], shift: Ints
) -> Ints:
    """The shifts, and the same for messages that waited somewhere or whose receipt is not known: their numbers lie between
    those of messages that were stamped by a clock that was off by as much."""
    out = shift.copy()
    for one in np.unique(clock[usable & (shift != 0)]):
        mine = np.flatnonzero((usable | ~heard) & (clock == one))
        mine = mine[np.argsort(seq[mine], kind="stable")]
        known = np.flatnonzero(shift[mine])
        place = np.searchsorted(known, np.arange(len(mine)))
        between = np.flatnonzero((shift[mine] == 0) & (place > 0) & (place < len(known)))
        before, after = shift[mine[known[place[between] - 1]]], shift[mine[known[place[between]]]]
        same = np.abs(before - after) < HOUR_US
        same &= ~heard[mine[between]] | (late[mine[between]] >= before - CLOCK_TOLERANCE_US)
        out[mine[between[same]]] = before[same]
        for order in (mine, mine[::-1]):  # at either end of such a stretch: those that are off by just as much
            last, unheard = 0, 0
            for m in order.tolist():
                unheard = 0 if heard[m] else unheard + 1
                near = abs(late[m] - last) < CLOCK_TOLERANCE_US if heard[m] else unheard <= 20
                if out[m] == 0 and last and near:
                    out[m] = last
                last = int(out[m])
    return out


def build(messages: Messages, setups: tuple[Setup, ...], as_of_us: int, work: tuple[Work, ...] = ()) -> History:
    """The history at `as_of_us`: nothing later is in it; work counts from when it was done."""
    kinds: list[Any] = [messages.cycles, messages.levels, messages.ignitions, messages.faults, messages.states]
    times = corrected_at(kinds)

    def upto(rows: Rows, at_us: Ints, done: Ints) -> Rows:
        usable = np.flatnonzero((done < 2) & (at_us <= as_of_us))
        order = np.lexsort((rows.seq[usable], rows.boot[usable], at_us[usable]))
        return _keep(rows, usable[order], at_us)

    cycles, levels, ignitions, faults, states = (
        upto(rows, at_us, done) for rows, (at_us, done) in zip(kinds, times, strict=True)
    )
    # A confirmation that is not there says nothing, whatever the controller sends.
    unconfirmed = np.array([s.confirmation is False for s in setups])[_setup_at(setups, cycles.at_us)]
    cycles = replace(cycles, complete=np.where(unconfirmed, np.nan, cycles.complete))
    everything = np.concatenate([done for _, done in times])
    later = [at_us[(done < 2) & (at_us > as_of_us)] for at_us, done in times]
    to_come = [int(at_us.min()) for at_us in later if len(at_us)]
    to_come += [s.valid_from_us for s in setups if s.valid_from_us is not None and s.valid_from_us > as_of_us]
    heard = _ignition_hours(cycles, levels, ignitions, faults, states)
    heard_us, heard_h = heard.at_us, heard.hours
    cycle_sure = heard.sure[heard.row[: len(cycles)]]
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
        cycle_sure=cycle_sure,
        heard_us=heard_us,
        heard_h=heard_h,
        heard_sure=heard.sure,
        heard_seq=heard.seq,
        heard_boot=heard.boot,
        meter_step_h=heard.step_h,
        undated=int((everything == 2).sum()),
        corrected=int((everything == 1).sum()),
        work=tuple(one for one in work if one.at_us <= as_of_us),
    )


@dataclass(frozen=True)
class _Heard:
    """All messages in order of time: ignition hours since the first, and whether they are sure; `row` says where each message
    of the kinds one after the other is among them. `step_h` is the hour meter's."""

    at_us: Ints
    hours: Floats
    sure: NDArray[np.bool_]
    seq: Ints
    boot: NDArray[np.str_]
    row: Ints
    step_h: float


def _ignition_hours(*kinds: Common) -> _Heard:
    """Ignition hours over all messages.

    The meter may start afresh with a new boot, and it never runs faster than the clock.
    """
    at = np.concatenate([rows.at_us for rows in kinds])
    # After a message the ignition is on (1), off (0), or as it was before (NaN).
    on = np.concatenate([_ignition_after(rows) for rows in kinds])
    meter = np.concatenate([rows.engine_h for rows in kinds])
    seq = np.concatenate([rows.seq for rows in kinds])
    boot = np.concatenate([rows.boot for rows in kinds]) if len(at) else np.zeros(0, np.str_)
    order = np.lexsort((meter, at))
    row = np.empty(len(order), np.int64)
    row[order] = np.arange(len(order))
    at, meter, boot, on, seq = at[order], meter[order], boot[order], on[order], seq[order]
    known = ~np.isnan(meter)
    if not known.any():
        nothing = np.zeros(len(at))
        return _Heard(at, nothing, np.ones(len(at), bool), seq, boot, row, 0.01)
    read, clock, life = meter[known], at[known] / HOUR_US, boot[known]
    step = 0.05 if np.allclose(read * 20, np.round(read * 20), atol=1e-6) else 0.01
    # The meter of one boot only rises; rounding and late rows make it dip, and a running maximum takes the dips out.
    grown = np.zeros(len(read))
    starts = np.flatnonzero(np.r_[True, life[1:] != life[:-1]])
    for first, last in zip(starts, np.r_[starts[1:], len(read)], strict=True):
        peak = np.maximum.accumulate(read[first:last])
        gain = np.diff(peak, prepend=peak[0])
        passed = np.diff(clock[first:last], prepend=clock[first])
        grown[first:last] = np.minimum(gain, passed + 2 * step)
    hours, certain = _between(at, at[known], np.cumsum(grown), on, step)
    last = int(np.flatnonzero(known)[-1])
    certain[last:] = ~_any_lost(seq[last:], boot[last:])
    return _Heard(at, hours, known | certain, seq, boot, row, step)


def _any_lost(seq: Ints, boot: NDArray[np.str_]) -> NDArray[np.bool_]:
    """Whether any number between that of the first message and that of each has not come by then."""
    newer = (boot == boot[0]) & (seq > seq[0])
    missing = np.maximum.accumulate(np.where(newer, seq, seq[0])) - seq[0] - np.cumsum(newer)
    return np.asarray((missing > 0) | (boot != boot[0]))


def _ignition_after(rows: Common) -> Floats:
    if isinstance(rows, Ignitions):
        return rows.on
    return np.full(len(rows), 1.0 if isinstance(rows, Cycles) else np.nan)


def _between(at: Ints, read_at: Ints, total: Floats, on: Floats, step: float) -> tuple[Floats, NDArray[np.bool_]]:
    """Hours at all times from those at which the meter was read, and whether they are certain once it was read again.

    While the ignition is on, hours go with the clock; while it is off, they stand still. Where a message of switching
    was lost, what the meter gained lies right after the last known "on", or right before the next reading.
    """
    hour = at / HOUR_US
    before = np.maximum(np.searchsorted(read_at, at, "right") - 1, 0)
    after = np.minimum(before + 1, len(read_at) - 1)
    known = np.flatnonzero(~np.isnan(on))
    latest = np.searchsorted(at, read_at, "right") - 1  # the message that read the meter, or the last of that moment
    state = np.zeros(len(read_at))
    if len(known):
        place = np.searchsorted(known, latest, "right") - 1
        state = np.where(place >= 0, on[known[np.maximum(place, 0)]], 0.0)
    start, end = total[before], total[after]
    running = start + np.maximum(hour - read_at[before] / HOUR_US, 0.0)
    running = np.where(before == after, running, np.minimum(running, end))
    standing = np.where(before == after, start, np.maximum(start, end - (read_at[after] / HOUR_US - hour)))
    hours = np.where(state[before] == 1, running, standing)
    hours = np.where(at <= read_at[before], start, hours)
    # Nothing was switched unseen where the meter gained what the clock did, or nothing.
    gain, passed = end - start, (read_at[after] - read_at[before]) / HOUR_US
    certain = (gain <= 2.5 * step) | (gain >= passed - 2.5 * step)
    return np.asarray(np.maximum.accumulate(hours)), np.asarray(certain)
