"""Where alerts go."""

from typing import Any, Final

import dash
import dash_mantine_components as dmc
from dash import ALL, Input, Output, State, callback, ctx, html
from sqlalchemy import Connection

from analytics.alarms import hooks, outbox, transports
from analytics.alarms.routes import (
    Route,
    add_route,
    find_route,
    has_password,
    mailboxes,
    masked,
    read_routes,
    remove_route,
)
from analytics.kinds import GROUPS, SEVERITIES
from dashboard import accounts, components, formatting
from dashboard.pages.set_up.changes import write
from dashboard.queries import scope
from dashboard.web.database import engine
from ingest import times
from ingest.bounds import text_of, texts_of, whole_of
from ingest.database import reachable
from ingest.errors import Problem
from ingest.languages import ENGLISH, LANGUAGES, tr
from ingest.languages.saying import say


def route_rows() -> Any:
    """Where alerts go, each with a button to try it and one to remove it."""
    with engine().connect() as connection:
        found, aside = read_routes(connection), outbox.refused(connection, times.now_us())
    told = {
        one.id: tr("; {number} refused for good and set aside", number=aside[one.id]) if one.id in aside else ""
        for one in found
    }
    rows = [
        html.Tr(
            [html.Td(str(one.id)), html.Td(masked(one.address)), html.Td(_whom(one)),
             html.Td(formatting.route(one) + told[one.id]),
             html.Td([_button("try", one.id, tr("send a test")), " ", _button("remove", one.id, tr("remove"))])]
        )
        for one in found
    ]  # fmt: skip
    if not rows:
        return html.P(tr("No alerts go anywhere yet."), className="dim")
    return html.Div(
        components.table((tr("Route"), tr("By way of"), tr("Recipients"), tr("What"), ""), rows, "plain-wrap"),
        className="wide",
    )


def _whom(one: Route) -> str:
    if one.owner is not None:
        return f"{one.owner.label}{f' of {one.owner.name}' if one.owner.name else ''}"
    return ", ".join(mailboxes(one.address)) or "–"


def _button(what: str, number: int, text: str) -> html.Button:
    return html.Button(text, id={"type": "setup-route", "what": what, "number": number}, className="quiet")


def route_form() -> html.Div:
    names = scope.depots(engine())
    return html.Div(
        [
            html.Div(
                [
                    dmc.PasswordInput(id="setup-address", label=tr("Address"), placeholder=tr("mailto://… or mqtt://…")),
                    dmc.Select(id="setup-route-depot", label=tr("Depot"), value="", allowDeselect=False,
                               data=components.one_or_all(tr("All depots"), names)),
                    dmc.Select(id="setup-severity", label=tr("From"), value="plan", allowDeselect=False,
                               data=[{"value": s, "label": formatting.NEED_WORDS[s]} for s in SEVERITIES]),
                    dmc.MultiSelect(id="setup-groups", label=tr("Groups"), data=list(GROUPS), value=[], placeholder=tr("all")),
                    dmc.NumberInput(id="setup-after", label=tr("Only if unacknowledged for, minutes"), value=0, min=0),
                    dmc.Select(id="setup-route-language", label=tr("Language"), value=ENGLISH, allowDeselect=False,
                               data=[{"value": name, "label": called} for name, called in LANGUAGES.items()]),
                    dmc.Checkbox(id="setup-any-hour", label=tr("In quiet hours too"), mt="lg"),
                ],
                className="work-form",
            ),
            dmc.Button(tr("Add"), id="setup-route-add", mt="sm"),
            html.Div(id="setup-route-told", role="status", className="work-told"),
        ]
    )  # fmt: skip


def routes(
    _: int | None, clicks: list[int | None], address: str | None, depot: str, severity: str, groups: list[str] | None, after: Any,
    any_hour: bool | None, language: str,
) -> Any:  # fmt: skip
    """Add a route, remove one, or try one."""
    asked, secret = ctx.triggered_id, ""
    if asked == "setup-route-add":

        def add(connection: Connection) -> str:
            nonlocal secret
            to, minutes = text_of(address).strip(), whole_of(after, "minutes", 10_080)
            if hooks.is_hook(to) and not has_password(to):
                to, secret = hooks.with_secret(to)
            number = add_route(
                connection, to, depot=text_of(depot) or None, severity=severity, groups=texts_of(groups), after_min=minutes,
                at_any_hour=bool(any_hour), language=text_of(language) or ENGLISH,
            )  # fmt: skip
            return say("Route {number} added, to {address}", number=number, address=masked(to))

        told, listed, changes = write(add, route_rows)
        if secret:  # what is kept of the change does not have it
            told = f"{told} {tr('Its secret, shown this once: {secret}', secret=secret)}"
        return told, listed, changes
    if not isinstance(asked, dict) or not any(clicks):
        return [dash.no_update] * 3
    number = int(asked["number"])
    if asked["what"] == "remove":

        def drop(connection: Connection) -> str:
            remove_route(connection, number)
            return say("Route {number} removed", number=number)

        return write(drop, route_rows)
    try:
        accounts.need_lead()
        with reachable(engine()), engine().connect() as connection:
            route = find_route(connection, number)
        transports.try_route(route, transports.sender(_TRY_S))
    except Problem as problem:
        return tr("Not done: {problem}.", problem=problem), dash.no_update, dash.no_update
    return tr("A message went to {address}.", address=masked(route.address)), dash.no_update, dash.no_update


_TRY_S: Final = 15.0


def register() -> None:
    """Wire what stands here into the application that is being made."""
    callback(
        Output("setup-route-told", "children"),
        Output("setup-routes", "children"),
        Output("setup-changes", "children", allow_duplicate=True),
        Input("setup-route-add", "n_clicks"),
        Input({"type": "setup-route", "what": ALL, "number": ALL}, "n_clicks"),
        State("setup-address", "value"),
        State("setup-route-depot", "value"),
        State("setup-severity", "value"),
        State("setup-groups", "value"),
        State("setup-after", "value"),
        State("setup-any-hour", "checked"),
        State("setup-route-language", "value"),
        prevent_initial_call=True,
    )(routes)
