"""Warranty evidence in words: the same for the sheet that is printed and for the command."""

from collections import defaultdict
from datetime import date
from typing import Any, Final

from analytics.findings import Finding
from analytics.kinds import ALARM_KINDS, FINDING_KINDS
from dashboard import formatting
from dashboard.exports import account
from dashboard.line_numbers import line_numbers
from dashboard.queries.evidence import Evidence, Step
from ingest.languages import cldr, later, tr, trn
from ingest.times import rfc3339

_METHOD: Final = later(
    "Messages are those that carry a time of the span by the controller's own clock. What is told here is worked out"
    " from them, from the set-ups that were registered, from what people recorded, and from the alarms with what was done to them. The"
    " hash (SHA-256) is over these records, receipts and sampled courses aside: from the same records anybody gets the same hash again"
    " with tallow evidence. It shows that the records are the same as when the sheet was printed; it does not show that they are true."
)

Section = tuple[str, list[str]]


def method() -> str:
    """How all of it is worked out, and what its hash shows."""
    return f"{tr(account.MEANING)} {tr(_METHOD)}"


def title(told: Evidence) -> str:
    """What it is about."""
    what = (
        tr("the pump and all of its lines")
        if told.line is None
        else tr("line {line}, {point}", line=told.line.line, point=told.line.point)
    )
    return f"{told.setup.unit} ({told.setup.fleet}/{told.setup.vehicle}), {what}"


def span(told: Evidence) -> str:
    """From when to when, by which clock."""
    return tr(
        "{first} to {last}, by the clock of {timezone}",
        first=formatting.day(told.first), last=formatting.day(told.last), timezone=told.setup.timezone,
    )  # fmt: skip


def sections(told: Evidence) -> list[Section]:
    """(heading, sentences) in the order in which they are read."""
    return [
        (tr("Grease planned and arrived"), doses(told)),
        (tr("Gaps"), _gaps(told)),
        (tr("Found"), _found(told)),
        (tr("Alarms, and who answered"), _alarms(told)),
        (tr("Work"), _work(told)),
        (tr("Completeness of the data"), completeness(told)),
        (tr("Hash over the records"), [f"{name}: {value}" for name, value in told.digests.items()]
         + [tr("all: {digest}", digest=told.digest)]),
    ]  # fmt: skip


def doses(told: Evidence) -> list[str]:
    """What was planned, what arrived."""
    if not told.planned and not told.setup.controller:
        return [tr("No controller: nothing is measured here. What was greased by hand stands under Work.")]
    if not told.planned:
        return [tr("No dose is known to have been planned: the vehicle stood, or nothing was heard of it.")]
    lines = 1 if told.line is not None else len(told.setup.lines)
    unproven = told.planned - told.arrived - told.failed
    said = trn(
        "Of {planned} planned doses of {n} line {arrived} surely arrived ({percent} %), {failed} surely did"
        " not, {unproven} are not proven.",
        "Of {planned} planned doses of {n} lines {arrived} surely arrived ({percent} %), {failed} surely did"
        " not, {unproven} are not proven.",
        lines, planned=cldr.grouped(told.planned), arrived=cldr.grouped(told.arrived), failed=cldr.grouped(told.failed),
        percent=cldr.floored(100 * told.arrived / told.planned, 1), unproven=cldr.grouped(unproven),
    )  # fmt: skip
    if told.line is not None:
        planned, arrived = (cldr.decimal(n * told.line.dose_cm3, 0) for n in (told.planned, told.arrived))
        said += " " + tr("That is {arrived} of {planned} cm3 by the line list.", arrived=arrived, planned=planned)
    days, of = sum(1 for one in told.days if one.planned), (told.last - told.first).days + 1
    return [said, tr("On {days} of {all} days a dose was planned.", days=days, all=of)]


def _gaps(told: Evidence) -> list[str]:
    alike = defaultdict[tuple[date, date, float, float], list[int]](list)
    for one in told.gaps:
        alike[one.first, one.last, one.planned, one.failed].append(one.line)
    single = later(
        "{lines}, {first} to {last}: of {planned} planned doses none surely arrived, {failed} surely did not"
    )
    each = later(
        "{lines}, {first} to {last}: of {planned} planned doses of each none surely arrived, {failed} surely did not"
    )
    none = tr("Of each line at least one dose surely arrived on every day on which one was planned.")
    return [
        tr(
            each if len(lines) > 1 else single,
            lines=_lines(lines, told), first=formatting.day(first), last=formatting.day(last), planned=cldr.grouped(planned),
            failed=cldr.grouped(failed),
        )
        for (first, last, planned, failed), lines in alike.items()
    ] or [none if told.planned else tr("Not known: no dose is known to have been planned.")]  # fmt: skip


