"""Cycles of a controller whose counter does not move: each message of a cycle is one, as long as no message between two of them is missing.

Where one is missing, the numbers stand still, too: it may have been a cycle's, and so nobody knows how many ran.
"""

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from ingest.arrays import Cycles, Ints, numbered, of_each

_CYCLES: Final = 12  # that have all one number, or two that are neighbours: no counter


def counted(cycles: Cycles, kinds: Sequence[Any]) -> tuple[Ints, NDArray[np.bool_]]:
    """((cycles,) numbers that count, whether the counter stood at each), by the messages of all `kinds`; each kind is in order of time."""
    number, stood = cycles.cycle_no, np.zeros(len(cycles), bool)
    boots = numbered(cycles.boot)
    often = np.flatnonzero(np.bincount(boots)[boots] > _CYCLES) if len(boots) else np.zeros(0, np.int64)
    for rows in of_each(boots, often):
        told = number[rows]
        stands = np.maximum.accumulate(told) - np.minimum.accumulate(told) <= 1
        stands[:_CYCLES] = False
        if not stands.any():
            continue
        seq = cycles.seq[rows]
        heard = np.sort(np.concatenate([kind.seq[kind.boot == cycles.boot[rows[0]]] for kind in kinds]))
        gained = np.r_[told[:1], np.diff(told)]
        gained[1:][stands[:-1]] = 0  # from the first number that moves on it counts again
        until, after = np.searchsorted(heard, seq[1:]), np.searchsorted(heard, seq[:-1], "right")
        gained[1:][stands[1:]] = (np.diff(seq) - 1 == until - after)[stands[1:]]
        number = number.copy()
        number[rows], stood[rows] = np.cumsum(gained), stands
    return number, stood
