"""Which kinds of point, bundles, classes and depots fail how often, fairly compared."""

from typing import Any

import dash
import dash_mantine_components as dmc
from dash import Input, Output, State, callback, dcc, html

from dashboard import components
from dashboard.exports import csv
from dashboard.figures import theme
from dashboard.figures.patterns import fault_course, fault_rates
from dashboard.pages import found
from dashboard.queries import patterns
from dashboard.queries.found import verdicts
from dashboard.queries.patterns import Patterns
from dashboard.queries.scope import address, scope_of
from dashboard.web.database import engine
from ingest.languages import begun, cldr, later, tr

dash.register_page(
    __name__,
    path="/patterns",
    name=later("Patterns"),
    title=lambda **_: tr("Patterns"),
    in_menu=True,
    order=5,
    icon="patterns",
)


def layout(by: str = "point", against: str = "months", **asked: Any) -> html.Div:
    """The page for the scope, the grouping and the exposure in the address."""
    chosen = by if by in patterns.GROUPS else "point"
    held = against if against in patterns.EXPOSURES else "months"
    return html.Div(
        [
            dcc.Location(id="patterns-location", refresh=False),
            dcc.Download(id="patterns-file"),
            dcc.Store(id="patterns-scope", data=scope_of(asked)._asdict()),
            components.page_head(tr("Patterns"), [(tr("Save as CSV"), "patterns-csv")]),
            html.P(
                tr("Blocked and open lines, against the time that they were watched: few faults in a short time prove little, and"
                " the limits say so."),
                className="dim",
            ),
            html.Div(
                [
                    dmc.Select(
                        id="patterns-by", value=chosen, allowDeselect=False, w=220, label=tr("Compare by"),
                        data=[{"value": key, "label": tr(name)} for key, name in patterns.GROUPS.items()],
                    ),
                    dmc.Select(
                        id="patterns-against", value=held, allowDeselect=False, w=220, label=tr("Rate per"),
                        data=[{"value": key, "label": tr(told.of_vehicle)} for key, told in patterns.EXPOSURES.items()],
                    ),
                ],
                className="filters",
            ),
            html.Div(components.pending(), id="patterns-body"),
        ]
    )  # fmt: skip


def body(told: Patterns, group: str, against: str, template: str) -> list[Any]:
    """Rates as a chart and a table, and the course over months or ignition hours."""
    held = patterns.EXPOSURES[against]
    of_vehicle, of_line, per = tr(held.of_vehicle), tr(held.of_line), held.per
    if not told.rates:
        return [html.P(tr("No line that a pressure channel watches has been analysed yet."), className="dim")]
    heads = (
        begun(tr(patterns.GROUPS[group])),
        tr("Faults"),
        begun(of_line),
        tr("Per {number} {what}", number=cldr.grouped(per), what=of_line),
        tr("95 % limits"),
    )
    rows = [
        html.Tr(
            [html.Td(name), html.Td(str(r.events)), html.Td(cldr.grouped(round(r.exposure))), html.Td(cldr.decimal(per * r.rate, 2)),
             html.Td(tr("{low} to {high}", low=cldr.decimal(per * r.ci_low, 2), high=cldr.decimal(per * r.ci_high, 2)))]
        )
        for name, r in told.rates
    ]  # fmt: skip
    table = components.table(heads, rows, "sheet")
    parts_: list[Any] = [
        components.section(
            tr("Line faults by {what}", what=tr(patterns.GROUPS[group])),
            [
                dcc.Graph(figure=fault_rates(told.rates, template, of_line, per), config={"displayModeBar": False}),
                html.Details([html.Summary(tr("As a table")), table]),
            ],
            tr(
                "A channel that watches lines of several groups cannot tell in which of them a fault lies, and is left out."
            ),
        )
    ]
    if told.course is not None:
        parts_.append(
            components.section(
                tr("Line faults over the {what}", what=of_vehicle),
                dcc.Graph(
                    figure=fault_course(told.course, told.longest, template, of_vehicle),
                    config={"displayModeBar": False},
                ),
                tr(
                    "Average line faults per vehicle ({vehicles} vehicles); a straight line means that they come at a"
                    " steady rate, a steeper end that they come more often with age.",
                    vehicles=told.vehicles,
                ),
            )
        )
    return parts_


@callback(
    Output("patterns-body", "children"),
    Output("patterns-location", "href"),
    Input("patterns-by", "value"),
    Input("patterns-against", "value"),
    Input("scheme-now", "data"),
    State("patterns-scope", "data"),
)
def show(group: str, against: str, scheme: str | None, asked: dict[str, str]) -> tuple[list[Any], str]:
    """The chosen comparison; the address holds it."""
    chosen = scope_of(asked)
    told = patterns.patterns(engine(), group, against, chosen)
    shown = body(told, group, against, theme.template_of(scheme)) + found.cause_section(verdicts(engine(), chosen))
    return shown, address("/patterns", chosen, by=group, against=against)


@callback(
    Output("patterns-file", "data"),
    Input("patterns-csv", "n_clicks"),
    State("patterns-by", "value"),
    State("patterns-against", "value"),
    State("patterns-scope", "data"),
    prevent_initial_call=True,
)
def save(_: int, group: str, against: str, asked: dict[str, str]) -> dict[str, Any]:
    """The numbers of both charts as a file."""
    rows = csv.pattern_table(patterns.patterns(engine(), group, against, scope_of(asked)), against)
    return csv.as_file(rows, "what", f"patterns-{group}.csv")
