"""Points greased by hand: what is due, ticked off where it is done; and what the meters of vehicles show that nobody hears of."""

from collections.abc import Sequence
from typing import Any

import dash
import dash_mantine_components as dmc
from dash import ClientsideFunction, Input, Output, State, callback, clientside_callback, dcc, html

from dashboard import accounts, components, point_tick
from dashboard.exports import csv
from dashboard.exports import hand as words
from dashboard.queries import hand, scope
from dashboard.queries.hand import STATES, HandDue
from dashboard.queries.scope import scope_of
from dashboard.web.database import engine
from ingest import times
from ingest.languages import later, tr

dash.register_page(
    __name__,
    path="/points",
    name=later("Hand points"),
    title=lambda **_: tr("Hand points"),
    in_menu=True,
    order=3.2,
    icon="points",
)

_MOST = 200  # rows: a page is for walking by; files have all


def layout(state: str = "", **asked: Any) -> html.Div:
    """The list in the scope of the address, one state of it where one is asked for."""
    chosen = scope_of(asked)
    found = hand.hand_points(engine(), times.now_us(), chosen)
    head = components.page_head(tr("Hand points"), [(tr("Save as CSV"), "points-csv")])
    kept = [dcc.Store(id="points-scope", data=chosen._asdict()), dcc.Download(id="points-file")]
    if not found:
        known = scope.depots(engine())
        return html.Div([*kept, head, html.P(tr(words.NOTHING)) if known else components.first_steps()])
    shown = [one for one in found if state in ("", one.state)]
    links = [(tr("All"), len(found), scope.address("/points", chosen), state not in STATES)] + [
        (words.WORDS[name], sum(one.state == name for one in found), scope.address("/points", chosen, state=name), state == name)
        for name in STATES
    ]  # fmt: skip
    return html.Div(
        [
            *kept,
            head,
            html.P(_sentence(found)),
            html.Div([components.who(point_tick.BY, tr("Greased or read by"))], className="filters"),
            components.tabs("points-tabs", tr("Which points"), links),
            components.cautions(),
            html.P(tr(words.GUN), className="dim"),
            html.Div(table(shown[:_MOST]), className="card card-table"),
            *([html.P(tr("and {left} more: choose a depot, or save the list as CSV.", left=len(shown) - _MOST))]
              if len(shown) > _MOST else []),
            *([html.Div(_meter(chosen), className="points-meter")] if accounts.current_person.get().may("technician") else []),
            html.P(tr(words.MEANING), className="dim"),
        ]
    )  # fmt: skip


def _sentence(found: Sequence[HandDue]) -> str:
    number = {name: sum(one.state == name for one in found) for name in STATES}
    critical = sum(one.state == "due" and one.critical for one in found)
    told = tr(
        "{due} of {all} points are due, {soon} more within 7 days",
        due=number["due"],
        all=len(found),
        soon=number["soon"],
    )
    told += "; " + tr("of {number} no date is known", number=number["unknown"]) if number["unknown"] else ""
    warned = (
        " " + tr("Steering or braking depends on {number} of those that are due.", number=critical) if critical else ""
    )
    return f"{told}.{warned}"


def table(found: Sequence[HandDue]) -> Any:
    """Points with their tick-off, the most urgent first."""
    heads = (tr("Vehicle"), tr("Point"), tr("Interval"), tr("Since grease"), tr("Due"), "")
    if not found:
        return html.P(tr("None."), className="dim")
    return components.table(heads, [_row(one) for one in found], "points")


def _row(one: HandDue) -> html.Tr:
    state = html.Span(words.WORDS[one.state], className=f"points-state points-{one.state}")
    return html.Tr(
        [
            html.Td([dcc.Link(one.unit, href=f"/vehicle/{one.fleet}/{one.vehicle}", className="unit"),
                     html.Div(f"{one.vehicle} · {one.depot}", className="small dim")]),
            html.Td([f"{one.number} {one.point}", html.Div(words.amount_of(one), className="small dim"),
                     *([html.Div(tr("Steering or braking depends on it"), className="small warns")] if one.critical else [])],
                    **{"data-head": tr("Point")}),
            html.Td(words.every(one.every, one.interval_unit), **{"data-head": tr("Interval")}),
            html.Td([words.since(one), *_read(one)], **{"data-head": tr("Since grease")}),
            html.Td([state, html.Div(words.date_or_why(one), className="small")], **{"data-head": tr("Due")}),
            html.Td(_tick(one), className="points-cell-tick"),
        ]
    )  # fmt: skip


def _read(one: HandDue) -> list[Any]:
    read = words.meter_of(one)
    return [html.Div(read, className="small dim")] if read else []


def _tick(one: HandDue) -> Any:
    if not accounts.current_person.get().may("technician"):
        return ""
    return point_tick.tick(one.fleet, one.vehicle, str(one.number), [(one.number, f"{one.number} {one.point}")])


def _meter(chosen: scope.Scope) -> Any:
    """The form for what a meter shows."""
    with engine().connect() as connection:
        known = hand.vehicles_with_points(connection, chosen)
    fields = [
        dmc.Select(
            id="meter-vehicle", label=tr("Vehicle"), searchable=True,
            data=[{"value": f"{fleet}/{name}", "label": f"{unit} ({name})"} for fleet, name, unit in known],
        ),
        dmc.NumberInput(id="meter-hours", label=tr("Hour meter, h"), min=0, decimalScale=2),
        dmc.NumberInput(id="meter-km", label=tr("Odometer, km"), min=0, decimalScale=1),
        dmc.Checkbox(id="meter-new", label=tr("Replaced or put to zero"), className="points-new"),
    ]  # fmt: skip
    return components.section(
        tr("Read a meter"),
        [
            html.Div(fields, className="work-form"),
            dmc.Button(tr("Record it"), id="meter-save", mt="sm"),
            html.Div(id="meter-told", role="status", className="work-told"),
        ],
        tr("For vehicles whose hours or kilometres nobody sends: a reading every two weeks keeps the dates good."),
    )


clientside_callback(
    ClientsideFunction("tallow", "meter"),
    Output("meter-told", "children"),
    Input("meter-save", "n_clicks"),
    State("meter-vehicle", "value"),
    State("meter-hours", "value"),
    State("meter-km", "value"),
    State("meter-new", "checked"),
    State(point_tick.BY, "value"),
    prevent_initial_call=True,
)


@callback(
    Output("points-file", "data"),
    Input("points-csv", "n_clicks"),
    State("points-scope", "data"),
    prevent_initial_call=True,
)
def save(_: int, asked: dict[str, str]) -> Any:
    """The list as a file."""
    found = hand.hand_points(engine(), times.now_us(), scope_of(asked))
    return csv.as_file(words.hand_table(found), "fleet", "hand-points.csv") if found else dash.no_update
