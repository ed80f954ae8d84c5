"""Which day to fill which vehicles at a depot, with how much of which grease."""

from datetime import timedelta
from typing import Any
from urllib.parse import urlencode

import dash
import dash_mantine_components as dmc
from dash import MATCH, ClientsideFunction, Input, Output, State, callback, clientside_callback, dcc, html

from analytics.findings import FILL_STEP
from analytics.kinds import FINDING_KINDS
from analytics.planning.rounds import WORKDAYS, WORTH, Visit
from dashboard import accounts, components, formatting
from dashboard.exports import calendar, csv
from dashboard.queries import rounds, scope
from dashboard.queries.rounds import Round
from dashboard.units import VOLUMES
from dashboard.web.app import engine
from ingest import times

dash.register_page(
    __name__, path="/rounds", name="Refill round", title="Refill round", in_menu=True, order=3, icon="rounds"
)

_HORIZONS = (7, 14, 28, 56)


def layout(depot: str = "", days: str = "28", limit: str = "", **_: Any) -> html.Div:
    """The page for the choice in the address."""
    known = scope.depots(engine())
    chosen = depot if depot in known else (known[0] if known else "")
    return html.Div(
        [
            dcc.Location(id="round-location", refresh=False),
            html.H1("Refill round"),
            html.Div(
                [
                    dmc.Select(id="round-depot", label="Depot", value=chosen, data=known, allowDeselect=False, w=220),
                    dmc.Select(
                        id="round-days", label="Due within", value=days if days in map(str, _HORIZONS) else "28", w=140,
                        data=[{"value": str(n), "label": f"{n} days"} for n in _HORIZONS], allowDeselect=False,
                    ),
                    dmc.NumberInput(
                        id="round-limit", label="Fills a day at most", value=int(limit) if limit.isdecimal() else "", min=1, w=160,
                        placeholder="no limit", allowDecimal=False, debounce=400,
                    ),
                    dmc.NumberInput(
                        id="round-container", label=f"{accounts.my_units().volume} in a container", min=0.1, w=160, placeholder="loose",
                        debounce=400,
                        persistence=True, persistence_type="local",
                    ),
                    components.who("round-by", "Filled by"),
                    dmc.Button("Save as CSV", id="round-save", variant="default", mt=24),
                    dmc.Button("Calendar", id="round-calendar", variant="default", mt=24),
                    dmc.Button("Print", id="round-print", variant="default", mt=24),
                    dcc.Download(id="round-file"),
                    dcc.Download(id="round-ics"),
                ],
                className="filters",
            ),
            html.Div(id="round-body"),
        ]
    )  # fmt: skip


def _plan(depot: str, days: str, limit: object) -> Round:
    most = int(limit) if isinstance(limit, int | float) and limit >= 1 else None
    return rounds.read_round(engine(), depot, int(days), most, WORTH, WORKDAYS, times.now_us())


def body(told: Round, days: int, container_l: float | None = None) -> list[Any]:
    """The visits, each on its own card; grease in whole containers, where their size is known."""
    shown: list[Any] = [_visit(told, visit, container_l) for visit in told.visits]
    if not shown:
        shown = [html.P(f"Nothing is due at {told.depot} within {days} days.", className="dim")]
    else:
        in_full = html.Div(components.cautions_in_full(), className="on-paper")
        shown = [components.cautions(), html.P(FILL_STEP, className="dim"), *shown, in_full]
    if told.undated:
        shown.append(html.P(f"No date is known for: {', '.join(told.undated)}.", className="dim"))
    return shown


