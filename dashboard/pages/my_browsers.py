"""A person's own browsers that alerts are pushed to: ask for them, try them, see whether they work."""

from typing import Any, Final

import dash
import dash_mantine_components as dmc
from dash import ALL, ClientsideFunction, Input, Output, State, callback, clientside_callback, ctx, html

from analytics.alarms import browsers, transports
from analytics.alarms.browsers import Browser
from analytics.alarms.routes import find_route
from dashboard import accounts, components, formatting
from dashboard.web.database import engine
from ingest import times
from ingest.database import reachable, writing
from ingest.errors import Problem
from ingest.languages import later, tr

_TRY_S: Final = 15.0
_BETWEEN_TRIALS_US: Final = 10_000_000
_SAID_WITHIN_US: Final = 60_000_000  # of the push service's answer, before which a browser may have shown it
_URGENT: Final = {"act_now": later("What to act on now"), "plan": later("And each day what to plan")}


def section() -> Any:
    """The part of a person's own page."""
    return components.section(
        tr("Alerts on this phone or computer"),
        [
            html.Div(
                [
                    dmc.TextInput(id="push-label", label=tr("Name of this device"), placeholder=tr("my phone")),
                    dmc.Select(id="push-severity", label=tr("Alerts"), value="act_now", allowDeselect=False,
                               data=[{"value": name, "label": tr(label)} for name, label in _URGENT.items()]),
                    dmc.Checkbox(id="push-any-hour", label=tr("In quiet hours too"), mt="lg"),
                ],
                className="work-form",
            ),
            dmc.Button(tr("Send alerts to this browser"), id="push-subscribe", mt="sm"),
            html.Div(id="push-told", role="status", className="work-told"),
            html.Div(rows(), id="push-browsers"),
            html.Div(id="push-tried", role="status", className="work-told"),
            html.Span(id="push-marked", hidden=True),
        ],
        tr("Shown by the browser even while tallow is not open. An alert may come late or not at all where a phone has no signal: whoever"
        " must be told for certain needs a second way."),
    )  # fmt: skip


def rows() -> Any:
    """Somebody's browsers, each with what is known of whether it works."""
    now_us = times.now_us()
    with reachable(engine()), engine().connect() as connection:
        found = browsers.of_person(connection, accounts.current_person.get().id, now_us)
    if not found:
        return html.P(tr("Alerts go to none of your browsers yet."), className="dim")
    lines = [
        html.Tr(
            [
                html.Td(html.Span([one.label, html.Span(className="dim", **{"data-push": one.endpoint_hash})])),
                html.Td(what(one)),
                html.Td(state(one, now_us)),
                html.Td([*([] if one.gone_us else [_button("try", one.route_id, tr("send a trial")), " "]),
                         _button("off", one.route_id, tr("forget it") if one.gone_us else tr("take it off"))]),
            ]
        )
        for one in found
    ]  # fmt: skip
    return html.Div(
        components.table((tr("Browser"), tr("Alerts"), tr("Does it work?"), ""), lines, "plain-wrap"), className="wide"
    )


def what(one: Browser) -> str:
    """Which alerts a browser is told."""
    which = tr("act now only") if one.severity == "act_now" else tr("act now, and each day what to plan")
    return f"{which}{'; ' + tr('in quiet hours too') if one.at_any_hour else ''}"


def state(one: Browser, now_us: int) -> str:
    """Whether alerts reach a browser, as far as anybody knows."""
    when = formatting.ago(one.answered_us, now_us)
    if one.gone_us is not None:
        return tr(
            "Taken off: its push service knows it no more ({answer}, {when}). Open tallow on it and ask for"
            " alerts again.",
            answer=one.answer,
            when=when,
        )
    if one.answered_us is None:
        return tr("Not known: nothing was sent yet. Send a trial.")
    if not one.took:
        return tr(
            "No: the push service said {answer}, {when}. If a trial says the same, take it off and ask for"
            " alerts again.",
            answer=one.answer,
            when=when,
        )
    if one.shown_us is not None and one.shown_us >= one.answered_us - _SAID_WITHIN_US:
        return tr(
            "Yes: shown by the browser {ago} (push service: {answer}).",
            ago=formatting.ago(one.shown_us, now_us),
            answer=one.answer,
        )
    return tr(
        "Handed to the push service {when} ({answer}); that the browser showed it is not known. If you"
        " saw nothing, look whether the device is online and its settings let this site show"
        " notifications.",
        when=when,
        answer=one.answer,
    )


def _button(what: str, number: int, text: str) -> html.Button:
    return html.Button(text, id={"type": "push-do", "what": what, "number": number}, className="quiet")


def register() -> None:
    """Wire what stands here into the application that is being made."""
    clientside_callback(
        ClientsideFunction("tallow_push", "subscribe"),
        Output("push-told", "children"),
        Input("push-subscribe", "n_clicks"),
        State("push-label", "value"),
        State("push-severity", "value"),
        State("push-any-hour", "checked"),
        prevent_initial_call=True,
    )
    clientside_callback(
        ClientsideFunction("tallow_push", "marked"),
        Output("push-marked", "children"),
        Input("push-browsers", "children"),
    )
    callback(
        Output("push-tried", "children"),
        Output("push-browsers", "children"),
        Input("push-told", "children"),
        Input({"type": "push-do", "what": ALL, "number": ALL}, "n_clicks"),
        prevent_initial_call=True,
    )(do)


def do(_: str | None, clicks: list[int | None]) -> Any:
    """Try one of somebody's browsers, or take it off; else show them anew."""
    asked = ctx.triggered_id
    if not isinstance(asked, dict):
        return "", rows()
    if not any(clicks):
        return dash.no_update, dash.no_update
    me, number = accounts.current_person.get(), int(asked["number"])
    try:
        if asked["what"] == "try":
            return try_browser(me.id, number), rows()
        accounts.need("viewer")
        with reachable(engine()), writing(engine()) as connection:
            browsers.take_off(connection, me.id, number)
    except Problem as problem:
        return tr("Not done: {problem}.", problem=problem), rows()
    return tr("Taken off: no more alerts go there."), rows()


def try_browser(person_id: int, number: int) -> str:
    """Send a trial to one of somebody's browsers, and keep what was answered; what is to be told. Raises Problem."""
    accounts.need("viewer")
    with reachable(engine()), engine().connect() as connection:
        last_us = browsers.find(connection, person_id, number)
        route = find_route(connection, number)
    if last_us is not None and times.now_us() - last_us < _BETWEEN_TRIALS_US:
        raise Problem("one was sent just now; wait ten seconds")
    took, gone = True, False
    try:
        said = transports.sender(_TRY_S)(transports.trial_of(route)) or ""
    except transports.Undelivered as problem:
        said, took, gone = str(problem), False, problem.gone
    with reachable(engine()), writing(engine()) as connection:
        browsers.note_answer(connection, number, said, times.now_us(), took=took, gone=gone)
    if took:
        return tr("The push service took a trial ({said}). It should show within a minute.", said=said)
    return tr("The push service did not take it: {said}.", said=said)
