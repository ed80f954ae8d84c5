"""A month's report in words: the same for the page that is printed and for what is sent."""

from analytics.findings import CAUTION
from analytics.kinds import FINDING_KINDS
from dashboard import formatting
from dashboard.exports import account as words
from dashboard.queries.report import Report
from dashboard.queries.scope import Scope

Section = tuple[str, list[str]]


def title(told: Report) -> str:
    """What it is about."""
    return f"Lubrication in {formatting.month(told.month)}, {place(told.scope)}"


def place(scope: Scope) -> str:
    """What a scope is called."""
    return (
        ", ".join(name for name in (scope.depot, f"fleet {scope.fleet}" if scope.fleet else "") if name) or "all depots"
    )


def sections(told: Report) -> list[Section]:
    """(heading, sentences) in the order in which they are read."""
    return [
        ("Greased as planned", figures(told)),
        ("What failed", failed(told)),
        ("What was repaired", repaired(told)),
        ("Grease", litres(told)),
        ("Open risks", risks(told)),
    ]


def repaired(told: Report) -> list[str]:
    """Work by kind."""
    return [
        f"{name}: {words.counted(number, 'record')}, {words.counted(vehicles, 'vehicle')}"
        for name, number, vehicles in told.repaired
    ] or ["No work is recorded in this month."]


def figures(told: Report) -> list[str]:
    """The month's figure, against the months before, and where it is lowest."""
    if not len(told.trend) or told.trend["month"].iloc[-1] != told.month:
        return ["Nothing is accounted for in this month."]
    now = told.trend.iloc[-1]
    said = [
        f"{words.headline(now)}; 95 % limits {words.limits(now)}.",
        words.doses(now),
    ]
    if len(told.trend) > 1:
        before = told.trend.iloc[-2]
        said.append(f"The month before ({formatting.month(before['month'])}): {words.percent(before)}.")
    if told.unknown:
        said.append(
            f"{told.unknown} registered vehicles planned no dose: they stood, or nobody heard of them. They are in none of these figures."
        )
    said += [f"{row['group']}: {words.percent(row)}" for row in told.by_critical.to_dict("records")]
    if not told.scope.depot:
        said += [f"{row['group']}: {words.percent(row)}" for row in told.by_depot.head(8).to_dict("records")]
    return said


def failed(told: Report) -> list[str]:
    """Findings by kind, and the points that got least."""
    said = [
        f"{FINDING_KINDS[kind].title}: {began} began, {ended} ended, {last} still open at the month's end"
        for kind, began, ended, last in told.began
    ]
    said += [
        f"{one.unit} ({one.vehicle}), {words.points(one)}{' (steering or braking)' if one.critical else ''}:"
        f" {one.failed_pct:.0f} % of the doses surely did not arrive, on {words.counted(one.failed_days, 'day')}"
        for one in told.worst
    ]
    return said or ["Nothing was found to fail."]


def litres(told: Report) -> list[str]:
    """What was used and filled, by depot and grease."""
    return [
        f"{one.depot}, {one.grease}: {formatting.litres(one.used_l)} used, {formatting.litres(one.filled_l)} filled"
        for one in told.amounts
    ] or ["No grease was used or filled in this month, as far as is known."]


def risks(told: Report) -> list[str]:
    """What lasts now, most urgent first."""
    said = [
        f"{formatting.NEED_WORDS[one.finding.severity]}: {one.unit} ({one.vehicle}), {FINDING_KINDS[one.finding.kind].title}."
        f" {formatting.in_my_units(one.finding.summary)}"
        for one in told.risks
    ]
    if told.more_risks:
        said.append(f"and {told.more_risks} more.")
    return said or ["Nothing that somebody has to act on or plan for is open."]


def as_text(told: Report) -> str:
    """The whole report, to send."""
    parts = [title(told)]
    for heading, sentences in sections(told):
        parts.append("\n".join([heading, *(f"- {sentence}" for sentence in sentences)]))
    return "\n\n".join([*parts, words.MEANING, CAUTION]) + "\n"
