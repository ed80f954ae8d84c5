"""Putting right the times of controllers whose clocks were wrong."""

from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from ingest.arrays import Common, Ints, numbered, of_each
from ingest.times import DAY_US, EARLIEST_US, HOUR_US

CLOCK_TOLERANCE_US: Final = 600_000_000  # ten minutes: drift of an honest clock between two settings


_BEHIND_US: Final = 1_800_000_000  # half an hour: a network may be as slow as that for hours


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
    clock = numbered(boot) * 4 + 2 * ~says + (off & ~says)
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


def _late_half_days(
    clock: Ints, received: Ints, late: Ints, usable: NDArray[np.bool_]
) -> Iterator[tuple[Ints, Ints]]:  # fmt: skip
    """(messages of half a day, the same and those of the half days beside it), by receipt, of each clock; of half days all of whose
    messages came late only: there are few."""
    half_day = received // (DAY_US // 2)
    for mine in of_each(clock, np.flatnonzero(usable)):
        mine = mine[np.argsort(received[mine], kind="stable")]
        parts = half_day[mine]
        begins = np.flatnonzero(np.diff(parts, prepend=-1))
        for part in parts[begins[np.minimum.reduceat(late[mine], begins) > _BEHIND_US]]:
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
    for mine in of_each(clock, early):
        mine = mine[np.argsort(seq[mine], kind="stable")]
        ahead[mine] = minimum_filter1d(late[mine], 41, mode="nearest")
    return _those_between(clock, seq, late, heard, usable, ahead)


def _soonest(clock: Ints, seq: Ints, sent: Ints, late: Ints, powerless: NDArray[np.bool_]) -> Ints:
    """Microseconds from sending to receipt of clocks without power: the soonest of some twenty messages on either side, by their
    numbers, as it waited least; a clock that lost its power again begins anew."""
    from scipy.ndimage import minimum_filter1d  # here, since it takes long to load

    least = late.copy()
    for mine in of_each(clock, np.flatnonzero(powerless)):
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
    for part, near in _late_half_days(clock, received, late, usable):
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
    off = np.isin(clock, clock[usable & (shift != 0)])
    for mine in of_each(clock, np.flatnonzero((usable | ~heard) & off)):
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
