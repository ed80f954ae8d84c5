"""One cause, one finding: what only follows from something else is not raised beside it."""

from analytics.findings import Stretch
from analytics.kinds import FINDING_KINDS
from analytics.vehicle.history import History
from ingest.times import DAY_US, HOUR_US


def by_cause(stretches: list[Stretch], history: History) -> list[Stretch]:
    """One cause, one finding."""
    return [s for s in stretches if not any(_explains(other, s, history) for other in stretches)]


def _explains(cause: Stretch, effect: Stretch, history: History) -> bool:
    if cause.kind not in FINDING_KINDS[effect.kind].follows_from:
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
    if effect.kind == "level_sensor" and "missing_h" in effect.evidence:
        return False
    return cause.began_us <= effect_end + slack and effect.began_us <= cause_end + slack
