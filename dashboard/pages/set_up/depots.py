"""What each depot wants."""

import base64
from typing import Any

import dash
import dash_mantine_components as dmc
from dash import ALL, Input, Output, State, callback, ctx, dcc, html
from sqlalchemy import Connection

from analytics.alarms import depots
from analytics.planning.closed_days import MOST_BYTES, closed_days
from dashboard import components, formatting
from dashboard.pages.set_up.changes import write
from dashboard.queries import scope
from dashboard.web.database import engine
from ingest.errors import Problem
from ingest.languages import tr
from ingest.times import instant, now_us


def depot_rows() -> Any:
    """What each depot wants."""
    with engine().connect() as connection:
        rows = [
            html.Tr([html.Td(name), html.Td("; ".join(formatting.depot_wishes(depots.depot(connection, name)))),
                     html.Td(_closings(connection, name))])
            for name in scope.depots(engine())
        ]  # fmt: skip
    if not rows:
        return html.P(tr("No vehicles are registered yet."), className="dim")
    return html.Div(
        components.table((tr("Depot"), tr("Settings"), tr("Closed days")), rows, "plain-wrap"), className="wide"
    )


def _closings(connection: Connection, name: str) -> list[Any]:
    """Each closing, with a button that takes it back."""
    return [
        html.Div([formatting.closing(one), " ",
                  html.Button(tr("take back"), id={"type": "setup-closing", "depot": name, "number": number}, className="quiet")])
        for number, one in depots.closings(connection, name)
    ] or [html.Span(tr("none entered"), className="dim")]  # fmt: skip


def depot_form() -> html.Div:
    names = scope.depots(engine())
    return html.Div(
        [
            html.Div(
                [
                    dmc.Select(id="setup-depot", label=tr("Depot"), data=names, value=names[0] if names else None, allowDeselect=False),
                    dmc.NumberInput(id="setup-lead", label=tr("Refills, days ahead"), min=0, max=90),
                    dmc.TextInput(id="setup-digest", label=tr("Digest at"), placeholder="06:00"),
                    dmc.TextInput(id="setup-quiet", label=tr("Quiet hours"), placeholder=tr("20:00-05:30, or none")),
                    dmc.TextInput(id="setup-holidays", label=tr("Public holidays of"), placeholder=tr("IE, AU-WA, or none")),
                    dmc.TextInput(id="setup-position", label=tr("Serves who stands at"), placeholder=tr("59.9139,10.7522,300, or none")),
                    dmc.DatePickerInput(id="setup-closed", label=tr("Closed from, to"), type="range", clearable=True),
                    dmc.TextInput(id="setup-closed-why", label=tr("Why it is closed")),
                ],
                className="work-form",
            ),
            dcc.Upload(html.Button(tr("Choose an iCalendar file of closed days"), className="quiet"), id="setup-calendar",
                       max_size=MOST_BYTES),
            html.Div(id="setup-calendar-name", className="dim"),
            dmc.Button(tr("Save"), id="setup-depot-keep", mt="sm"),
            html.Div(id="setup-depot-told", role="status", className="work-told"),
        ]
    )  # fmt: skip


def keep_depot(
    _: int, clicks: list[int | None], name: str, lead: Any, digest: str | None, quiet: str | None, holidays: str | None,
    position: str | None, closed: list[str | None] | None, why: str | None, calendar: str | None,
) -> Any:  # fmt: skip
    """What a depot wants from now on, and when it is closed; what was left empty stays. Or take a closing back."""
    asked = ctx.triggered_id
    if isinstance(asked, dict):
        if not any(clicks):
            return (dash.no_update,) * 3
        return write(lambda connection: _take_back(connection, asked["depot"], asked["number"]), depot_rows)

    def do(connection: Connection) -> str:
        _need_depot(name)
        lead_days = float(lead) if isinstance(lead, int | float) else None
        now = depots.depot(connection, name)
        wanted = depots.wished(now, lead_days, digest or None, quiet or None, holidays or None, position or None)
        depots.keep_depot(connection, wanted)
        told = formatting.depot_wishes(wanted)
        first, last = closed if closed and len(closed) == 2 else (None, None)
        if first and last:
            days = closed_days(first[:10], last[:10], why or "")
            depots.keep_closing(connection, name, days)
            told.append(formatting.closing(days))
        if calendar:
            number = depots.import_calendar(connection, name, _uploaded(calendar), instant(now_us()).date())
            told.append(tr("{number} closings read from a file", number=number))
        return f"{name}: {'; '.join(told)}"

    return write(do, depot_rows)


def _need_depot(name: str) -> None:
    if name not in scope.depots(engine()):
        raise Problem("choose a depot")


def _take_back(connection: Connection, name: str, number: int) -> str:
    _need_depot(name)
    depots.drop_closing(connection, name, number)
    return tr("{name}: closing {number} taken back", name=name, number=number)


def _uploaded(content: str) -> bytes:
    """The bytes of an uploaded file. Raises Problem."""
    try:
        found = base64.b64decode(content.partition(",")[2], validate=True)
    except ValueError:
        raise Problem("the file did not arrive whole; choose it again") from None
    if len(found) > MOST_BYTES:
        raise Problem(f"a file of closed days has at most {MOST_BYTES // 1000} kB")
    return found


def register() -> None:
    """Wire what stands here into the application that is being made."""
    callback(
        Output("setup-depot-told", "children"),
        Output("setup-depots", "children"),
        Output("setup-changes", "children", allow_duplicate=True),
        Input("setup-depot-keep", "n_clicks"),
        Input({"type": "setup-closing", "depot": ALL, "number": ALL}, "n_clicks"),
        State("setup-depot", "value"),
        State("setup-lead", "value"),
        State("setup-digest", "value"),
        State("setup-quiet", "value"),
        State("setup-holidays", "value"),
        State("setup-position", "value"),
        State("setup-closed", "value"),
        State("setup-closed-why", "value"),
        State("setup-calendar", "contents"),
        prevent_initial_call=True,
    )(keep_depot)
    callback(Output("setup-calendar-name", "children"), Input("setup-calendar", "filename"))(lambda name: name or "")
