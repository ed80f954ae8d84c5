"""What whoever asks reads in, and their password."""

from typing import Any

import dash
import dash_mantine_components as dmc
from dash import Input, Output, State, callback, html
from flask import session

from dashboard import accounts, change_log, components
from dashboard.pages import my_browsers
from dashboard.units import PRESSURES, TEMPERATURES, VOLUMES, units_of
from dashboard.web.database import engine
from ingest import times
from ingest.bounds import text_of
from ingest.database import reachable, writing
from ingest.errors import Problem

dash.register_page(__name__, path="/me", name="Units", title="Units, alerts and password")
my_browsers.register()


def layout(**_: Any) -> html.Div:
    """The page of whoever asks."""
    mine, name = accounts.my_units(), accounts.current_person.get().name
    choices = (
        ("pressure", "Pressure", list(PRESSURES), mine.pressure),
        ("temperature", "Temperature", list(TEMPERATURES), mine.temperature),
        ("volume", "Volume", list(VOLUMES), mine.volume),
    )
    password = [
        html.Div(
            [
                dmc.PasswordInput(id="me-old", label="Current password"),
                dmc.PasswordInput(id="me-new", label=f"New password, {accounts.SHORTEST_PASSWORD} characters or more"),
            ],
            className="work-form",
        ),
        dmc.Button("Change it", id="me-change", mt="sm"),
        html.Div(id="me-changed", role="status", className="work-told"),
    ]
    return html.Div(
        [
            html.H1("Units"),
            components.section(
                "Display units",
                [
                    html.Div(
                        [
                            dmc.Select(id=f"me-{key}", label=label, data=data, value=value, allowDeselect=False)
                            for key, label, data, value in choices
                        ],
                        className="work-form",
                    ),
                    html.Div(id="me-told", role="status", className="work-told"),
                ],
                "Kept for you, on every device that you sign in on." if name else "Kept on this device.",
            ),
            my_browsers.section(),
            *(
                [components.section("Password", password, "Signs you out everywhere."), _second_factor()]
                if name
                else []
            ),
        ]
    )


def _second_factor() -> Any:
    mine = accounts.current_person.get().has_second_factor
    text = "It is on." if mine else "A code of your phone beside the password."
    link = html.A("Turn it off or move it" if mine else "Turn it on", href="/second-factor")
    return components.section("Second factor", link, text)


@callback(
    Output("me-told", "children"),
    Input("me-pressure", "value"),
    Input("me-temperature", "value"),
    Input("me-volume", "value"),
    prevent_initial_call=True,
)
def choose(pressure: str, temperature: str, volume: str) -> str:
    """Keep what somebody reads in."""
    chosen = vars(units_of({"pressure": pressure, "temperature": temperature, "volume": volume}))
    me = accounts.current_person.get()
    if me.name:
        with reachable(engine()), writing(engine()) as connection:
            accounts.set_units(connection, me.id, chosen)
    else:
        session["units"] = chosen
        session.permanent = True
    return "Kept; pages show it when they are opened next."


@callback(
    Output("me-changed", "children"),
    Input("me-change", "n_clicks"),
    State("me-old", "value"),
    State("me-new", "value"),
    prevent_initial_call=True,
)
def change(_: int, old: str | None, new: str | None) -> str:
    """Another password, for who knows the one of now."""
    me = accounts.current_person.get()
    try:
        with reachable(engine()):
            known = accounts.sign_in(engine(), me.name, text_of(old), "own page", times.now_us())
        if known is None:
            return "That is not your password now."
        with reachable(engine()), writing(engine()) as connection:
            accounts.set_password(connection, me.name, text_of(new))
            change_log.log_change(connection, me.name, f"{me.name} has another password", times.now_us(), "person")
    except Problem as problem:
        return f"Not done: {problem}."
    return "Changed; sign in with it."
