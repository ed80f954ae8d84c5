"""Secret addresses at which calendar programs find a depot's refills."""

from typing import Any

import dash
import dash_mantine_components as dmc
from dash import Input, Output, State, callback, ctx, dcc, html
from sqlalchemy import Connection

from analytics.alarms import wording
from dashboard.exports import addresses
from dashboard.pages.set_up.changes import write
from dashboard.queries import scope
from dashboard.web.database import engine
from ingest import times
from ingest.errors import Problem
from ingest.languages import tr, trn
from ingest.languages.saying import say, say_n


def calendar_rows() -> Any:
    """How many addresses of each depot are open."""
    with engine().connect() as connection:
        found = {name: addresses.open_ones(connection, name) for name in scope.depots(engine())}
    rows = [
        html.Li(trn("{name}: {n} open address", "{name}: {n} open addresses", number, name=name))
        for name, number in found.items()
        if number
    ]
    return html.Ul(rows, className="records") if rows else html.P(tr("No address is open."), className="dim")


def calendar_form() -> html.Div:
    """To make an address, which is shown once, and to revoke all of a depot."""
    names = scope.depots(engine())
    return html.Div(
        [
            html.Div(
                [
                    dmc.Select(id="setup-ics-depot", label=tr("Depot"), data=names, value=names[0] if names else None, allowDeselect=False),
                    dmc.Button(tr("Make an address"), id="setup-ics-make", variant="default", mt=24),
                    dmc.Button(tr("Revoke all of this depot"), id="setup-ics-revoke", variant="default", mt=24),
                ],
                className="work-form",
            ),
            html.Div(id="setup-ics-told", role="status", className="work-told"),
            html.Div([html.Code(id="setup-ics-address"), dcc.Clipboard(target_id="setup-ics-address", title="copy")], id="setup-ics-shown",
                     style={"display": "none"}),
        ]
    )  # fmt: skip


def change(_: int | None, __: int | None, depot: str | None) -> Any:
    """Make an address, or let none of a depot open its calendar any more."""
    made: list[str] = []

    def do(connection: Connection) -> str:
        if depot not in scope.depots(engine()):
            raise Problem("choose a depot")
        if ctx.triggered_id == "setup-ics-revoke":
            number = addresses.revoke(connection, depot, times.now_us())
            return say_n(
                "{depot}: {n} calendar address revoked", "{depot}: {n} calendar addresses revoked", number, depot=depot
            )
        made.append(f"{wording.site()}/calendar/{addresses.make(connection, depot, times.now_us())}.ics")
        return say("{depot}: a calendar address made", depot=depot)

    told, rows, changed = write(do, calendar_rows)
    if made:
        return (
            tr("{told} It is shown this once; whoever has it sees the depot's refills:", told=told),
            rows,
            changed,
            made[0],
            {},
        )
    return told, rows, changed, dash.no_update if rows is dash.no_update else "", {"display": "none"}


def register() -> None:
    """Wire what stands here into the application that is being made."""
    callback(
        Output("setup-ics-told", "children"),
        Output("setup-calendars", "children"),
        Output("setup-changes", "children", allow_duplicate=True),
        Output("setup-ics-address", "children"),
        Output("setup-ics-shown", "style"),
        Input("setup-ics-make", "n_clicks"),
        Input("setup-ics-revoke", "n_clicks"),
        State("setup-ics-depot", "value"),
        prevent_initial_call=True,
    )(change)