def _lines(numbers: list[int], told: Evidence) -> str:
    """Line 5, kingpin upper right; all 14 lines; lines 3 to 5."""
    points = {line.line: line.point for line in told.setup.lines}
    if len(numbers) == 1:
        point = points.get(numbers[0]) or tr("no longer on the line list")
        return tr("Line {line}, {point}", line=numbers[0], point=point)
    if set(numbers) >= set(points):
        return tr("All {number} lines", number=len(numbers))
    return tr("Lines {lines}", lines=line_numbers(numbers))


def _found(told: Evidence) -> list[str]:
    return [
        f"{_lasted(one, told.setup.timezone)}: {FINDING_KINDS[one.kind].title}. {formatting.in_my_units(one.summary)}"
        for one in told.findings
    ] or [tr("Nothing was found.") if told.messages else tr("Nothing was heard, so nothing could be found.")]


def _lasted(found: Finding, zone: str) -> str:
    began = formatting.moment(found.began_us, zone)
    if found.ended_us is None:
        return tr("{time}, still open", time=began)
    return tr("{first} to {last}", first=began, last=formatting.moment(found.ended_us, zone))


def _alarms(told: Evidence) -> list[str]:
    zone, said = told.setup.timezone, list[str]()
    for one in told.alarms:
        answers = (step for step in one.steps if (step.event, step.at_us) != ("occur", one.raised_us))
        steps = "; ".join(_step(step, zone) for step in answers) or tr("nobody answered")
        said.append(
            tr(
                "{title}, raised {time}: {steps}",
                title=ALARM_KINDS[one.kind].title,
                time=formatting.moment(one.raised_us, zone),
                steps=steps,
            )
        )
    return said or [tr("None was raised.")]


def _step(step: Step, zone: str) -> str:
    by, why = (" " + tr("by {name}", name=step.who) if step.who else ""), (f" ({tr(step.why)})" if step.why else "")
    return f"{formatting.moment(step.at_us, zone)} {formatting.EVENTS[step.event]}{by}{why}"


def _work(told: Evidence) -> list[str]:
    zone = told.setup.timezone
    return [
        tr(
            "{time}: {what}, by {name}, recorded {recorded}",
            time=formatting.moment(work.at_us, zone),
            what="; ".join([tr(work.title), *formatting.work_details(work)]),
            name=work.by,
            recorded=formatting.moment(recorded_us, zone),
        )
        + ("" if stands else f" ({tr('no longer stands')})")
        for work, recorded_us, stands in told.work
    ] or [tr("None is recorded.")]


def completeness(told: Evidence) -> list[str]:
    """How many messages there are, and how many are missing."""
    kinds = ", ".join(f"{cldr.grouped(number)} {kind}" for kind, number in sorted(told.messages.items())) or tr("none")
    if told.lost is None:
        lost = tr(
            "{number} of them are what is left of days that were thinned: how many there were is not known any more.",
            number=cldr.grouped(told.thinned),
        )
    else:
        every = sum(told.messages.values()) + told.lost
        lost = (
            tr(
                "By their numbers {lost} of {all} never came, from the last before these days to the first after them.",
                lost=cldr.grouped(told.lost), all=cldr.grouped(every),
            )
            if every
            else tr("Nothing was heard.")
        )  # fmt: skip
    said = [tr("Messages: {kinds}.", kinds=kinds), lost]
    if told.quiet_days:
        days = (told.last - told.first).days + 1
        said.append(tr("On {days} of {all} days nothing was heard.", days=told.quiet_days, all=days))
    if told.quiet_since_us is not None:
        since = formatting.moment(told.quiet_since_us, told.setup.timezone)
        said.append(tr("Nothing was heard after {time}: how much was lost since then is not known.", time=since))
    return said


def as_text(told: Evidence) -> str:
    """All of it."""
    parts = [f"{tr('Evidence')}: {title(told)}\n{span(told)}"]
    parts += ["\n".join([heading, *(f"- {sentence}" for sentence in said)]) for heading, said in sections(told)]
    return "\n\n".join([*parts, method()]) + "\n"


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
        "messages": dict(told.messages), "lost": told.lost, "thinned": told.thinned,
        "days_without_messages": told.quiet_days,
        "nothing_heard_since": None if told.quiet_since_us is None else rfc3339(told.quiet_since_us),
        "digests": dict(told.digests), "digest": told.digest,
    }  # fmt: skip
