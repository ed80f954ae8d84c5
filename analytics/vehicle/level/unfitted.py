"""Points that a set-up has added, and of which the level shows nothing yet: they are not fitted, or get no grease.

Since such a set-up came into force less leaves the reservoir than it says, and as much as the one before said. Nothing tells which of the
two it is; that just then a pump began to deliver too little is unlikely.
"""

from collections.abc import Sequence
from itertools import pairwise
from typing import Final

from analytics.findings import Episode
from ingest.setups import Setup
from ingest.times import DAY_US

_BEGINS_US: Final = 14 * DAY_US  # from the set-up, before or after, since the level tells it over a stretch
_ALIKE: Final = 0.15  # within which a sound system lies of its sheet


def split(episodes: Sequence[Episode], setups: Sequence[Setup]) -> tuple[tuple[Episode, ...], tuple[Episode, ...]]:
    """(those that stand, those that only say that added points are not fitted yet, or get nothing)."""
    unfitted = tuple(one for one in episodes if one.kind == "under_delivery" and _as_before(one, setups))
    return tuple(one for one in episodes if one not in unfitted), unfitted


def _as_before(found: Episode, setups: Sequence[Setup]) -> bool:
    """Whether as much grease goes at least as the set-up said that was in force before points were added, and has since then."""
    for before, after in pairwise(setups):
        since_us = after.valid_from_us
        if since_us is None or abs(found.began_us - since_us) > _BEGINS_US or found.detected_us < since_us:
            continue
        sound = float(found.evidence["expected_cm3_per_cycle"]) / setups[-1].dose_cm3
        part = float(found.evidence["cm3_per_cycle"]) / (sound * before.dose_cm3)
        if before.dose_cm3 < after.dose_cm3 and part >= 1 - _ALIKE:  # more, once they are fitted
            return True
    return False
