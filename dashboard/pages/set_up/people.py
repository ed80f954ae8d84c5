"""Who may do what."""

from typing import Any

import dash
import dash_mantine_components as dmc
from dash import ALL, Input, Output, State, callback, ctx, html
from sqlalchemy import Connection

from dashboard import accounts, components
from dashboard.pages.set_up.changes import write
from dashboard.passwords import SHORTEST
from dashboard.queries import scope
from dashboard.web.database import engine
from ingest.bounds import text_of, texts_of
from ingest.languages import tr
from ingest.languages.saying import say


def person_rows() -> Any:
    """Who may do what."""
    with engine().connect() as connection:
        found = accounts.people(connection)
    rows = [
        html.Tr(
            [html.Td(one.name), html.Td(one.role), html.Td(", ".join(one.fleets) or "all"), html.Td(", ".join(one.depots) or "all"),
             html.Td(html.Button("remove", id={"type": "setup-person", "name": one.name}, className="quiet"))]
        )
        for one in found
    ]  # fmt: skip
    if not rows:
        return html.P(
            tr("No person is added yet. Until then everybody on this machine may do everything, without a password."),
            className="dim",
        )
    return html.Div(
        components.table((tr("Name"), tr("Role"), tr("Fleets"), tr("Depots"), ""), rows, "plain-wrap"), className="wide"
    )


def person_form() -> html.Div:
    setups = scope.setups(engine())
    return html.Div(
        [
            html.Div(
                [
                    dmc.TextInput(id="setup-name", label=tr("Name")),
                    dmc.PasswordInput(id="setup-password", label=tr("Password, {number} characters or more",
                        number=SHORTEST)),
                    dmc.Select(id="setup-role", label=tr("Role"), data=list(accounts.ROLES), value="technician", allowDeselect=False),
                    dmc.MultiSelect(id="setup-fleets", label=tr("Fleets"), data=sorted({s.fleet for s in setups}), value=[],
                        placeholder=tr("all")),
                    dmc.MultiSelect(id="setup-sees", label=tr("Depots"), data=sorted({s.depot for s in setups}), value=[],
                        placeholder=tr("all")),
                ],
                className="work-form",
            ),
            dmc.Button(tr("Add, or change role"), id="setup-person-keep", mt="sm"),
            html.Div(id="setup-person-told", role="status", className="work-told"),
        ]
    )  # fmt: skip


def persons(
    _: int | None, clicks: list[int | None], name: str | None, password: str | None, role: str, fleets: list[str] | None,
    sees: list[str] | None,
) -> Any:  # fmt: skip
    """Name somebody, change somebody, or let somebody in no more."""
    asked = ctx.triggered_id
    if asked == "setup-person-keep":

        def keep(connection: Connection) -> str:
            who, secret = text_of(name).strip(), text_of(password)
            if any(one.name == who for one in accounts.people(connection)):
                if secret:  # somebody who forgot it stays who they are
                    accounts.set_password(connection, who, secret)
                    return say("{who} has another password; role, fleets and depots stay", who=who)
                accounts.set_role(connection, who, role, texts_of(fleets), texts_of(sees))
                return say("{who} is now a {role}", who=who, role=role)
            accounts.add(connection, who, secret, role, texts_of(fleets), texts_of(sees))
            return f"{who} is a {role}"

        return write(keep, person_rows)
    if not isinstance(asked, dict) or not any(clicks):
        return [dash.no_update] * 3
    gone = str(asked["name"])

    def drop(connection: Connection) -> str:
        accounts.remove(connection, gone)
        return f"{gone} removed"

    return write(drop, person_rows)


def register() -> None:
    """Wire what stands here into the application that is being made."""
    callback(
        Output("setup-person-told", "children"),
        Output("setup-people", "children"),
        Output("setup-changes", "children", allow_duplicate=True),
        Input("setup-person-keep", "n_clicks"),
        Input({"type": "setup-person", "name": ALL}, "n_clicks"),
        State("setup-name", "value"),
        State("setup-password", "value"),
        State("setup-role", "value"),
        State("setup-fleets", "value"),
        State("setup-sees", "value"),
        prevent_initial_call=True,
    )(persons)
