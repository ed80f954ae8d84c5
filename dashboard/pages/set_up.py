"""What leads decide: vehicles and call-out sheets, depots, where alerts go, and who may do what."""

import base64
import binascii
import contextlib
import tempfile
from pathlib import Path
from typing import Any, Final

import dash
import dash_mantine_components as dmc
from dash import ALL, Input, Output, State, callback, ctx, dcc, html
from sqlalchemy import Connection

from analytics.alarms import depots, transports
from analytics.alarms.routes import add_route, find_route, masked, read_routes, remove_route
from analytics.kinds import GROUPS, SEVERITIES
from analytics.pipeline import vehicle_summary
from dashboard import parts, people, queries, words
from dashboard.app import engine
from ingest.database import reachable, writing
from ingest.errors import Problem

dash.register_page(__name__, path="/set-up", name="Set-up", title="Set-up", in_menu=True, order=6, role="lead")

LARGEST_BYTES: Final = 20_000_000
_FILES: Final = ("vehicles.csv", "lines.csv")
_ABOUT_PEOPLE: Final = (
    "A viewer sees; a technician records work and deals with alarms; a lead changes what stands here. From the first person on,"
    " everybody has to sign in."
)


def layout(**_: Any) -> html.Div:
    """The page, for leads."""
    try:
        people.need_lead()
    except Problem as problem:
        return html.Div([html.H1("Set-up"), html.P(f"{str(problem).capitalize()}.")])
    return html.Div(
        [
            html.H1("Set-up"),
            parts.section(
                "Vehicles and call-out sheets", _upload(), "Two CSV files, as tallow register reads them; all or nothing."
            ),
            parts.section(
                "Depots",
                [html.Div(depot_rows(), id="setup-depots"), _depot_form()],
                "When refills are told of, and when nobody is called.",
            ),
            parts.section(
                "Where alerts go",
                [html.Div(route_rows(), id="setup-routes"), _route_form()],
                "At once what cannot wait, the rest in one digest a day.",
            ),
            parts.section("People", [html.Div(person_rows(), id="setup-people"), _person_form()], _ABOUT_PEOPLE),
            parts.section("What was changed here", html.Div(change_rows(), id="setup-changes"), "The latest fifty changes."),
        ]
    )  # fmt: skip


def _write(do: Any, rows: Any) -> tuple[Any, Any, Any]:
    """Do something to the set-up as a lead, and keep who did: what is to be told, what the page then lists, and what was changed. Who
    may not is told that, and nothing else."""
    try:
        who = people.need_lead().name or "this machine"
        with reachable(engine()), writing(engine()) as connection:
            told = do(connection)
            people.note(connection, who, told, queries.now_us())
    except Problem as problem:
        return f"Not done: {problem}.", dash.no_update, dash.no_update
    return f"{told}.", rows(), change_rows()


# Vehicles -----------------------------------------------------------------------------------------------------------


def _upload() -> list[Any]:
    return [
        dcc.Upload(
            html.Div(["Drop vehicles.csv and lines.csv here, or ", html.Span("choose them", className="like-link")]),
            id="setup-files", multiple=True, className="upload", max_size=LARGEST_BYTES,
        ),
        html.Div(id="setup-preview", role="status"),
        dmc.Button("Register them", id="setup-register", style={"display": "none"}, mt="sm"),
    ]  # fmt: skip


class _OnlyLooked(Exception):
    """Takes back what was registered to see what it would change."""


def _folder(names: list[str] | None, contents: list[str] | None, folder: Path) -> None:
    """Put uploaded files where `register` reads them. Raises Problem."""
    given = dict(zip(names or (), contents or (), strict=False))
    if set(given) != set(_FILES):
        raise Problem(f"choose both files together: {' and '.join(_FILES)}")
    for name in _FILES:
        try:
            data = base64.b64decode(given[name].partition(",")[2], validate=True)
        except (binascii.Error, ValueError):
            raise Problem(f"{name} did not arrive whole; try again") from None
        if len(data) > LARGEST_BYTES:
            raise Problem(f"{name} is larger than {LARGEST_BYTES // 1_000_000} MB")
        (folder / name).write_bytes(data)


