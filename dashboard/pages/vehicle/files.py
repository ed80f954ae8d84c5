"""The numbers of a vehicle's pictures as files, behind one button at the corner of what they belong to."""

from typing import Any, Final

import dash
from dash import ALL, Input, Output, State, callback, ctx, dcc, html

from dashboard import components
from dashboard.exports import csv
from dashboard.queries.vehicle import vehicle_result
from dashboard.web.database import engine
from ingest.languages import later, tr

_WORDS: Final = {
    "happened": later("Findings and work"), "level": later("Level"), "cycles": later("Cycles by day"), "map": later("Pressures"),
    "traces": later("Single cycles"), "line-list": later("Line list"),
}  # fmt: skip


def as_csv(*names: str) -> html.Div:
    """A menu that gives these away, at the corner of what it stands in."""
    items = [(tr("{what} as CSV", what=tr(_WORDS[name])), {"type": "vehicle-csv", "chart": name}) for name in names]
    return html.Div(components.page_menu(items), className="vehicle-corner")


def file() -> dcc.Download:
    """Where a file leaves the page."""
    return dcc.Download(id="vehicle-file")


def save(_: list[int | None], who: dict[str, Any]) -> Any:
    """The numbers of a picture as a file."""
    result = vehicle_result(engine(), who["fleet"], who["name"])
    if result is None or ctx.triggered_id is None or not ctx.triggered[0]["value"]:  # drawn anew, not pressed
        return dash.no_update
    name = ctx.triggered_id["chart"]
    return csv.as_file(csv.chart_table(result, name), "at", f"{who['name']}-{name}.csv")


def register() -> None:
    """Wire what stands here into the application that is being made."""
    callback(
        Output("vehicle-file", "data"),
        Input({"type": "vehicle-csv", "chart": ALL}, "n_clicks"),
        State("vehicle-who", "data"),
        prevent_initial_call=True,
    )(save)
