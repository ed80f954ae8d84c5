"""A month's report in words: the same for the page that is printed and for what is sent."""

from analytics.findings import CAUTION
from analytics.kinds import FINDING_KINDS
from analytics.planning.usage import Amount
from dashboard import formatting
from dashboard.exports import account as words
from dashboard.exports.hand import hand_due, hand_undated
from dashboard.queries.report import Report, Unknown, Waiting
from dashboard.queries.scope import Scope
from ingest.languages import cldr, later, tr, trn

Section = tuple[str, list[str]]


def title(told: Report) -> str:
    """What it is about."""
    text = later("Lubrication in {month} so far, {place}") if told.lasts else later("Lubrication in {month}, {place}")
    return tr(text, month=formatting.month(told.month), place=place(told.scope))


def place(scope: Scope) -> str:
    """What a scope is called."""
    return ", ".join(
        name for name in (scope.depot, tr("fleet {name}", name=scope.fleet) if scope.fleet else "") if name
    ) or tr("all depots")


def sections(told: Report) -> list[Section]:
    """(heading, sentences) in the order in which they are read."""
    return [
        (tr("Greased as planned"), figures(told)),
        (tr("What failed"), failed(told)),
        (tr("What was done"), repaired(told)),
        (tr("Grease"), litres(told)),
        (tr("Open risks"), risks(told)),
    ]


def repaired(told: Report) -> list[str]:
    """Work by kind."""
    return [
        f"{tr(name)}: {trn('{n} record', '{n} records', number)}, {words.vehicles(vehicles)}"
        for name, number, vehicles in told.repaired
    ] or [tr("No work is recorded in this month.")]


def figures(told: Report) -> list[str]:
    """The month's figure, against the months before, where it is lowest, and where there is none."""
    if not len(told.trend) or told.trend["month"].iloc[-1] != told.month:
        return [tr("Nothing is accounted for in this month.")]
    silent = (
        [tr("Nothing is accounted for in this month at: {depots}.", depots=", ".join(told.silent))]
        if told.silent
        else []
    )
    now = told.trend.iloc[-1]
    said = [
        tr("{headline}; 95 % limits {limits}.", headline=words.headline(now), limits=words.limits(now)),
        words.doses(now),
    ]
    if len(told.trend) > 1:
        before = told.trend.iloc[-2]
        said.append(
            tr(
                "The month before ({month}): {percent}.",
                month=formatting.month(before["month"]),
                percent=words.percent(before),
            )
        )
    if told.unknown:
        said.append(
            tr(
                "{number} registered vehicles planned no dose: they stood, or nothing was heard of them. They are in"
                " none of these figures.",
                number=told.unknown,
            )
        )
    if len(told.by_critical) > 1:
        said += [f"{tr(row['group'])}: {words.percent(row)}" for row in told.by_critical.to_dict("records")]
    if not told.scope.depot:
        said += [f"{row['group']}: {words.percent(row)}" for row in told.by_depot.head(8).to_dict("records")]
    return said + silent


def failed(told: Report) -> list[str]:
    """Findings by kind, and the points that got least."""
    at_end = later("{title}: {began} began, {ended} ended, {last} still open at the month's end")
    said = [
        tr(
            later("{title}: {began} began, {ended} ended, {last} still open") if told.lasts else at_end,
            title=FINDING_KINDS[kind].title,
            began=began,
            ended=ended,
            last=last,
        )
        for kind, began, ended, last in told.began
    ]
    said += [
        tr(
            "{unit} ({vehicle}), {points}: {percent} % of the doses surely did not arrive, on {days}",
            unit=one.unit,
            vehicle=one.vehicle,
            percent=cldr.decimal(max(one.failed_pct, 1.0), 0),  # some did not arrive: never 0
            points=words.points(one) + (f" ({tr('steering or braking')})" if one.critical else ""),
            days=trn("{n} day", "{n} days", one.failed_days),
        )
        for one in told.worst
    ]
    if told.unknown or told.open:
        return said or [tr("Nothing is known to have failed, but not of every vehicle is everything known.")]
    return said or [tr("Nothing was found to fail.")]


def litres(told: Report) -> list[str]:
    """What was used and filled, by depot and grease."""

    def said(one: Amount) -> str:
        names = {"depot": one.depot, "grease": one.grease, "used": formatting.litres(one.used_l)}
        if one.known_filled_l is None:
            return tr("{depot}, {grease}: {used} used; how much was filled in is not known", **names)
        return tr("{depot}, {grease}: {used} used, {filled} filled", filled=formatting.litres(one.filled_l), **names)

    return [said(one) for one in told.amounts] or [
        tr("No grease was used or filled in this month, as far as is known.")
    ]


def risks(told: Report) -> list[str]:
    """What lasts now, most urgent first, and of how many vehicles nobody knows."""
    said = [
        f"{formatting.NEED_WORDS[one.finding.severity]}: {one.unit} ({one.vehicle}), {FINDING_KINDS[one.finding.kind].title}."
        f" {formatting.in_my_units(one.finding.summary)}"
        for one in told.risks
    ]
    if told.more_risks:
        said.append(tr("and {left} more.", left=told.more_risks))
    return said + _waiting(told.waiting) + _unknown(told.open) or [
        tr("Nothing that somebody has to act on or plan for is open.")
    ]


def _waiting(told: Waiting) -> list[str]:
    refills = trn(
        "The refill window of {n} vehicle has begun.", "The refill window of {n} vehicles has begun.", told.refills
    )
    critical = tr("Steering or braking depends on {number} of those that are due.", number=told.critical)
    by_hand = f"{hand_due(told.by_hand)} {critical}" if told.critical else hand_due(told.by_hand)
    counted = (told.refills, refills), (told.by_hand, by_hand), (told.undated, hand_undated(told.undated))
    return [said for number, said in counted if number]


def _unknown(told: Unknown) -> list[str]:
    unheard = trn(
        "Nothing was heard of {n} vehicle since the month began.",
        "Nothing was heard of {n} vehicles since the month began.",
        told.unheard,
    )
    not_proven = trn("{n} vehicle is not proven now.", "{n} vehicles are not proven now.", told.not_proven)
    undated = trn("No refill date is known of {n} vehicle.", "No refill date is known of {n} vehicles.", told.undated)
    counted = (told.unheard, unheard), (told.not_proven, not_proven), (told.undated, undated)
    return [said for number, said in counted if number]


def as_text(told: Report) -> str:
    """The whole report, to send."""
    parts = [title(told)]
    for heading, sentences in sections(told):
        parts.append("\n".join([heading, *(f"- {sentence}" for sentence in sentences)]))
    return "\n\n".join([*parts, tr(words.MEANING), tr(CAUTION)]) + "\n"
