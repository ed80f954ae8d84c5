"""One cause, one finding: what only follows from something else is not raised beside it, and what was true stays told."""

from dataclasses import replace
from typing import Final

from analytics.findings import Episode
from analytics.kinds import FINDING_KINDS
from analytics.vehicle.history import History
from ingest.times import DAY_US, HOUR_US

# Kinds that say that a reading is not to be believed: of what was found before it went wrong they prove nothing.
_SENSORS: Final = ("level_sensor", "pressure_sensor")
# So much later than what follows from it a cause may seem to begin: the same reading shows both.
_TOGETHER_US: Final = HOUR_US


def by_cause(episodes: list[Episode], history: History) -> list[Episode]:
    """One cause, one finding.

    What follows from a cause is left out. What was found before its cause began was true: a cause that begins later takes it
    over, so that it ends then; a sensor that fails later ends nothing, since nobody can see any more whether it lasts.
    """
    told = []
    for effect in episodes:
        causes = [cause for cause in episodes if _explains(cause, effect, history)]
        if any(not _comes_later(cause, effect) for cause in causes):
            continue
        ends = [max(cause.began_us, effect.detected_us) for cause in causes if cause.kind not in _SENSORS]
        if ends:
            ends += [] if effect.ended_us is None else [effect.ended_us]
            effect = replace(effect, ended_us=min(ends))
        told.append(effect)
    return told


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