def _visit(told: Round, visit: Visit, container_l: float | None) -> dmc.Paper:
    day = told.today + timedelta(days=visit.day)
    take = [
        html.Li(f"{formatting.litres(amount)} of {grease}{formatting.containers(amount, container_l)}")
        for grease, amount in sorted(visit.litres.items())
    ]
    heads = ("Vehicle", "Expected level", "Needs", "Fill by", "Other findings", "Tick off")
    rows = []
    for stop in visit.stops:
        need, by = stop.need, told.today + timedelta(days=int(stop.need.early_days))
        also = ", ".join(FINDING_KINDS[f.kind].title for f in told.beside.get((need.fleet, need.vehicle), ())) or "–"
        until = "overdue" if need.early_days < 0 else f"{formatting.day(by)}{' (late)' if stop.late else ''}"
        rows.append(
            html.Tr(
                [html.Td([html.Strong(need.unit), f" {need.vehicle}"]), html.Td(f"{need.level_on(visit.day):.0f} %"),
                 html.Td(formatting.litres(stop.litres)), html.Td(until), html.Td(also), html.Td(_tick(need.fleet, need.vehicle))]
            )
        )  # fmt: skip
    table = components.table(heads, rows, "round")
    when = "Today" if visit.day == 0 else f"{day:%A} {formatting.day(day)}"
    return components.section(f"{when}: {len(visit.stops)} to fill", [html.P("Take along:"), html.Ul(take), table])


def _tick(fleet: str, vehicle: str) -> list[Any]:
    """The button that records the fill, and what became of that."""
    who = {"fleet": fleet, "vehicle": vehicle}
    return [
        html.Button(
            "Filled up", id={"type": "round-filled", **who}, className="quiet", **{"aria-label": f"{vehicle} filled up"}
        ),
        html.Div(id={"type": "round-told", **who}, role="status", className="dim"),
    ]


clientside_callback(
    ClientsideFunction("tallow", "tick"),
    Output({"type": "round-told", "fleet": MATCH, "vehicle": MATCH}, "children"),
    Input({"type": "round-filled", "fleet": MATCH, "vehicle": MATCH}, "n_clicks"),
    State({"type": "round-filled", "fleet": MATCH, "vehicle": MATCH}, "id"),
    State("round-by", "value"),
    prevent_initial_call=True,
)
clientside_callback(
    "function (clicks) { if (clicks) window.print(); return window.dash_clientside.no_update; }",
    Output("round-print", "title"),
    Input("round-print", "n_clicks"),
    prevent_initial_call=True,
)


@callback(
    Output("round-ics", "data"),
    Input("round-calendar", "n_clicks"),
    State("round-depot", "value"),
    State("round-days", "value"),
    State("round-limit", "value"),
    prevent_initial_call=True,
)
def save_calendar(_clicks: int, depot: str, days: str, limit: object) -> Any:
    """The visits as calendar entries."""
    if not depot:
        return dash.no_update
    content = calendar.round_calendar(_plan(depot, days, limit)).decode()
    return {"content": content, "filename": f"round-{depot}.ics".replace(" ", "-"), "type": "text/calendar"}


@callback(
    Output("round-body", "children"),
    Output("round-location", "href"),
    Input("round-depot", "value"),
    Input("round-days", "value"),
    Input("round-limit", "value"),
    Input("round-container", "value"),
)
def show(depot: str, days: str, limit: object, container_l: object) -> tuple[list[Any], str]:
    """The chosen round; the address holds the choice."""
    if not depot:
        return [html.P("No vehicles are registered yet.", className="dim")], "/rounds"
    kept = {"depot": depot, "days": days, "limit": str(limit or "")}
    address = f"/rounds?{urlencode({k: v for k, v in kept.items() if v})}"
    try:
        size = (
            container_l * VOLUMES[accounts.my_units().volume]
            if isinstance(container_l, int | float) and container_l > 0
            else None
        )
        return body(_plan(depot, days, limit), int(days), size), address
    except ValueError as error:
        return [dmc.Alert(f"{error}: allow more fills a day.".capitalize(), color="gray")], address


@callback(
    Output("round-file", "data"),
    Input("round-save", "n_clicks"),
    State("round-depot", "value"),
    State("round-days", "value"),
    State("round-limit", "value"),
    prevent_initial_call=True,
)
def save(_clicks: int, depot: str, days: str, limit: object) -> Any:
    """The round as a file."""
    rows = csv.round_table(_plan(depot, days, limit)) if depot else []
    if not rows:
        return dash.no_update
    return csv.as_file(rows, "date", f"round-{depot}.csv".replace(" ", "-"), "\r\n")
