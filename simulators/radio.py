"""The way from controller to broker: messages are numbered, held back out of coverage, lost, doubled and disordered."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Span = tuple[float, float]  # hours since 1970

LOST: Final = 0.002  # share of messages that never arrive
TWICE: Final = 0.01
_GAP_DAYS: Final = 45  # between two gaps of its own, on average


@dataclass(frozen=True)
class Arrivals:
    """Which message arrives (an index into the messages in the order of their numbers), and when, in that order."""

    index: Ints
    hour: Floats


def happening(rng: np.random.Generator, begin_h: float, days: int, every_days: float) -> Iterator[float]:
    """Hours since 1970, in order, of what happens by chance: over more days the same, and then more of it."""
    hour = begin_h + 24 * rng.exponential(every_days)
    while hour < begin_h + 24 * days:
        yield hour
        hour += 24 * rng.exponential(every_days)


def carry(
    sent_h: Floats,
    gaps: list[Span],
    silent: list[Span],
    days: int,
    more_days: int,
    start_h: float,
    rng: np.random.Generator,
) -> tuple[Arrivals, Floats]:
    """How messages sent first at `sent_h` (n,) arrive, and when the controller sent what arrived (n,).

    Besides the scenario's, it has gaps of its own: some hours out of coverage, every six weeks or so.
    """
    count = int(rng.poisson(days / _GAP_DAYS))
    begins, lengths = start_h + rng.uniform(0, days * 24, count), rng.uniform(4, 40, count)
    queue, luck, again, later = (np.random.default_rng(rng.integers(2**63)) for _ in range(4))
    lasting = rng.spawn(1)[0]
    for begin in happening(rng, start_h + days * 24, more_days, _GAP_DAYS):
        begins, lengths = np.r_[begins, begin], np.r_[lengths, lasting.uniform(4, 40)]
    n = len(sent_h)
    leaves = sent_h + queue.exponential(0.002, n)
    jitter = queue.spawn(1)[0].uniform(0, 0.1, n)
    for begin, end in [*gaps, *zip(begins, begins + lengths, strict=True)]:
        inside = (sent_h >= begin) & (sent_h < end)
        leaves = np.where(inside, np.maximum(leaves, end + jitter), leaves)
    gone = (luck.random(n) < LOST) | np.isinf(leaves)  # the controller is still out of coverage
    for begin, end in silent:
        gone |= (sent_h >= begin) & (sent_h < end)
    twice = (again.random(n) < TWICE) & ~gone
    delay = later.exponential(0.05, n)
    index = np.r_[np.flatnonzero(~gone), np.flatnonzero(twice)]
    hour = np.r_[leaves[~gone], (leaves + delay)[twice]]
    order = np.lexsort((index, hour))
    return Arrivals(index[order], hour[order]), leaves