@callback(
    Output("setup-preview", "children"),
    Output("setup-register", "style"),
    Output("setup-changes", "children"),
    Input("setup-files", "contents"),
    Input("setup-register", "n_clicks"),
    State("setup-files", "filename"),
    prevent_initial_call=True,
)
def take(contents: list[str] | None, _: int | None, names: list[str] | None) -> Any:
    """Say what the files would change, row by bad row; register them when asked to."""
    keep = ctx.triggered_id == "setup-register"
    try:
        who = people.need_lead().name or "this machine"
        with tempfile.TemporaryDirectory() as name:
            _folder(names, contents, Path(name))
            with contextlib.suppress(_OnlyLooked), reachable(engine()), writing(engine()) as connection:
                done = vehicle_summary.register(connection, Path(name), queries.now_us())
                told = f"{done.vehicles} vehicles with {done.lines} lines; {len(done.changed)} new or changed"
                if not keep:
                    raise _OnlyLooked
                people.note(connection, who, f"registered {told}", queries.now_us())
    except Problem as problem:
        rows = str(problem).split("; ")
        return (
            [html.P("Nothing registered."), html.Ul([html.Li(row) for row in rows])],
            {"display": "none"},
            dash.no_update,
        )
    if keep:
        return f"Registered: {told}.", {"display": "none"}, change_rows()
    return f"These files hold {told}. Nothing is changed yet.", {}, dash.no_update


# Depots -------------------------------------------------------------------------------------------------------------


def depot_rows() -> Any:
    """What each depot wants."""
    with engine().connect() as connection:
        rows = [
            html.Tr([html.Td(name), html.Td("; ".join(words.depot_wishes(depots.depot(connection, name))))])
            for name in queries.depots(engine())
        ]
    if not rows:
        return html.P("No vehicles are registered yet.", className="dim")
    return html.Div(parts.table(("Depot", "Wants"), rows, "plain-wrap"), className="wide")


def _depot_form() -> html.Div:
    names = queries.depots(engine())
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
            dmc.Button("Keep", id="setup-depot-keep", mt="sm"),
            html.Div(id="setup-depot-told", role="status", className="work-told"),
        ]
    )  # fmt: skip


@callback(
    Output("setup-depot-told", "children"),
    Output("setup-depots", "children"),
    Output("setup-changes", "children", allow_duplicate=True),
    Input("setup-depot-keep", "n_clicks"),
    State("setup-depot", "value"),
    State("setup-lead", "value"),
    State("setup-digest", "value"),
    State("setup-quiet", "value"),
    prevent_initial_call=True,
)
def keep_depot(_: int, name: str, lead: Any, digest: str | None, quiet: str | None) -> Any:
    """What a depot wants from now on; what was left empty stays."""

    def do(connection: Connection) -> str:
        if name not in queries.depots(engine()):
            raise Problem("choose a depot")
        lead_days = float(lead) if isinstance(lead, int | float) else None
        wanted = depots.wished(depots.depot(connection, name), lead_days, digest or None, quiet or None)
        depots.keep_depot(connection, wanted)
        return f"{name}: {'; '.join(words.depot_wishes(wanted))}"

    return _write(do, depot_rows)


# Routes -------------------------------------------------------------------------------------------------------------


def route_rows() -> Any:
    """Where alerts go, each with a button to try it and one to remove it."""
    with engine().connect() as connection:
        found = read_routes(connection)
    rows = [
        html.Tr(
            [html.Td(str(one.id)), html.Td(masked(one.address)), html.Td(words.route(one)),
             html.Td([_button("try", one.id, "send a test"), " ", _button("remove", one.id, "remove")])]
        )
        for one in found
    ]  # fmt: skip
    if not rows:
        return html.P("No alerts go anywhere yet.", className="dim")
    return html.Div(parts.table(("Route", "To", "What", ""), rows, "plain-wrap"), className="wide")


def _button(what: str, number: int, text: str) -> html.Button:
    return html.Button(text, id={"type": "setup-route", "what": what, "number": number}, className="quiet")


def _route_form() -> html.Div:
    names = queries.depots(engine())
    return html.Div(
        [
            html.Div(
                [
                    dmc.PasswordInput(id="setup-address", label="Address", placeholder="mailto://… or mqtt://…"),
                    dmc.Select(id="setup-route-depot", label="Depot", value="", allowDeselect=False,
                               data=parts.one_or_all("All depots", names)),
                    dmc.Select(id="setup-severity", label="From", value="plan", allowDeselect=False,
                               data=[{"value": s, "label": words.NEED_WORDS[s]} for s in SEVERITIES]),
                    dmc.MultiSelect(id="setup-groups", label="Groups", data=list(GROUPS), value=[], placeholder="all"),
                    dmc.NumberInput(id="setup-after", label="Only if unacknowledged for, minutes", value=0, min=0),
                    dmc.Checkbox(id="setup-any-hour", label="In quiet hours too", mt="lg"),
                ],
                className="work-form",
            ),
            dmc.Button("Add", id="setup-route-add", mt="sm"),
            html.Div(id="setup-route-told", role="status", className="work-told"),
        ]
    )  # fmt: skip


