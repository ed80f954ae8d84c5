"""A vehicle's charts, general ones first."""

from typing import Any

import dash
import dash_mantine_components as dmc
import plotly.io as pio
from dash import ALL, ClientsideFunction, Input, Output, Patch, State, callback, clientside_callback, ctx, dcc, html

from analytics.findings import urgency
from analytics.vehicle import daily
from analytics.vehicle.analysis import Result
from dashboard import accounts, components
from dashboard.exports import csv
from dashboard.figures import theme
from dashboard.figures import vehicle as figures
from dashboard.queries.vehicle import vehicle_result
from dashboard.units import Units
from dashboard.web.app import engine

CHART: dict[str, Any] = {"config": {"displayModeBar": False}, "responsive": True}

_RANGES = {"all": "Everything", "90": "90 days", "30": "30 days", "7": "7 days"}


def _graph(name: str, figure: Any) -> html.Div:
    """A chart, with its numbers as a file."""
    height = {"height": f"{figure.layout.height}px"}
    return html.Div(
        [
            dcc.Graph(id=f"vehicle-{name}", figure=figure, **CHART, style=height),
            as_csv(name),
        ]
    )


def as_csv(name: str) -> html.Button:
    return html.Button(
        "CSV", id={"type": "vehicle-csv", "chart": name}, className="quiet", **{"aria-label": f"{name} as CSV"}
    )


def charts(result: Result) -> list[Any]:
    """The charts, general ones first; those over time show the same span."""
    template, units = "tallow_light", accounts.my_units()
    span = dmc.SegmentedControl(
        id="vehicle-span", value="all", data=[{"value": key, "label": label} for key, label in _RANGES.items()], mb="md"
    )
    out: list[Any] = [html.Div([span, html.Div(id="vehicle-linked", hidden=True), dcc.Download(id="vehicle-file")])]
    happened = figures.happenings(result, template)
    if happened is not None:
        out.append(
            components.section(
                "What happened",
                _graph("happened", happened),
                "Findings from when they began until they ended, and recorded work; charts below share this axis.",
            )
        )
    out += [
        components.section(
            "Level",
            _graph("level", figures.level(result, template, units)),
            "Readings, the level worked out from them, fills, and the days on which the low mark is expected.",
        ),
        components.section(
            "Cycles",
            _graph("cycles", figures.cycles(daily.days(result), template)),
            "Cycles of each day against the hours the ignition was on. Missed cycles should have run and did not.",
        ),
    ]
    return out + _pressure_charts(result, template, units)


def _pressure_charts(result: Result, template: str, units: Units) -> list[Any]:
    """All channels, and one of them."""
    pressures = figures.pressure_map(result, template, units)
    if pressures is None:
        watched = result.history.setup.channels
        text = "No cycle is recorded yet." if watched else "No pressure channel watches this system."
        return [components.section("Pressure", html.P(text, className="dim"))]
    channels = list(result.pressures.channels)
    by_urgency = sorted(result.findings, key=lambda f: (not f.open, urgency(f)))
    worst = next((f.channel for f in by_urgency if f.channel in channels), channels[0])
    sampled = figures.traces(result, worst, template, units)
    return [
        components.section(
            "Pressure against what is expected",
            _graph("map", pressures),
            "Each row is a pressure channel in the order of the line list; red stands for too high, blue for too low. Below it the"
            " temperature of the air at the pump.",
        ),
        components.section(
            "One channel",
            [
                dmc.Select(id="vehicle-channel", value=worst, allowDeselect=False, maw=320, **{"aria-label": "Channel"},
                           data=[{"value": name, "label": figures.channel_name(result, name)} for name in channels]),
                _graph("line", figures.pressure_line(result, worst, template, units)),
                html.Div(
                    [
                        html.H3("The course of single cycles"),
                        dcc.Graph(id="vehicle-traces", figure=sampled or {}, **CHART, style={"height": "260px"}),
                        as_csv("traces"),
                    ],
                    style={} if sampled is not None else {"display": "none"},
                ),
            ],
            "Highest pressure of each cycle within the range that is usual for the weather of that day.",
        ),
    ]  # fmt: skip


