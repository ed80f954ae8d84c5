"""One cause, one finding: what only follows from something else is not raised beside it, and what was true stays told."""

from dataclasses import replace
from typing import Final

import numpy as np

from analytics.findings import Episode
from analytics.kinds import FINDING_KINDS
from analytics.settings import DEFAULTS, PROOF_CYCLES
from analytics.vehicle.history import History
from ingest.arrays import Floats
from ingest.times import DAY_US, FOREVER_US, HOUR_US

# Kinds that say that a reading is not to be believed: of what was found before it went wrong they prove nothing.
_SENSORS: Final = ("level_sensor", "pressure_sensor")
# So much later than what follows from it a cause may seem to begin: the same reading shows both.
_TOGETHER_US: Final = HOUR_US
_OF_USE: Final = ("reservoir_loss", "under_delivery")
# By so much since its causes were over that time alone tells it: percent of the reservoir used by the sheet, and cycles, some days of work
# (common practice, no source).
_OWN_PCT: Final = 15.0
_OWN_CYCLES: Final = 60


def by_cause(episodes: list[Episode], history: History, used_pct: Floats) -> list[Episode]:
    """One cause, one finding; `used_pct` (cycles,) is what each cycle used by the sheet.

    What follows from a cause is left out. What was found before its cause began was true: a cause that begins later takes it
    over, so that it ends then; a sensor that fails later ends nothing, since nobody can see any more whether it lasts. A loss, too
    little, a line that is open, or cycles that are not confirmed, that go on long after their causes are over follow from none
    of them.
    """
    told = []
    for effect in episodes:
        causes = [cause for cause in episodes if _explains(cause, effect, history)]
        if any(not _comes_later(cause, effect) for cause in causes):
            own_us = _own_since(effect, causes, history, used_pct)
            if own_us is None:
                continue
            effect, causes = replace(effect, detected_us=own_us), []
        ends = [max(cause.began_us, effect.detected_us) for cause in causes if cause.kind not in _SENSORS]
        if ends:
            ends += [] if effect.ended_us is None else [effect.ended_us]
            effect = replace(effect, ended_us=min(ends))
        told.append(effect)
    return told


def _own_since(effect: Episode, causes: list[Episode], history: History, used_pct: Floats) -> int | None:
    """Since when it is plain that something follows from none of these; None where it never was."""
    over_us = max(cause.ended_us or FOREVER_US for cause in causes)
    if over_us == FOREVER_US:
        return None
    c = history.cycles
    since = int(np.searchsorted(c.at_us, max(over_us, effect.detected_us), "right"))
    until = len(c.at_us) if effect.ended_us is None else int(np.searchsorted(c.at_us, effect.ended_us))
    if effect.kind in _OF_USE:
        enough = np.cumsum(used_pct[since:until]) >= _OWN_PCT
    elif effect.kind == "incomplete_cycles":
        enough = np.arange(1, until - since + 1) >= _OWN_CYCLES
    elif effect.kind == "open_line":
        # By cycles that prove a line, once its sensor's trouble no longer only pauses. A blocked one is not told so: a sensor that was put
        # in instead may read half as much again, for good.
        proven = np.arange(1, until - since + 1) >= PROOF_CYCLES
        enough = proven & (c.at_us[since:until] >= over_us + DEFAULTS.pause_h * HOUR_US)
    else:
        return None
    return int(c.at_us[since + int(np.argmax(enough))]) if enough.any() else None


def _comes_later(cause: Episode, effect: Episode) -> bool:
    """Whether a cause began after what follows from it had been found."""
    return cause.began_us > effect.began_us + _TOGETHER_US and cause.detected_us > effect.detected_us


def _explains(cause: Episode, effect: Episode, history: History) -> bool:
    if cause.kind not in FINDING_KINDS[effect.kind].follows_from:
        return False
    if effect.kind == "controller_fault" and effect.evidence["code"] not in FINDING_KINDS[cause.kind].controller_codes:
        return False
    if cause.channel is not None and effect.channel is not None and cause.channel != effect.channel:
        return False
    if cause.began_us > effect.began_us + HOUR_US and effect.kind in (
        "low_level",
        "overfill",
        "timer_mismatch",
    ):
        return False
    if effect.kind == "under_delivery" and cause.kind == "blocked_line":
        setup = history.setup_of(cause.detected_us)
        blocked = sum(line.dose_cm3 for line in setup.lines if line.channel == cause.channel)
        if blocked < 0.2 * setup.dose_cm3:
            return False
    if effect.kind == "reservoir_loss" and cause.kind == "starved_pump" and cause.began_us > effect.began_us:
        return False  # what is lost may have emptied it; bleeding takes grease only afterwards
    cause_end = cause.ended_us if cause.ended_us is not None else history.as_of_us
    effect_end = effect.ended_us if effect.ended_us is not None else history.as_of_us
    slack = DAY_US if effect.kind in ("under_delivery", "reservoir_loss", "level_sensor") else HOUR_US
    if (effect.kind, cause.kind) == ("reservoir_loss", "starved_pump"):
        slack = 3 * DAY_US  # emptied lines fill again
    if effect.kind == "level_sensor" and ("missing_h" in effect.evidence or _put_right(effect)):
        return False
    if _put_right(cause) and effect.detected_us > cause.detected_us:
        return False
    return cause.began_us <= effect_end + slack and effect.began_us <= cause_end + slack


def _put_right(episode: Episode) -> bool:
    """Whether a sensor is off by so much as is known: what its readings, put right, tell since counts."""
    return not {"stepped_pct", "drifted_pct"}.isdisjoint(episode.evidence)
