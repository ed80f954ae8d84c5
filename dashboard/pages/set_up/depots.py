"""What each depot wants."""

from typing import Any

import dash_mantine_components as dmc
from dash import Input, Output, State, callback, html
from sqlalchemy import Connection

from analytics.alarms import depots
from dashboard import components, formatting
from dashboard.pages.set_up.changes import write
from dashboard.queries import scope
from dashboard.web.app import engine
from ingest.errors import Problem


def depot_rows() -> Any:
    """What each depot wants."""
    with engine().connect() as connection:
        rows = [
            html.Tr([html.Td(name), html.Td("; ".join(formatting.depot_wishes(depots.depot(connection, name))))])
            for name in scope.depots(engine())
        ]
    if not rows:
        return html.P("No vehicles are registered yet.", className="dim")
    return html.Div(components.table(("Depot", "Alert settings"), rows, "plain-wrap"), className="wide")


def depot_form() -> html.Div:
    names = scope.depots(engine())
    return html.Div(
        [
            html.Div(
                [
                    dmc.Select(id="setup-depot", label="Depot", data=names, value=names[0] if names else None, allowDeselect=False),
                    dmc.NumberInput(id="setup-lead", label="Refills, days ahead", min=0, max=90),
                    dmc.TextInput(id="setup-digest", label="Digest at", placeholder="06:00"),
                    dmc.TextInput(id="setup-quiet", label="Quiet hours", placeholder="20:00-05:30, or none"),
                ],
                className="work-form",
            ),
            dmc.Button("Save", id="setup-depot-keep", mt="sm"),
            html.Div(id="setup-depot-told", role="status", className="work-told"),
        ]
    )  # fmt: skip


def keep_depot(_: int, name: str, lead: Any, digest: str | None, quiet: str | None) -> Any:
    """What a depot wants from now on; what was left empty stays."""

    def do(connection: Connection) -> str:
        if name not in scope.depots(engine()):
            raise Problem("choose a depot")
        lead_days = float(lead) if isinstance(lead, int | float) else None
        wanted = depots.wished(depots.depot(connection, name), lead_days, digest or None, quiet or None)
        depots.keep_depot(connection, wanted)
        return f"{name}: {'; '.join(formatting.depot_wishes(wanted))}"

    return write(do, depot_rows)


def register() -> None:
    """Wire what stands here into the application that is being made."""
    callback(
        Output("setup-depot-told", "children"),
        Output("setup-depots", "children"),
        Output("setup-changes", "children", allow_duplicate=True),
        Input("setup-depot-keep", "n_clicks"),
        State("setup-depot", "value"),
        State("setup-lead", "value"),
        State("setup-digest", "value"),
        State("setup-quiet", "value"),
        prevent_initial_call=True,
    )(keep_depot)
