"""The refill as an alarm."""

from typing import Any, Final
from zoneinfo import ZoneInfo

from analytics.findings import Finding
from analytics.kinds import REFILL_DUE, Severity
from analytics.refills import Refill
from ingest.languages.saying import Said, capital, number, on_day, say
from ingest.setups import Setup
from ingest.times import DAY_US, instant

_FORECAST_SLACK_US: Final = 7 * DAY_US  # a refill date has to move as far beyond the lead time to be called off


def refill_trouble(
    setup: Setup, refill: Refill, filled_us: int | None, lead_us: int, now_us: int, *, told: bool
) -> tuple[Finding | None, int | None]:
    """(that a refill is due, None where it is not; when it will be), from a forecast. One that was
    told of already is called off only by a fill or where its date has moved far beyond the lead time."""
    early = refill.due_early_us
    if early is None or refill.level_pct is None or refill.litres_to_full is None:
        return None, None
    due = refill.state == "due"
    if not due and early > now_us + lead_us + (_FORECAST_SLACK_US if told else 0):
        return None, early - lead_us
    zone = ZoneInfo(setup.timezone)

    def day(at_us: int | None) -> dict[str, Any] | Said:
        return say("a date far off") if at_us is None else on_day(instant(at_us).astimezone(zone))

    level = number(refill.level_pct, 0)
    if due:
        stands = say(
            "The reservoir stands at {level} %, at or below its low mark, since {day}.", level=level, day=day(early)
        )
    elif early <= now_us:  # of one that nobody heard of since, or that came to hold longer
        stands = say(
            "The reservoir was at {level} % and may have reached its low mark (earliest: {early}; latest: {late}; most likely: {day}).",
            level=level, early=day(early), late=day(refill.due_late_us), day=day(refill.due_expected_us),
        )  # fmt: skip
    else:
        stands = say(
            "The reservoir stands at {level} % and reaches its low mark between {early} and {late}, most likely on {day}.",
            level=level, early=day(early), late=day(refill.due_late_us), day=day(refill.due_expected_us),
        )  # fmt: skip
    needs = say(
        "It needs {litres} l of {grease}.", litres=number(refill.litres_to_full, 1), grease=setup.grease_and_grade
    )
    summary = stands.then(needs)
    if refill.basis:
        summary = summary.then(say("({basis}.)", basis=capital(refill.basis)))
    began_us = filled_us if filled_us is not None else 0
    evidence = {"level_pct": refill.level_pct, "litres_to_full": refill.litres_to_full}
    severity: Severity = "act_now" if due else "plan"
    return Finding(REFILL_DUE, None, (), began_us, now_us, None, severity, summary, evidence), None