@callback(
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
    prevent_initial_call=True,
)
def routes(
    _: int | None, clicks: list[int | None], address: str | None, depot: str, severity: str, groups: list[str] | None, after: Any,
    any_hour: bool | None,
) -> Any:  # fmt: skip
    """Add a route, remove one, or try one."""
    asked = ctx.triggered_id
    if asked == "setup-route-add":

        def add(connection: Connection) -> str:
            number = add_route(
                connection, (address or "").strip(), depot=depot or None, severity=severity, groups=groups or (),
                after_min=int(after or 0), at_any_hour=bool(any_hour),
            )  # fmt: skip
            return f"Route {number} added, to {masked((address or '').strip())}"

        return _write(add, route_rows)
    if not isinstance(asked, dict) or not any(clicks):
        return [dash.no_update] * 3
    number = int(asked["number"])
    if asked["what"] == "remove":

        def drop(connection: Connection) -> str:
            remove_route(connection, number)
            return f"Route {number} removed"

        return _write(drop, route_rows)
    try:
        people.need_lead()
        with reachable(engine()), engine().connect() as connection:
            route = find_route(connection, number)
        transports.try_route(route, transports.sender(_TRY_S))
    except Problem as problem:
        return f"Not done: {problem}.", dash.no_update, dash.no_update
    return f"A message went to {masked(route.address)}.", dash.no_update, dash.no_update


_TRY_S: Final = 15.0


# People -------------------------------------------------------------------------------------------------------------


def person_rows() -> Any:
    """Who may do what."""
    with engine().connect() as connection:
        found = people.people(connection)
    rows = [
        html.Tr(
            [html.Td(one.name), html.Td(one.role), html.Td(", ".join(one.fleets) or "all"), html.Td(", ".join(one.depots) or "all"),
             html.Td(html.Button("remove", id={"type": "setup-person", "name": one.name}, className="quiet"))]
        )
        for one in found
    ]  # fmt: skip
    if not rows:
        return html.P("Nobody is named yet: whoever is on this machine may do everything.", className="dim")
    return html.Div(parts.table(("Name", "Role", "Fleets", "Depots", ""), rows, "plain-wrap"), className="wide")


def _person_form() -> html.Div:
    setups = queries.setups(engine())
    return html.Div(
        [
            html.Div(
                [
                    dmc.TextInput(id="setup-name", label="Name"),
                    dmc.PasswordInput(id="setup-password", label=f"Password, {people.SHORTEST_PASSWORD} characters or more"),
                    dmc.Select(id="setup-role", label="Role", data=list(people.ROLES), value="technician", allowDeselect=False),
                    dmc.MultiSelect(id="setup-fleets", label="Fleets", data=sorted({s.fleet for s in setups}), value=[], placeholder="all"),
                    dmc.MultiSelect(id="setup-sees", label="Depots", data=sorted({s.depot for s in setups}), value=[], placeholder="all"),
                ],
                className="work-form",
            ),
            dmc.Button("Add, or change role", id="setup-person-keep", mt="sm"),
            html.Div(id="setup-person-told", role="status", className="work-told"),
        ]
    )  # fmt: skip


@callback(
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
)
def persons(
    _: int | None, clicks: list[int | None], name: str | None, password: str | None, role: str, fleets: list[str] | None,
    sees: list[str] | None,
) -> Any:  # fmt: skip
    """Name somebody, change somebody, or let somebody in no more."""
    asked = ctx.triggered_id
    if asked == "setup-person-keep":

        def keep(connection: Connection) -> str:
            who = (name or "").strip()
            if any(one.name == who for one in people.people(connection)):
                if password:  # somebody who forgot it stays who they are
                    people.set_password(connection, who, password)
                    return f"{who} has another password; role, fleets and depots stay"
                people.set_role(connection, who, role, fleets or (), sees or ())
                return f"{who} is now a {role}"
            people.add(connection, who, password or "", role, fleets or (), sees or ())
            return f"{who} is a {role}"

        return _write(keep, person_rows)
    if not isinstance(asked, dict) or not any(clicks):
        return [dash.no_update] * 3
    gone = str(asked["name"])

    def drop(connection: Connection) -> str:
        people.remove(connection, gone)
        return f"{gone} removed"

    return _write(drop, person_rows)


def change_rows() -> Any:
    """Who changed what."""
    with engine().connect() as connection:
        found = people.changes(connection, 50)
    if not found:
        return html.P("Nothing yet.", className="dim")
    return html.Ul(
        [html.Li(f"{words.moment(row.at_us, 'UTC')} UTC, {row.who}: {row.what}") for row in found], className="records"
    )
