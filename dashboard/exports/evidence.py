"""Warranty evidence in words: the same for the sheet that is printed and for the command."""

from collections import defaultdict
from datetime import date
from typing import Any, Final

from analytics.kinds import ALARM_KINDS, FINDING_KINDS
from dashboard import formatting
from dashboard.exports import account
from dashboard.queries.evidence import Evidence, Step
from ingest.times import rfc3339

METHOD: Final = (
    f"{account.MEANING} Messages are those that carry a time of the span by the controller's own clock. What is told here is worked out"
    " from them, from the set-ups that were registered, from what people recorded, and from the alarms with what was done to them. The"
    " hash (SHA-256) is over these records, receipts and sampled courses aside: from the same records anybody gets the same hash again"
    " with `tallow evidence`. It shows that the records are the same as when the sheet was printed; it does not show that they are true."
)

_NO_GAP: Final = "Of each line at least one dose surely arrived on every day on which one was planned."

Section = tuple[str, list[str]]


def title(told: Evidence) -> str:
    """What it is about."""
    what = "the pump and all of its lines" if told.line is None else f"line {told.line.line}, {told.line.point}"
    return f"{told.setup.unit} ({told.setup.fleet}/{told.setup.vehicle}), {what}"


def span(told: Evidence) -> str:
    """From when to when, by which clock."""
    return f"{formatting.day(told.first)} to {formatting.day(told.last)}, by the clock of {told.setup.timezone}"


def sections(told: Evidence) -> list[Section]:
    """(heading, sentences) in the order in which they are read."""
    return [
        ("Grease planned and arrived", doses(told)),
        ("Gaps", _gaps(told)),
        ("Found", _found(told)),
        ("Alarms, and who answered", _alarms(told)),
        ("Work", _work(told)),
        ("Completeness of the data", completeness(told)),
        ("Hash over the records", [f"{name}: {value}" for name, value in told.digests.items()] + [f"all: {told.digest}"]),
    ]  # fmt: skip


def doses(told: Evidence) -> list[str]:
    """What was planned, what arrived."""
    if not told.planned:
        return ["No dose is known to have been planned: the vehicle stood, or nobody heard of it."]
    lines = 1 if told.line is not None else len(told.setup.lines)
    unproven = told.planned - told.arrived - told.failed
    grams = ""
    if told.line is not None:
        planned, arrived = (n * told.line.dose_cm3 for n in (told.planned, told.arrived))
        grams = f" That is {arrived:.0f} of {planned:.0f} cm3 by the line list."
    return [
        f"Of {told.planned:,.0f} planned doses of {account.counted(lines, 'line')} {told.arrived:,.0f} surely arrived"
        f" ({100 * told.arrived / told.planned:.1f} %), {told.failed:,.0f} surely did not, {unproven:,.0f} are not proven.{grams}",
        f"On {sum(1 for one in told.days if one.planned)} of {(told.last - told.first).days + 1} days a dose was planned.",
    ]


def _gaps(told: Evidence) -> list[str]:
    alike = defaultdict[tuple[date, date, float, float], list[int]](list)
    for one in told.gaps:
        alike[one.first, one.last, one.planned, one.failed].append(one.line)
    return [
        f"{_lines(lines, told)}, {formatting.day(first)} to {formatting.day(last)}: of {planned:,.0f} planned doses"
        f"{' of each' if len(lines) > 1 else ''} none surely arrived, {failed:,.0f} surely did not"
        for (first, last, planned, failed), lines in alike.items()
    ] or [_NO_GAP if told.planned else "None is known."]


def _lines(numbers: list[int], told: Evidence) -> str:
    """Line 5, kingpin upper right; all 14 lines; lines 3, 4, 5."""
    points = {line.line: line.point for line in told.setup.lines}
    if len(numbers) == 1:
        return f"Line {numbers[0]}, {points.get(numbers[0], 'no longer on the line list')}"
    return f"All {len(numbers)} lines" if set(numbers) >= set(points) else f"Lines {', '.join(map(str, numbers))}"


