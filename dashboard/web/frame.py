"""The frame around all pages: rail, scope, search, the age of the data, the person's own menu; on a phone a bar below."""

import json
from typing import Any, Final

import dash
import dash_mantine_components as dmc
from dash import ALL, ClientsideFunction, Dash, Input, Output, State, dcc, html
from flask import request
from sqlalchemy import Engine

from dashboard import accounts, components, tokens
from dashboard.queries import frame, scope
from dashboard.queries.scope import Scope, scope_of
from dashboard.web.database import engine
from ingest.languages import Words, inside, later, tr, trn
from ingest.work import KINDS

REFRESH_MS: Final = 5_000
_ON_THE_BAR: Final = 4  # pages with a place of their own on a phone; the others stand under "more"
_RAIL_PX: Final = 200
_HEAD_PX: Final = 56
_BAR_PX: Final = 60
ROLE_WORDS: Final = Words({"viewer": later("viewer"), "technician": later("technician"), "lead": later("lead")})
_COUNTED: Final = {"/alarms": "alarms", "/rounds": "refills"}


def layout() -> dmc.MantineProvider:
    """The frame, for whoever asks."""
    pages = [
        page
        for page in dash.page_registry.values()
        if page.get("in_menu") and accounts.current_person.get().may(page.get("role", "viewer"))
    ]
    return dmc.MantineProvider(
        defaultColorScheme="auto",
        theme=tokens.components_theme(),
        children=dmc.AppShell(
            [
                dcc.Store(id="scheme-now", data="light"),
                dcc.Store(id="scope-kept", storage_type="session"),
                dcc.Location(id="frame-location", refresh="callback-nav"),
                dcc.Interval(id="frame-tick", interval=REFRESH_MS),
                html.A(tr("Skip to the page"), href="#page", className="skip"),
                dmc.AppShellHeader(_head()),
                dmc.AppShellNavbar(html.Nav(_rail(pages), className="rail", **{"aria-label": tr("Pages"), "data-nav": "rail"})),
                dmc.AppShellMain([_refused(), dash.page_container], id="page"),
                dmc.AppShellFooter(_bar(pages)),
                _more(pages),
            ],
            header={"height": _HEAD_PX},
            navbar={"width": _RAIL_PX, "breakpoint": "md", "collapsed": {"mobile": True}},
            footer={"height": {"base": _BAR_PX, "md": 0}},
            padding={"base": "xs", "md": "md"},
        ),
    )  # fmt: skip


def _refused() -> html.Section:
    """Where records stand that were kept on this device and refused (`assets/refused.js`)."""
    kinds = {name: tr(told[0]) for name, told in KINDS.items()}
    return html.Section(id="refused", role="status", className="work-refused", **{"data-kinds": json.dumps(kinds)})


def _icon(name: str) -> html.Span:
    return html.Span(className=f"icon icon-{name}", **{"aria-hidden": "true"})


def _link(page: Any, place: str) -> dmc.Anchor:
    """A link to a page with its sign and, where something waits there, how much."""
    count = _COUNTED.get(page["path"])
    number = [html.Span(id=f"{place}-{count}", className="count")] if count and place != "more" else []
    return dmc.Anchor(
        [_icon(page["icon"]), html.Span(tr(page["name"])), *number], href=page["path"], underline="never", inherit=True, c="inherit",
        id={"type": "nav", "place": place, "to": page["path"]},
    )  # fmt: skip


def _rail(pages: list[Any]) -> list[Any]:
    out: list[Any] = []
    for page in pages:
        if out and page.get("begins"):
            out.append(html.Hr())
        out.append(_link(page, "rail"))
    return out


def _bar(pages: list[Any]) -> html.Nav:
    more = html.Button([_icon("more"), html.Span(tr("More"))], id="more-open", type="button")
    return html.Nav(
        [*(_link(page, "bar") for page in pages[:_ON_THE_BAR]), more],
        className="bar",
        **{"aria-label": tr("Pages"), "data-nav": "bar"},
    )


def _more(pages: list[Any]) -> dmc.Drawer:
    links = [_link(page, "more") for page in pages[_ON_THE_BAR:]]
    return dmc.Drawer(
        html.Nav([*links, *_mine()], className="more", **{"aria-label": tr("More pages"), "data-nav": "more"}),
        id="more", position="bottom", size="auto", title=tr("More"), opened=False, closeButtonProps={"aria-label": tr("Close")},
    )  # fmt: skip


def _head() -> html.Div:
    fleets, depots = scope.places(engine())
    every = tr("All depots") if len(fleets) < 2 else tr("All fleets and depots")
    choices: list[Any] = [{"value": "", "label": every}]
    if len(fleets) > 1:
        choices.append({"group": tr("Fleets"), "items": [{"value": f"fleet={name}", "label": name} for name in fleets]})
        choices.append({"group": tr("Depots"), "items": [{"value": f"depot={name}", "label": name} for name in depots]})
    else:
        choices += [{"value": f"depot={name}", "label": name} for name in depots]
    return html.Div(
        [
            dcc.Link("tallow", href="/", className="brand"),
            dmc.Select(
                id="scope", data=choices, value="", allowDeselect=False, searchable=len(depots) > 10, className="scope",
                comboboxProps={"width": "max-content", "position": "bottom-start"}, **{"aria-label": tr("Fleet and depot")},
            ),
            html.Div(
                [
                    dmc.TextInput(
                        id="find", placeholder=tr("Find a vehicle, point or finding"), debounce=200, leftSection=_icon("find"),
                        rightSection=html.Kbd("/", className="key"), autoComplete="off", **{"aria-label": tr("Find")},
                    ),
                    html.Div(id="find-found", className="found", role="status"),
                ],
                className="find", role="search",
            ),
            html.Div([html.Span(id="frame-alive", role="status", className="unseen"), _data(), _person()], className="head-end"),
        ],
        className="head",
    )  # fmt: skip


