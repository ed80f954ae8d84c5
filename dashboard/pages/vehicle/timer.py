"""What another setting of the timer would change."""

from typing import Any

import dash
import dash_mantine_components as dmc
from dash import Input, Output, State, callback, html

from analytics.planning import timer
from analytics.vehicle.analysis import Result
from dashboard import components
from dashboard.exports import timer as words
from dashboard.queries import vehicle
from dashboard.web.database import engine
from ingest.languages import cldr, tr


def timer_section(result: Result) -> Any:
    """What another interval or run time would change."""
    setup = result.history.setup
    return html.Details(
        [
            html.Summary(tr("What another setting of the timer would change"), id="timer-open", n_clicks=0),
            html.P(
                tr("What each point gets now, and what it would get. How much a point should get is the vehicle maker's to say."),
                className="dim",
            ),
            html.Div(
                [
                    dmc.NumberInput(id="timer-interval", label=tr("Interval, minutes"), value=setup.interval_min, min=0.1, debounce=400),
                    dmc.NumberInput(id="timer-run", label=tr("Run time, seconds"), value=setup.run_s, min=1, debounce=400),
                ],
                className="work-form",
            ),
            html.Div(id="timer-body"),  # worked out once somebody opens it
            components.caution(),
        ],
        className="vehicle-fold",
        **{"data-keep": "timer"},
    )  # fmt: skip


def timer_table(result: Result, interval_min: float, run_s: float) -> list[Any]:
    """The present setting beside another."""
    setup = result.history.setup
    now, then = timer.setting(result, *timer.present(result)), timer.setting(result, interval_min, run_s)
    usual = timer.sisters(vehicle.alike(engine(), setup), setup)
    amounts = dict(then.per_shift)
    rows = [
        html.Tr(
            [html.Td(str(line.line)), html.Td(line.point), html.Td(cldr.decimal(before, 2)), html.Td(cldr.decimal(amounts[line.line], 2)),
             html.Td(cldr.decimal(usual[line.point], 2) if line.point in usual else "–")]
        )
        for line, (_, before) in zip(setup.lines, now.per_shift, strict=True)
    ]  # fmt: skip
    heads = (tr("Line"), tr("Point"), tr("Now, cm3 in 8 h"), tr("Then"), tr("Sister vehicles"))
    table = components.table(heads, rows, "timer")
    return [
        *(dmc.Alert(text, color="yellow", mb="xs") for text in words.as_found(setup, now)),
        html.Ul([html.Li(text) for text in words.facts(now, then)]),
        *(dmc.Alert(text, color="yellow", mb="xs") for text in timer.warnings(result, then, usual)),
        html.Details(
            [html.Summary(tr("Each point, in 8 ignition hours")), html.Div(table, className="wide")],
            **{"data-keep": "each point"},
        ),
    ]


def what_if(interval_min: object, run_s: object, opened: int | None, who: dict[str, Any]) -> Any:
    """Another setting."""
    result = vehicle.vehicle_result(engine(), who["fleet"], who["name"]) if opened else None
    if result is None or not (isinstance(interval_min, int | float) and isinstance(run_s, int | float)):
        return dash.no_update
    if interval_min < 0.1 or run_s < 1:
        return dash.no_update
    return timer_table(result, float(interval_min), float(run_s))


def register() -> None:
    """Wire what stands here into the application that is being made."""
    callback(
        Output("timer-body", "children"),
        Input("timer-interval", "value"),
        Input("timer-run", "value"),
        Input("timer-open", "n_clicks"),
        State("vehicle-who", "data"),
        prevent_initial_call=True,
    )(what_if)
