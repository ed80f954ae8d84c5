"""A pump that nothing is heard of while its vehicle is: parked, or dead. Without meter and switching nobody knows which."""

from typing import Final

import numpy as np

from analytics.vehicle.history import History
from ingest.times import DAY_US

_LEAST_US: Final = 3 * DAY_US  # a long weekend
_LONGER: Final = 1.5  # times as long as ever before
_CYCLES: Final = 20  # that tell its rhythm


def idle_since_us(history: History) -> int | None:
    """Since when no cycle was heard of a vehicle that was heard, for far longer than ever before, with nothing that tells whether it
    worked; None where it is not so."""
    c = history.cycles
    if len(c) < _CYCLES or any(from_us <= history.as_of_us < to_us for from_us, to_us in history.away()):
        return None
    last_us = int(c.at_us[-1])
    metered = history.metered and history.unmetered_us is None
    for rows in (history.levels, history.faults, history.ignitions, history.states):
        later = rows.at_us > last_us
        if rows is history.ignitions and later.any():
            return None
        if metered and np.isfinite(rows.engine_h[later]).any():
            return None
    heard_us = max(int(rows.at_us.max(initial=0)) for rows in (history.levels, history.faults, history.states))
    limit_us = max(_LEAST_US, int(_LONGER * np.diff(c.at_us).max()))
    return last_us if heard_us - last_us > limit_us else None
