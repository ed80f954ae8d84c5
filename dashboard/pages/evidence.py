"""What stands for a point or a pump over a span, to print: for whoever has to prove that it was greased, or that it was not."""

from datetime import date, timedelta
from typing import Any

import dash
import dash_mantine_components as dmc
from dash import ClientsideFunction, Input, Output, State, callback, clientside_callback, dcc, html

from dashboard import components
from dashboard.exports import evidence as words
from dashboard.queries import vehicle
from dashboard.queries.evidence import Evidence, read_evidence
from dashboard.queries.scope import EVERYTHING, address
from dashboard.web.database import engine
from ingest.errors import Problem
from ingest.languages import later, tr
from ingest.times import instant, now_us

dash.register_page(
    __name__,
    path_template="/evidence/<fleet>/<name>",
    name=later("Evidence"),
    title=lambda fleet=None, name=None: tr("Evidence {name}", name=name),
)
_DAYS = 90  # that are shown at first


def layout(fleet: str = "", name: str = "", line: str = "", first: str = "", last: str = "", **_: Any) -> html.Div:
    """The sheet of one vehicle, for the line and the span in the address."""
    setup = vehicle.setup(engine(), fleet, name)
    if setup is None:
        return html.Div(
            [html.H1(tr("Evidence")), html.P(tr("No vehicle of this name is registered: {name}.", name=name))]
        )
    today = instant(now_us()).date()
    span = [first or str(today - timedelta(days=_DAYS)), last or str(today)]
    lines = [{"value": "", "label": tr("The pump and all of its lines")}]
    lines += [
        {"value": str(one.line), "label": tr("Line {line}, {point}", line=one.line, point=one.point)}
        for one in setup.lines
    ]
    return html.Div(
        [
            dcc.Location(id="evidence-location", refresh=False),
            dcc.Store(id="evidence-who", data={"fleet": fleet, "name": name}),
            html.Div(
                [html.H1(tr("Evidence")), dmc.Button(tr("Print"), id="evidence-print", variant="default")], className="page-head"
            ),
            html.Div(
                [
                    dmc.Select(id="evidence-line", label=tr("Of"), data=lines, value=line, allowDeselect=False, searchable=True, w=300),
                    dmc.DatePickerInput(id="evidence-span", label=tr("From, to"), type="range", value=span,
                        valueFormat="D MMM YYYY", w=330),
                ],
                className="filters",
            ),
            html.Div(components.pending(), id="evidence-body"),
        ],
        className="report",
    )  # fmt: skip


def sheet(told: Evidence) -> list[Any]:
    """All of it."""
    shown: list[Any] = [html.H2(words.title(told)), html.P(words.span(told))]
    for heading, said in words.sections(told):
        hashed = heading == tr("Hash over the records")
        shown.append(components.section(heading, html.Ul([html.Li(html.Code(one) if hashed else one) for one in said])))
    return [*shown, html.P(words.method(), className="dim")]


@callback(
    Output("evidence-body", "children"),
    Output("evidence-location", "href"),
    Input("evidence-line", "value"),
    Input("evidence-span", "value"),
    State("evidence-who", "data"),
)
def show(line: str | None, span: list[str | None] | None, who: dict[str, str]) -> tuple[Any, Any]:
    """The chosen line and span; the address holds them."""
    first, last = span if span and len(span) == 2 else (None, None)
    if not first or not last:
        return dash.no_update, dash.no_update
    number = int(line) if line and line.isdecimal() else None
    try:
        told = read_evidence(
            engine(), who["fleet"], who["name"], number, date.fromisoformat(first[:10]), date.fromisoformat(last[:10])
        )
    except (Problem, ValueError) as problem:
        return html.P(tr("Not shown: {problem}.", problem=problem)), dash.no_update
    path = f"/evidence/{who['fleet']}/{who['name']}"
    return sheet(told), address(path, EVERYTHING, line=line or "", first=first[:10], last=last[:10])


clientside_callback(
    ClientsideFunction("tallow", "print"),
    Output("evidence-print", "title"),
    Input("evidence-print", "n_clicks"),
    prevent_initial_call=True,
)