def _found(told: Evidence) -> list[str]:
    zone = told.setup.timezone
    return [
        f"{formatting.moment(one.began_us, zone)}"
        f" {'to ' + formatting.moment(one.ended_us, zone) if one.ended_us is not None else 'and lasts'}:"
        f" {FINDING_KINDS[one.kind].title}. {formatting.in_my_units(one.summary)}"
        for one in told.findings
    ] or ["Nothing was found."]


def _alarms(told: Evidence) -> list[str]:
    zone, said = told.setup.timezone, list[str]()
    for one in told.alarms:
        answers = (step for step in one.steps if (step.event, step.at_us) != ("occur", one.raised_us))
        steps = "; ".join(_step(step, zone) for step in answers) or "nobody answered"
        said.append(f"{ALARM_KINDS[one.kind].title}, raised {formatting.moment(one.raised_us, zone)}: {steps}")
    return said or ["None was raised."]


def _step(step: Step, zone: str) -> str:
    by, why = (f" by {step.who}" if step.who else ""), (f" ({step.why})" if step.why else "")
    return f"{formatting.moment(step.at_us, zone)} {formatting.EVENTS[step.event]}{by}{why}"


def _work(told: Evidence) -> list[str]:
    zone = told.setup.timezone
    return [
        f"{formatting.moment(work.at_us, zone)}: {'; '.join([work.title, *formatting.work_details(work)])}, by {work.by},"
        f" recorded {formatting.moment(recorded_us, zone)}{'' if stands else ' (no longer stands)'}"
        for work, recorded_us, stands in told.work
    ] or ["None is recorded."]


def completeness(told: Evidence) -> list[str]:
    """How many messages there are, and how many are missing."""
    kinds = ", ".join(f"{number:,} {kind}" for kind, number in sorted(told.messages.items())) or "none"
    if told.lost is None:
        lost = f"{told.thinned:,} of them are what is left of days that were thinned: how many there were is not known any more."
    else:
        every = sum(told.messages.values()) + told.lost
        lost = f"By their numbers {told.lost:,} of {every:,} never came." if every else "Nothing was heard."
    return [f"Messages: {kinds}.", lost]


def as_text(told: Evidence) -> str:
    """All of it."""
    parts = [f"Evidence: {title(told)}\n{span(told)}"]
    parts += ["\n".join([heading, *(f"- {sentence}" for sentence in said)]) for heading, said in sections(told)]
    return "\n\n".join([*parts, METHOD]) + "\n"


def as_object(told: Evidence) -> dict[str, Any]:
    """For other programs."""
    return {
        "fleet": told.setup.fleet, "vehicle": told.setup.vehicle, "line": told.line and told.line.line, "first": str(told.first),
        "last": str(told.last), "planned": round(told.planned, 1), "arrived": round(told.arrived, 1), "failed": round(told.failed, 1),
        "days": [{"day": str(one.day), "planned": one.planned, "arrived": one.arrived, "failed": one.failed} for one in told.days],
        "gaps": [
            {"line": one.line, "first": str(one.first), "last": str(one.last), "planned": one.planned, "failed": one.failed}
            for one in told.gaps
        ],
        "findings": [one.kind for one in told.findings],
        "alarms": [
            {"kind": one.kind, "raised_at": rfc3339(one.raised_us),
             "steps": [{"at": rfc3339(s.at_us), "event": s.event, "who": s.who, "why": s.why} for s in one.steps]}
            for one in told.alarms
        ],
        "work": [{"key": work.key, "kind": work.kind, "at": rfc3339(work.at_us), "by": work.by, "stands": stands}
                 for work, _, stands in told.work],
        "messages": dict(told.messages), "lost": told.lost, "thinned": told.thinned, "digests": dict(told.digests), "digest": told.digest,
    }  # fmt: skip
