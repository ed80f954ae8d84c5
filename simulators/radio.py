"""The way from controller to broker: messages are numbered, held back out of coverage, lost, doubled and disordered."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Span = tuple[float, float]  # hours since 1970

LOST: Final = 0.002  # share of messages that never arrive
TWICE: Final = 0.01


@dataclass(frozen=True)
class Arrivals:
    """Which message arrives (an index into the messages in the order of their numbers), and when, in that order."""

    index: Ints
    hour: Floats


def carry(
    sent_h: Floats, gaps: list[Span], silent: list[Span], days: int, start_h: float, rng: np.random.Generator
) -> tuple[Arrivals, Floats]:
    """How messages sent first at `sent_h` (n,) arrive, and when the controller sent what arrived (n,).

    Besides the scenario's, it has gaps of its own: some hours out of coverage, every six weeks or so.
    """
    count = int(rng.poisson(days / 45))
    begins, lengths = start_h + rng.uniform(0, days * 24, count), rng.uniform(4, 40, count)
    queue, luck, again, later = (np.random.default_rng(rng.integers(2**63)) for _ in range(4))
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
