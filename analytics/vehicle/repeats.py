"""Messages that came once more under another number, as from a bridge that sends all of them twice: each counts once."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from ingest.arrays import Common, chosen

# What may differ; `channels` and `left_out` are of all messages of a kind.
_NAMES_IT: Final = frozenset(("seq", "sent_us", "received_us", "channels", "left_out"))


def said_once(kinds: Sequence[Any]) -> tuple[list[Any], int]:
    """(messages of each kind, without those that say what another of the same controller said of the same moment; how many those were).
    The numbers of the others close up: none was lost."""
    again = [_again(rows) for rows in kinds]
    count = sum(int(one.sum()) for one in again)
    if not count:
        return list(kinds), 0
    boot, seq = (
        np.concatenate([getattr(rows, name)[one] for rows, one in zip(kinds, again, strict=True)])
        for name in ("boot", "seq")
    )
    gone = {name: np.sort(seq[boot == name]) for name in np.unique(boot)}

    def closed_up(rows: Common) -> NDArray[np.int64]:
        closer = rows.seq.copy()
        for name, numbers in gone.items():
            mine = rows.boot == name
            closer[mine] -= np.searchsorted(numbers, rows.seq[mine])
        return closer

    return [chosen(replace(rows, seq=closed_up(rows)), ~one) for rows, one in zip(kinds, again, strict=True)], count


def _again(rows: Common) -> NDArray[np.bool_]:
    """(n,) which messages of a kind say what one with a smaller number says."""
    again = np.zeros(len(rows), bool)
    if not (np.diff(np.sort(rows.at_us)) == 0).any():
        return again
    order = np.lexsort((rows.seq, rows.at_us))
    second = np.flatnonzero(np.diff(rows.at_us[order]) == 0) + 1
    now, before = order[second], order[second - 1]
    alike = np.ones(len(second), bool)
    for name, values in vars(rows).items():
        if name not in _NAMES_IT:
            told = np.array(values, object) if isinstance(values, tuple) else values
            same = told[now] == told[before]
            if told.dtype.kind == "f":
                same |= np.isnan(told[now]) & np.isnan(told[before])
            alike &= same.reshape(len(second), -1).all(axis=1)
    again[now[alike]] = True
    return again
