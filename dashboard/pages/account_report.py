"""A month's report on two sheets of A4, to print."""

from typing import Any

import dash
from dash import dcc, html

from dashboard import components, formatting
from dashboard.exports import account as words
from dashboard.exports import report as sentences
from dashboard.figures import theme
from dashboard.figures.account import course
from dashboard.queries import account
from dashboard.queries.report import Report, read_report
from dashboard.queries.scope import address, has_vehicles, scope_of
from dashboard.web.database import engine
from ingest.languages import later, tr
from ingest.times import now_us

dash.register_page(
    __name__, path="/account/report", name=later("Month's report"), title=lambda **_: tr("Month's report")
)


def layout(month: str = "", **asked: Any) -> html.Div:
    """The report of the month and scope in the address; of the newest month otherwise."""
    chosen = scope_of(asked)
    known = account.months(engine(), chosen)
    if not known and not has_vehicles(engine(), chosen):
        return html.Div([html.H1(tr("Month's report")), html.P(tr("Nothing is accounted for yet."))])
    newest = known[0] if known else account.month_before(now_us())
    return html.Div(sheet(read_report(engine(), month if month in known else newest, chosen)), className="report")


def sheet(told: Report) -> list[Any]:
    """All of it; the second sheet begins with what lasts."""
    shown: list[Any] = [
        html.H1(sentences.title(told)),
        html.P(
            dcc.Link(tr("Back to the account"), href=address("/account", told.scope, month=told.month)),
            className="steps",
        ),
    ]
    for heading, said in sentences.sections(told):
        parts: list[Any] = [html.Ul([html.Li(one) for one in said])]
        if heading == tr("Greased as planned") and len(told.trend):
            parts[:0] = [_chart(told, scheme) for scheme in ("light", "dark")]
        shown.append(
            html.Div(components.section(heading, parts), className="sheet-two" if heading == tr("Grease") else "")
        )
    return [*shown, html.P(tr(words.MEANING), className="dim"), components.cautions_in_full()]


def _chart(told: Report, scheme: str) -> html.Div:
    """The course for a scheme: which is shown, the screen's decides, and on paper it is the light one."""
    figure = course(formatting.in_words(told.trend), "month", theme.template_of(scheme))
    return html.Div(dcc.Graph(figure=figure, config={"staticPlot": True}), className=f"report-{scheme}")