def save(_: list[int | None], who: dict[str, Any]) -> Any:
    """The numbers of a chart as a file."""
    result = vehicle_result(engine(), who["fleet"], who["name"])
    if result is None or ctx.triggered_id is None or not ctx.triggered[0]["value"]:  # drawn anew, not pressed
        return dash.no_update
    name = ctx.triggered_id["chart"]
    return csv.as_file(csv.chart_table(result, name), "at", f"{who['name']}-{name}.csv")


def _drawn(scheme: str | None) -> bool:
    """Whether a chart is as the page was served: nothing has changed since, and its scheme is the light one."""
    return ctx.triggered_id is None and scheme != "dark"


def _patched(figure: Any, scheme: str | None) -> Patch:
    """New data in a chart that keeps its zoom."""
    patch, new = Patch(), figure.to_plotly_json()
    patch["data"] = new["data"]
    for key in ("shapes", "annotations"):
        patch["layout"][key] = new["layout"].get(key, [])
    patch["layout"]["template"] = pio.templates[theme.template_of(scheme)].to_plotly_json()
    return patch


def draw(who: dict[str, Any], scheme: str | None) -> Any:
    """Level and cycles, by what is recorded and by the scheme of the page."""
    if _drawn(scheme):
        return dash.no_update, dash.no_update
    result = vehicle_result(engine(), who["fleet"], who["name"])
    if result is None:
        return dash.no_update, dash.no_update
    template = theme.template_of(scheme)
    return (
        _patched(figures.level(result, template, accounts.my_units()), scheme),
        _patched(figures.cycles(daily.days(result), template), scheme),
    )


def draw_map(who: dict[str, Any], scheme: str | None) -> Any:
    """The pressure map."""
    if _drawn(scheme):
        return dash.no_update
    result = vehicle_result(engine(), who["fleet"], who["name"])
    figure = None if result is None else figures.pressure_map(result, theme.template_of(scheme), accounts.my_units())
    return dash.no_update if figure is None else _patched(figure, scheme)


def draw_happened(who: dict[str, Any], scheme: str | None) -> Any:
    """What happened."""
    if _drawn(scheme):
        return dash.no_update
    result = vehicle_result(engine(), who["fleet"], who["name"])
    figure = None if result is None else figures.happenings(result, theme.template_of(scheme))
    return dash.no_update if figure is None else _patched(figure, scheme)


def draw_line(channel: str, who: dict[str, Any], scheme: str | None) -> Any:
    """The chosen channel."""
    if _drawn(scheme):
        return dash.no_update, dash.no_update
    result = vehicle_result(engine(), who["fleet"], who["name"])
    if result is None or channel not in result.pressures.channels:
        return dash.no_update, dash.no_update
    template, units = theme.template_of(scheme), accounts.my_units()
    traces = figures.traces(result, channel, template, units)
    line = _patched(figures.pressure_line(result, channel, template, units), scheme)
    return line, dash.no_update if traces is None else traces


def register() -> None:
    """Wire what stands here into the application that is being made."""
    callback(
        Output("vehicle-file", "data"),
        Input({"type": "vehicle-csv", "chart": ALL}, "n_clicks"),
        State("vehicle-who", "data"),
        prevent_initial_call=True,
    )(save)
    callback(
        Output("vehicle-level", "figure"),
        Output("vehicle-cycles", "figure"),
        Input("vehicle-who", "data"),
        Input("scheme-now", "data"),
    )(draw)
    callback(Output("vehicle-map", "figure"), Input("vehicle-who", "data"), Input("scheme-now", "data"))(draw_map)
    callback(Output("vehicle-happened", "figure"), Input("vehicle-who", "data"), Input("scheme-now", "data"))(
        draw_happened
    )
    callback(
        Output("vehicle-line", "figure"),
        Output("vehicle-traces", "figure"),
        Input("vehicle-channel", "value"),
        Input("vehicle-who", "data"),
        Input("scheme-now", "data"),
    )(draw_line)
    clientside_callback(
        ClientsideFunction("tallow", "linked"),
        Output("vehicle-linked", "children"),
        Input("vehicle-span", "value"),
        Input("vehicle-level", "relayoutData"),
        Input("vehicle-cycles", "relayoutData"),
        prevent_initial_call=True,
    )
