"""What was found where findings sent somebody: parts of the pages about the account and about patterns."""

from collections.abc import Sequence
from typing import Any

from dash import dcc, html

from analytics.account.found import LATEST, InVain, Tally, Verdict, causes, in_vain, tallies
from analytics.kinds import FINDING_KINDS
from dashboard import components
from ingest.languages import cldr, later, tr

NOTHING = later(
    "Nobody has said yet what was found. Whoever records work says it on the vehicle's page: as told, something else, or nothing wrong"
    " at all."
)


def section(verdicts: Sequence[Verdict], now_us: int, *, lead: bool) -> Any:
    """How often findings were true; for the lead, who was sent in vain and what to set right."""
    parts: list[Any] = [html.Div(_table(tallies(verdicts)), className="wide")] if verdicts else [html.P(tr(NOTHING))]
    vain = in_vain(verdicts, now_us) if lead else []
    if vain:
        parts += [html.H3(tr("Sent in vain twice or more")), html.Ul([html.Li(_said(one)) for one in vain])]
    return components.section(
        tr("What was found there"),
        parts,
        tr(
            "Of the latest {number} findings of a kind that somebody looked at. Nothing is made less"
            " sensitive by itself.",
            number=LATEST,
        ),
    )


def _table(told: Sequence[Tally]) -> html.Table:
    rows = [
        html.Tr(
            [html.Td(FINDING_KINDS[one.kind].title), html.Td(tr("{number} of {all}", number=one.true.hits, all=one.true.of)),
             html.Td(tr("{low} to {high} %", low=cldr.decimal(100 * one.true.ci_low, 0), high=cldr.decimal(100 * one.true.ci_high, 0))),
             html.Td(str(one.other_cause)), html.Td(str(one.nothing))]
        )
        for one in told
    ]  # fmt: skip
    return components.table(
        (tr("Finding"), tr("As told"), tr("95 % limits"), tr("Another cause"), tr("Nothing wrong")), rows, "plain"
    )


def _said(one: InVain) -> list[Any]:
    title = FINDING_KINDS[one.kind].title
    if one.vehicle is None:
        return [
            tr(
                "{title}, on several vehicles, {times} times: {set_right}.",
                title=title,
                times=one.times,
                set_right=tr(one.set_right),
            )
        ]
    who = one.vehicle
    link = dcc.Link(f"{who.unit} ({who.vehicle})", href=f"/vehicle/{who.fleet}/{who.vehicle}")
    return [
        link,
        ", " + tr("{title}, {times} times: {set_right}.", title=title, times=one.times, set_right=tr(one.set_right)),
    ]


def cause_section(verdicts: Sequence[Verdict]) -> list[Any]:
    """What else was wrong, by kind of finding; nothing where nobody said so."""
    rows = [
        html.Tr([html.Td(FINDING_KINDS[kind].title), html.Td(tr(cause)), html.Td(str(number))])
        for kind, cause, number in causes(verdicts)
    ]
    if not rows:
        return []
    table = html.Div(components.table((tr("Finding"), tr("Cause"), tr("Times")), rows, "plain-wrap"), className="wide")
    return [components.section(tr("Causes that were found instead"), table, tr("As those wrote who went there."))]