def _data() -> html.Details:
    button = html.Summary(
        [html.Span(className="mark", **{"aria-hidden": "true"}), html.Span("…", id="data-words", className="words")],
        id="data-state", className="state-of-data",
    )  # fmt: skip
    about = [
        html.Div(id="data-about", style={"whiteSpace": "pre-line"}),
        dcc.Link(tr("Can the data be trusted?"), href="/data"),
    ]
    return components.disclosure(button, about)


def _person() -> html.Details:
    name = accounts.current_person.get().name
    label = html.Span(tr("{name}: units, language, light and dark", name=name or tr("You")), className="unseen")
    shown = [html.Span(name, **{"aria-hidden": "true"})] if name else []
    button = html.Summary([_icon("person"), label, *shown], className="head-button")
    choice = dmc.SegmentedControl(
        id="scheme", value="auto", persistence=True, persistence_type="local", fullWidth=True, size="sm",
        data=[{"value": "light", "label": tr("Light")}, {"value": "dark", "label": tr("Dark")}, {"value": "auto", "label": tr("Device")}],
        **{"aria-label": tr("Light or dark")},
    )  # fmt: skip
    return components.disclosure(button, [*_mine(), choice], "wide-only")


def _mine() -> list[Any]:
    """What is whoever asks's own."""
    person = accounts.current_person.get()
    units = dcc.Link(tr("Units, language, password") if person.name else tr("Units and language"), href="/me")
    if not person.name:
        return [units]
    leave = html.Form(html.Button(tr("Sign out"), className="quiet"), action="/sign-out", method="POST")
    return [html.Strong(f"{person.name}, {ROLE_WORDS[person.role]}" if person.role else person.name), units, leave]


def _found(text: str | None, kept: str | None) -> list[Any]:
    """What the search finds, as links; the first of them opens by the enter key."""
    words = (text or "").strip()
    if not words:
        return []
    name, _, value = (kept or "").partition("=")
    chosen = scope_of({name: value} if name else {})
    found = frame.find(engine(), words, chosen)
    out: list[Any] = []
    if found.vehicles:
        out.append(html.H2(tr("Vehicles")))
        out += [
            dcc.Link(
                [
                    html.Strong(unit),
                    html.Span(vehicle),
                    html.Span(inside(tr("Sold")) if sold else depot, className="dim"),
                ],
                href=f"/vehicle/{fleet}/{vehicle}",
            )
            for fleet, vehicle, unit, depot, sold in found.vehicles
        ]
    if found.kinds:
        out.append(html.H2(tr("Findings")))
        out += [
            dcc.Link(
                [html.Span(title), html.Span(tr("{number} open", number=number), className="dim")],
                href=_fleet(chosen, kind=kind),
            )
            for kind, title, number in found.kinds
        ]
    if found.matching:
        out.append(html.H2(tr("Units, points and places")))
        text = trn("{n} vehicle with “{words}”", "{n} vehicles with “{words}”", found.matching, words=words)
        out.append(dcc.Link(text, href=_fleet(chosen, search=words)))
    return out or [html.P(tr("Nothing is called “{words}”.", words=words), className="dim")]


def _fleet(chosen: Scope, **asked: str) -> str:
    return scope.address("/fleet", chosen, **asked)


def register(app: Dash, database: Engine) -> None:
    """Wire the frame into an application."""
    tallow = "tallow"
    where = [Input("_pages_location", "pathname"), Input("_pages_location", "search")]
    app.clientside_callback(
        ClientsideFunction(tallow, "follow"),
        Output("scope", "value"), Output("scope-kept", "data"), Output({"type": "nav", "place": ALL, "to": ALL}, "href"),
        Output("scheme-now", "data"), *where, State("scope-kept", "data"), State({"type": "nav", "place": ALL, "to": ALL}, "id"),
    )  # fmt: skip
    app.clientside_callback(
        ClientsideFunction(tallow, "choose"), Output("frame-location", "href"), Input("scope", "value"),
        State("_pages_location", "pathname"), State("_pages_location", "search"), prevent_initial_call=True,
    )  # fmt: skip
    app.clientside_callback(
        ClientsideFunction(tallow, "state"),
        Output("data-words", "children"), Output("frame-alive", "children"), Output("data-state", "className"),
        Output("data-about", "children"), Output("rail-alarms", "children"), Output("rail-refills", "children"),
        Output("bar-alarms", "children"), Output("bar-refills", "children"), Input("frame-tick", "n_intervals"), Input("scope", "value"),
    )  # fmt: skip
    app.clientside_callback(
        ClientsideFunction(tallow, "first"),
        Output("find", "title"),
        Input("find", "n_submit"),
        prevent_initial_call=True,
    )
    app.clientside_callback(
        ClientsideFunction(tallow, "dress"),
        Output("scheme", "className"),
        Input("scheme", "value"),
        prevent_initial_call=True,
    )
    app.clientside_callback(
        ClientsideFunction(tallow, "toggle"), Output("more", "opened"), Input("more-open", "n_clicks"), *where, State("more", "opened"),
        prevent_initial_call=True,
    )  # fmt: skip
    app.callback(
        Output("find-found", "children"), Input("find", "value"), State("scope-kept", "data"), prevent_initial_call=True
    )(_found)

    @app.server.get("/frame")
    def told() -> dict[str, Any]:
        return frame.state(database, scope_of(request.args.to_dict()))
