"""Ticking off points greased by hand: what records them, what became of that, and the way back. It works without a connection
(`assets/work.js`)."""

from collections.abc import Sequence
from typing import Final

import dash_mantine_components as dmc
from dash import MATCH, ClientsideFunction, Input, Output, State, clientside_callback, dcc, html

from ingest.languages import tr

# Where it stands on a page; a page has one `tick-by` that says who greases.
BY: Final = "tick-by"
_ONE: Final = {"fleet": MATCH, "vehicle": MATCH, "at": MATCH}


def tick(fleet: str, vehicle: str, at: str, points: Sequence[tuple[int, str]]) -> html.Div:
    """For some points of a vehicle, (number, label) each: one is ticked off with a button; of several those that are chosen."""
    who = {"fleet": fleet, "vehicle": vehicle, "at": at}
    numbers = [str(number) for number, _ in points]
    boxes = dmc.CheckboxGroup(
        html.Div([dmc.Checkbox(label=label, value=str(number)) for number, label in points], className="tick-boxes"),
        id={"type": "tick-chosen", **who}, value=numbers, **{"aria-label": tr("Points of {vehicle}", vehicle=vehicle)},
    )  # fmt: skip
    what = points[0][1] if len(points) == 1 else tr("the points of {vehicle}", vehicle=vehicle)
    return html.Div(
        [
            html.Div(boxes, style={"display": "none"} if len(points) == 1 else {}),
            html.Div(
                [
                    dmc.Button(tr("Greased"), id={"type": "tick-greased", **who}, variant="default",
                               **{"aria-label": tr("{what} greased", what=what)}),
                    html.Button(tr("Undo"), id={"type": "tick-undo", **who}, className="quiet", style={"display": "none"},
                                **{"aria-label": tr("{what} not greased", what=what)}),
                ],
                className="tick-buttons",
            ),
            dcc.Store(id={"type": "tick-key", **who}),
            html.Div(id={"type": "tick-told", **who}, role="status", className="small dim"),
        ],
        className="tick",
    )  # fmt: skip


clientside_callback(
    ClientsideFunction("tallow", "tickPoints"),
    Output({"type": "tick-told", **_ONE}, "children"),
    Output({"type": "tick-undo", **_ONE}, "style"),
    Output({"type": "tick-key", **_ONE}, "data"),
    Input({"type": "tick-greased", **_ONE}, "n_clicks"),
    State({"type": "tick-greased", **_ONE}, "id"),
    State(BY, "value"),
    State({"type": "tick-chosen", **_ONE}, "value"),
    prevent_initial_call=True,
)
clientside_callback(
    ClientsideFunction("tallow", "untickPoints"),
    Output({"type": "tick-told", **_ONE}, "children", allow_duplicate=True),
    Output({"type": "tick-undo", **_ONE}, "style", allow_duplicate=True),
    Input({"type": "tick-undo", **_ONE}, "n_clicks"),
    State({"type": "tick-undo", **_ONE}, "id"),
    State(BY, "value"),
    State({"type": "tick-key", **_ONE}, "data"),
    prevent_initial_call=True,
)
