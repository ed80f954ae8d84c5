"""The list of greases."""

from typing import Any

import dash
import dash_mantine_components as dmc
from dash import ALL, Input, Output, State, callback, ctx, html
from sqlalchemy import Connection

from analytics.planning.greases import THICKENERS, Grease
from dashboard import components
from dashboard.exports import greases as words
from dashboard.pages.set_up.changes import write
from dashboard.queries import greases
from dashboard.web.database import engine
from ingest.errors import Problem
from ingest.languages import tr


def grease_rows() -> Any:
    """Each with a button that takes it off the list."""
    with engine().connect() as connection:
        found = greases.read_greases(connection)
    rows = [
        components.row(
            [one.name, one.nlgi, one.thickener, words.temperature(one.lowest_c),
             html.Button("remove", id={"type": "setup-grease", "called": one.called}, className="quiet")],
            [3],
        )
        for one in found
    ]  # fmt: skip
    if not rows:
        return html.P(tr(words.NO_GREASES), className="dim")
    heads = (tr("Grease"), "NLGI", tr("Thickener"), tr("Pumpable down to"), "")
    return html.Div(components.table(heads, rows, "plain", [3]), className="wide")


def grease_form() -> html.Div:
    """One grease, from its data sheet."""
    return html.Div(
        [
            html.Div(
                [
                    dmc.TextInput(id="setup-grease-name", label=tr("Grease, as set-ups call it")),
                    dmc.TextInput(id="setup-grease-nlgi", label=tr("NLGI grade"), placeholder="2"),
                    dmc.Select(
                        id="setup-grease-thickener", label=tr("Thickener"), data=list(THICKENERS), searchable=True
                    ),
                    dmc.NumberInput(id="setup-grease-lowest", label=tr("Pumpable down to, °C"), min=-70, max=30),
                ],
                className="work-form",
            ),
            dmc.Button(tr("Save"), id="setup-grease-keep", mt="sm"),
            html.Div(id="setup-grease-told", role="status", className="work-told"),
        ]
    )


def keep(
    _: int | None, clicks: list[int | None], name: str | None, nlgi: str | None, thickener: str | None, lowest_c: Any
) -> Any:
    """Keep a grease, or take one off the list."""
    asked = ctx.triggered_id
    if isinstance(asked, dict):
        if not any(clicks):
            return (dash.no_update,) * 3
        return write(lambda connection: _drop(connection, str(asked["called"])), grease_rows)

    def do(connection: Connection) -> str:
        if not isinstance(lowest_c, int | float):
            raise Problem("say down to which temperature it can be pumped")
        one = Grease(
            name=(name or "").strip(), nlgi=(nlgi or "").strip(), thickener=thickener or "", lowest_c=float(lowest_c)
        )
        greases.keep_grease(connection, one)
        return f"grease {words.grease(one)}"

    return write(do, grease_rows)


def _drop(connection: Connection, called: str) -> str:
    greases.drop_grease(connection, called)
    return f"grease {called} removed"


def register() -> None:
    """Wire what stands here into the application that is being made."""
    callback(
        Output("setup-grease-told", "children"),
        Output("setup-greases", "children"),
        Output("setup-changes", "children", allow_duplicate=True),
        Input("setup-grease-keep", "n_clicks"),
        Input({"type": "setup-grease", "called": ALL}, "n_clicks"),
        State("setup-grease-name", "value"),
        State("setup-grease-nlgi", "value"),
        State("setup-grease-thickener", "value"),
        State("setup-grease-lowest", "value"),
        prevent_initial_call=True,
    )(keep)
