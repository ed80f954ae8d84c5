"""What whoever asks reads in: language, units; and their password."""

from typing import Any

import dash
import dash_mantine_components as dmc
from dash import ClientsideFunction, Input, Output, State, callback, clientside_callback, dcc, html
from flask import session

from dashboard import accounts, change_log, components
from dashboard.pages import my_browsers
from dashboard.passwords import SHORTEST
from dashboard.units import PRESSURES, TEMPERATURES, VOLUMES, units_of
from dashboard.web.database import engine
from ingest import times
from ingest.bounds import text_of
from ingest.database import reachable, writing
from ingest.errors import Problem
from ingest.languages import LANGUAGES, later, tr

dash.register_page(
    __name__, path="/me", name=later("Units and language"), title=lambda **_: tr("Units, language and alerts")
)
my_browsers.register()


def layout(**_: Any) -> html.Div:
    """The page of whoever asks."""
    mine, name = accounts.my_units(), accounts.current_person.get().name
    choices = (
        ("pressure", tr("Pressure"), list(PRESSURES), mine.pressure),
        ("temperature", tr("Temperature"), list(TEMPERATURES), mine.temperature),
        ("volume", tr("Volume"), list(VOLUMES), mine.volume),
    )
    return html.Div(
        [
            html.H1(tr("Units and language")),
            components.section(
                tr("Language"),
                [
                    dmc.Select(
                        id="me-language",
                        data=_languages(),
                        value=accounts.current_person.get().language or "",
                        allowDeselect=False,
                        w=260,
                        **{"aria-label": tr("Language")},
                    ),
                    dcc.Store(id="me-language-kept"),
                    html.Div(id="me-language-told", role="status", className="work-told"),
                ],
                tr("Alerts speak the language of their route. Programs and the command line are answered in English."),
            ),
            components.section(
                tr("Display units"),
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
                tr("Kept for you, on every device that you sign in on.") if name else tr("Kept on this device."),
            ),
            my_browsers.section(),
            *([_password(), _second_factor()] if name else []),
        ]
    )


def _languages() -> list[dict[str, str]]:
    return [
        {"value": "", "label": tr("As this browser asks")},
        *({"value": k, "label": v} for k, v in LANGUAGES.items()),
    ]


def _password() -> Any:
    new = tr("New password, {number} characters or more", number=SHORTEST)
    fields = [
        dmc.PasswordInput(id="me-old", label=tr("Current password")),
        dmc.PasswordInput(id="me-new", label=new),
    ]
    content = [
        html.Div(fields, className="work-form"),
        dmc.Button(tr("Change it"), id="me-change", mt="sm"),
        html.Div(id="me-changed", role="status", className="work-told"),
    ]
    return components.section(tr("Password"), content, tr("Signs you out everywhere."))


def _second_factor() -> Any:
    mine = accounts.current_person.get().has_second_factor
    text = tr("It is on.") if mine else tr("A code of your phone beside the password.")
    link = html.A(tr("Turn it off or move it") if mine else tr("Turn it on"), href="/second-factor")
    return components.section(tr("Second factor"), link, text)


@callback(Output("me-language-kept", "data"), Input("me-language", "value"), prevent_initial_call=True)
def speak(chosen: str | None) -> Any:
    """Keep the language that somebody reads; the page is then loaded anew in it."""
    me, language = accounts.current_person.get(), text_of(chosen) or None
    if language == me.language or (language is not None and language not in LANGUAGES):
        return dash.no_update
    if me.name:
        with reachable(engine()), writing(engine()) as connection:
            accounts.set_language(connection, me.id, language)
    else:
        session["language"] = language
        session.permanent = True
    return language or "as asked"


clientside_callback(
    ClientsideFunction("tallow", "reload"), Output("me-language-told", "children"), Input("me-language-kept", "data"),
    prevent_initial_call=True,
)  # fmt: skip


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
    return tr("Kept; pages show it when they are opened next.")


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
            return tr("That is not your password now.")
        with reachable(engine()), writing(engine()) as connection:
            accounts.set_password(connection, me.name, text_of(new))
            change_log.log_change(connection, me.name, f"{me.name} has another password", times.now_us(), "person")
    except Problem as problem:
        return tr("Not done: {problem}.", problem=problem)
    return tr("Changed; sign in with it.")
