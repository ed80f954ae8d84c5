"""A vehicle's charts over time, and the line that is opened in them and beside the line list."""

from typing import Any, Final

import dash
import dash_mantine_components as dmc
import plotly.graph_objects as go
from dash import ClientsideFunction, Input, Output, Patch, callback, clientside_callback, ctx, dcc, html

from analytics.vehicle.analysis import Result
from dashboard import accounts, components
from dashboard.figures import theme, vehicle_stack
from dashboard.pages.vehicle import lines
from dashboard.pages.vehicle.files import as_csv
from dashboard.queries.vehicle import vehicle_result
from dashboard.web.database import engine
from ingest.languages import Words, later, tr

_SPANS: Final = Words(
    {"all": later("Everything"), "90": later("90 days"), "30": later("30 days"), "7": later("7 days")}
)
_NOTE: Final = later(
    "One axis of time for all. Drag over days to look closer, on a phone with two fingers; Everything shows the whole"
    " again. Choose a row of the map to open that line; where it is empty nothing was read."
)


def charts(result: Result, opened: int | None, template: str) -> Any:
    """The charts over time, as one picture."""
    figure = _figure(result, opened, template)
    if figure is None:
        return components.section(tr("Over time"), html.P(tr("Nothing is recorded yet."), className="dim"))
    meta, watched = figure.layout.meta, bool(result.history.setup.channels)
    missing = (
        ""
        if meta["map"]
        else tr("No cycle is recorded yet.")
        if watched
        else tr("No pressure channel watches this system.")
    )
    span = dmc.SegmentedControl(
        id="vehicle-span",
        value="all",
        data=[{"value": key, "label": label} for key, label in _SPANS.items()],
        size="sm",
    )
    return components.section(
        tr("Over time"),
        [
            as_csv("happened", "level", "cycles", *(["map"] if meta["map"] else [])),
            html.Div([span, html.Div(id="vehicle-linked", hidden=True)], className="vehicle-span"),
            html.Div(
                dcc.Graph(id="vehicle-stack", figure=figure, **components.chart(), style={"height": f"{figure.layout.height}px"}),
                tabIndex=0, role="group", id="vehicle-charts",
                **{"aria-label": tr("Charts over time: arrow keys move the span, plus and minus change it, 0 shows everything")},
            ),
            *([html.P(missing, className="dim")] if missing else []),
        ],
        tr(_NOTE),
    )  # fmt: skip


def _figure(result: Result, opened: int | None, template: str) -> go.Figure | None:
    return vehicle_stack.stack(result, lines.channel_of(result, opened), template, accounts.my_units())


def _drawn(scheme: str | None) -> bool:
    """Whether a picture is as the page was served: nothing has changed since, and its scheme is the light one."""
    return ctx.triggered_id is None and scheme != "dark"


def draw(who: dict[str, Any], scheme: str | None, opened: int | None) -> Any:
    """The charts anew, by what is recorded, by the scheme of the page and by the line that is opened; the span stays as it is."""
    if _drawn(scheme):
        return dash.no_update
    result = vehicle_result(engine(), who["fleet"], who["name"])
    figure = None if result is None else _figure(result, opened, theme.template_of(scheme))
    if figure is None:
        return dash.no_update
    patch, new = Patch(), figure.to_plotly_json()
    if ctx.triggered_id == "vehicle-opened":
        if not figure.layout.meta["line"]:
            return dash.no_update
        for k in range(vehicle_stack.LINE_TRACES):
            patch["data"][k] = new["data"][k]
        patch["layout"]["annotations"][0] = new["layout"]["annotations"][0]
        return patch
    patch["data"] = new["data"]
    for key, value in new["layout"].items():
        if key not in ("xaxis", "xaxis2"):
            patch["layout"][key] = value
    patch["layout"]["xaxis"]["spikecolor"] = new["layout"]["xaxis"]["spikecolor"]
    return patch


def open_line(number: int | None, who: dict[str, Any], scheme: str | None) -> Any:
    """The line that is opened, beside the list."""
    if _drawn(scheme):
        return dash.no_update
    result = vehicle_result(engine(), who["fleet"], who["name"])
    return dash.no_update if result is None else lines.detail(result, number, theme.template_of(scheme))


def register() -> None:
    """Wire what stands here into the application that is being made."""
    inputs = Input("vehicle-who", "data"), Input("scheme-now", "data"), Input("vehicle-opened", "data")
    callback(Output("vehicle-stack", "figure"), *inputs)(draw)
    callback(
        Output("vehicle-line", "children"),
        Input("vehicle-opened", "data"),
        Input("vehicle-who", "data"),
        Input("scheme-now", "data"),
    )(open_line)
    clientside_callback(
        ClientsideFunction("tallow", "span"),
        Output("vehicle-linked", "children"),
        Input("vehicle-span", "value"),
        prevent_initial_call=True,
    )
