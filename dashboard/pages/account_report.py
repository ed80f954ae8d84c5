"""A month's report on two sheets of A4, to print."""

import re
from typing import Any

import dash
from dash import dcc, html

from dashboard import components
from dashboard.exports import account as words
from dashboard.exports import report as sentences
from dashboard.figures.account import course
from dashboard.queries import account, scope
from dashboard.queries.report import Report, read_report
from dashboard.web.app import engine

dash.register_page(__name__, path="/account/report", name="Month's report", title="Month's report")


def layout(month: str = "", depot: str = "", **_: Any) -> html.Div:
    """The report of the month and depot in the address; of the newest month otherwise."""
    known = account.months(engine())
    if not known:
        return html.Div([html.H1("Month's report"), html.P("Nothing is accounted for yet.")])
    chosen = month if re.fullmatch(r"\d{4}-\d\d", month) and month in known else known[0]
    place = depot if depot in scope.depots(engine()) else ""
    return html.Div(sheet(read_report(engine(), chosen, place)), className="report")


def sheet(told: Report) -> list[Any]:
    """All of it; the second sheet begins with what lasts."""
    shown: list[Any] = [
        html.H1(sentences.title(told)),
        html.P(dcc.Link("Back to the account", href=f"/account?month={told.month}"), className="steps"),
    ]
    for heading, said in sentences.sections(told):
        parts: list[Any] = [html.Ul([html.Li(one) for one in said])]
        if heading == "Greased as planned" and len(told.trend):
            parts.insert(0, dcc.Graph(figure=course(told.trend, "month", "mantine_light"), config={"staticPlot": True}))
        shown.append(html.Div(components.section(heading, parts), className="sheet-two" if heading == "Grease" else ""))
    return [*shown, html.P(words.MEANING, className="dim"), components.cautions_in_full()]
