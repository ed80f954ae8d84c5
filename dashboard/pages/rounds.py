"""Which day to fill which vehicles at a depot, with how much of which grease."""

from datetime import timedelta
from typing import Any, Final
from urllib.parse import urlencode

import dash
import dash_mantine_components as dmc
from dash import MATCH, ClientsideFunction, Input, Output, State, callback, clientside_callback, dcc, html

from analytics.findings import FILL_STEP
from analytics.kinds import FINDING_KINDS
from analytics.kinds.kind import FILLING_PUMP
from analytics.planning.rounds import WORKDAYS, WORTH, Need, Stop, Visit
from dashboard import accounts, components, formatting, point_tick, rows
from dashboard.exports import calendar, csv, greases, hand
from dashboard.exports import rounds as said
from dashboard.queries import rounds, scope
from dashboard.queries.fleet import heard_long_ago
from dashboard.queries.rounds import Round
from dashboard.queries.scope import Scope, scope_of
from dashboard.units import VOLUMES
from dashboard.web.database import engine
from ingest import times
from ingest.languages import begun, cldr, later, tr, trn

dash.register_page(
    __name__,
    path="/rounds",
    name=later("Refill round"),
    title=lambda **_: tr("Refill round"),
    in_menu=True,
    order=3,
    icon="rounds",
)

_HORIZONS = (7, 14, 28, 56)


def layout(depot: str = "", days: str = "28", limit: str = "", **asked: Any) -> html.Div:
    """The page for the choice in the address; without a depot, what is due at each."""
    known = scope.depots(engine())
    chosen = depot if depot in known else (known[0] if len(known) == 1 else "")
    if not chosen:
        return html.Div([html.H1(tr("Refill round")), *every_depot(scope_of(asked))])
    return html.Div(
        [
            dcc.Location(id="round-location", refresh=False),
            dcc.Store(id="round-depot", data=chosen),
            dcc.Store(id="round-unit", data=VOLUMES[accounts.my_units().volume]),
            dcc.Download(id="round-file"),
            dcc.Download(id="round-ics"),
            components.page_head(
                tr("Refill round, {chosen}", chosen=chosen),
                [(tr("Save as CSV"), "round-save"), (tr("Save as calendar"), "round-calendar")],
                dmc.Button(tr("Print"), id="round-print", variant="default"),
            ),
            html.Div(_choices(days, limit), className="filters"),
            html.Div(components.pending(), id="round-body"),
        ]
    )


def _choices(days: str, limit: str) -> list[Any]:
    return [
        dmc.Select(
            id="round-days", label=tr("Due within"), value=days if days in map(str, _HORIZONS) else "28", w=130,
            data=[{"value": str(n), "label": trn("{n} day", "{n} days", n)} for n in _HORIZONS], allowDeselect=False,
        ),
        dmc.NumberInput(
            id="round-limit", label=tr("Fills a day at most"), value=int(limit) if limit.isdecimal() else "", min=1, w=150,
            placeholder=tr("no limit"), allowDecimal=False, debounce=400,
        ),
        dmc.NumberInput(
            id="round-container", label=tr("A container holds, {volume}", volume=accounts.my_units().volume), min=0.1, w=150,
            placeholder=tr("loose"), debounce=400, persistence=True, persistence_type="local",
        ),
        components.who(point_tick.BY, tr("Filled or greased by")),
    ]  # fmt: skip


def every_depot(chosen: Scope) -> list[Any]:
    """How many vehicles are due at each depot, of how many nobody knows when, and the way to its round."""
    found = rounds.due_by_depot(engine(), chosen, times.now_us())
    if not found:
        return [components.first_steps()]
    lines = [
        html.Tr(
            [html.Td(dcc.Link(one.depot, href=scope.address("/rounds", Scope(chosen.fleet, one.depot))), className="unit"),
             *(html.Td(str(n), className="num") for n in (one.now, one.in_7_days, one.in_28_days, one.undated))]
        )
        for one in found
    ]  # fmt: skip
    heads = (tr("Depot"), tr("Due now"), tr("In 7 days"), tr("In 28 days"), tr("No date known"))
    table = components.table(heads, lines, "round-depots")
    return [html.P(tr("Choose a depot: a round is planned for one.")), html.Div(table, className="card card-table")]


def _plan(depot: str, days: str, limit: object) -> Round:
    most = int(limit) if isinstance(limit, int | float) and limit >= 1 else None
    return rounds.read_round(engine(), depot, int(days), most, WORTH, WORKDAYS, times.now_us())


def body(told: Round, days: int, container_l: float | None = None) -> list[Any]:
    """The visits, each on its own card; grease in whole containers, where their size is known."""
    shown: list[Any] = [_visit(told, visit, container_l) for visit in told.visits]
    if not shown:
        shown = [
            html.P(tr("Nothing is due at {depot} within {days} days.", depot=told.depot, days=days), className="dim")
        ]
    else:
        in_full = html.Div(components.cautions_in_full(), className="on-paper")
        ages = [html.P(text, className="dim") for text in said.levels(told, times.now_us())]
        shown = [components.cautions(), html.P(tr(FILL_STEP), className="dim"), *ages, *shown, in_full]
    if told.points_undated:
        address = scope.address("/points", Scope(depot=told.depot), state="unknown")
        undated = trn(
            "Of {n} point greased by hand no date is known:",
            "Of {n} points greased by hand no date is known:",
            len(told.points_undated),
        )
        shown.append(html.P([f"{undated} ", dcc.Link(tr("the list says why"), href=address), "."], className="dim"))
    if told.undated:
        names = ", ".join(one.unit for one in told.undated)
        shown.append(html.P(tr("No date is known for: {names}.", names=names), className="dim"))
    return shown


def _visit(told: Round, visit: Visit, container_l: float | None) -> dmc.Paper:
    day = told.today + timedelta(days=visit.day)
    take = [
        tr("{litres} of {grease}", litres=formatting.litres(amount), grease=grease)
        + formatting.containers(amount, container_l)
        for grease, amount in sorted(visit.litres.items())
    ]
    kinds = [
        FINDING_KINDS[f.kind] for stop in visit.stops for f in told.beside.get((stop.need.fleet, stop.need.vehicle), ())
    ]
    others = (thing for kind in kinds for thing in kind.take if thing != tr(FILLING_PUMP))
    pump = [tr("filling pump with the fitting of each reservoir")] if visit.fills else []
    gun = [tr("grease gun")] if any(stop.by_hand for stop in visit.stops) else []
    tools = dict.fromkeys([*pump, *gun, tr("rags"), *others])
    heads = ("", tr("Vehicle"), tr("Expected level"), tr("Needs"), tr("Go by"), tr("Other findings"), tr("Done"))
    table = components.table(heads, [_stop(told, visit, stop) for stop in visit.stops], "round")
    when = tr("Today") if visit.day == 0 else f"{cldr.weekday(day)} {formatting.day(day)}"
    along = [
        *([html.P([html.Strong(f"{tr('Grease:')} "), "; ".join(take), "."])] if take else []),
        html.P([html.Strong(f"{tr('Take along:')} "), "; ".join(tools), "."]),
    ]
    colder = [told.changes[grease] for grease in sorted(visit.litres) if grease in told.changes]
    along += [
        html.P([html.Strong(f"{tr('Grease for the weeks to come:')} "), f"{one.held.called}, {greases.change(one)}."])
        for one in colder
    ]
    along += [html.P(tr(hand.GUN), className="dim")] if gun else []
    return components.section(f"{when}: {visited(visit)}", [*along, table])


def visited(visit: Visit) -> str:
    """3 to fill, 1 to grease by hand."""
    only = len(visit.stops) - visit.fills
    parts = [tr("{number} to fill", number=visit.fills)] if visit.fills else []
    return ", ".join([*parts, *([tr("{number} to grease by hand", number=only)] if only else [])])


def _stop(told: Round, visit: Visit, stop: Stop) -> html.Tr:
    need, by = stop.need, told.today + timedelta(days=int(stop.need.early_days))
    link = f"/vehicle/{need.fleet}/{need.vehicle}"
    beside = [
        html.Div([rows.mark(f.severity), " ", FINDING_KINDS[f.kind].title])
        for f in told.beside.get((need.fleet, need.vehicle), ())
    ]
    home = told.visiting.get((need.fleet, need.vehicle))
    stands = [html.Div(tr("of {depot}, stands here", depot=home), className="small dim")] if home else []
    until = formatting.day(by)
    if need.early_days < 0:
        until = tr("overdue")
    elif stop.late:
        until = tr("{day} (late)", day=until)
    return html.Tr(
        [
            html.Td(html.Span(className="box"), className="round-on-paper-cell"),
            html.Td(
                [
                    dcc.Link(need.unit, href=link, className="unit"),
                    html.Div(need.vehicle, className="small dim"),
                    *stands,
                ]
            ),
            html.Td(_level(told, need, visit.day), className="num", **{"data-head": tr("Expected level")}),
            html.Td(
                formatting.litres(stop.litres) if need.fills else "–", className="num", **{"data-head": tr("Needs")}
            ),
            html.Td(until, **{"data-head": tr("Go by")}),
            html.Td(beside or "–", **{"data-head": tr("Other findings")}),
            html.Td(
                [*(_tick(need.fleet, need.vehicle) if need.fills else []), *_by_hand(stop, visit)],
                className="round-cell-tick",
            ),
        ]
    )


def _level(told: Round, need: Need, day: int) -> Any:
    """What is to be expected, and where it rests on what was heard long ago, of when."""
    if not need.fills:
        return "–"
    level, heard_us = f"{cldr.decimal(need.level_on(day), 0)} %", told.heard_us.get((need.fleet, need.vehicle))
    if not heard_long_ago(heard_us, times.now_us()):
        return level
    return [level, html.Div(tr("heard {ago}", ago=formatting.ago(heard_us, times.now_us())), className="small dim")]


def _by_hand(stop: Stop, visit: Visit) -> list[Any]:
    """The points to grease by hand at a stop, with what ticks them off."""
    if not stop.by_hand:
        return []
    points = [(one.number, hand.to_grease(one)) for one in stop.by_hand]
    heading = html.Div(
        f"{tr('Grease by hand:')} {points[0][1]}" if len(points) == 1 else tr("Grease by hand:"), className="small"
    )
    need = stop.need
    return [
        html.Div(
            [heading, point_tick.tick(need.fleet, need.vehicle, f"visit-{visit.day}", points)],
            className="points-by-hand",
        )
    ]


def _tick(fleet: str, vehicle: str) -> list[Any]:
    """What records the fill, what became of that, and the way back."""
    who = {"fleet": fleet, "vehicle": vehicle}
    unit = accounts.my_units().volume
    return [
        html.Div(
            [
                dmc.NumberInput(
                    id={"type": "round-litres", **who}, placeholder=tr("full"), min=0, decimalScale=2, w=88, hideControls=True,
                    suffix=f" {unit}",
                    **{"aria-label": tr("{unit} that went into {vehicle}, where it was not filled up", unit=unit, vehicle=vehicle)},
                ),
                dmc.Button(tr("Filled"), id={"type": "round-filled", **who}, variant="default",
                           **{"aria-label": tr("{vehicle} filled", vehicle=vehicle)}),
                html.Button(tr("Undo"), id={"type": "round-undo", **who}, className="quiet", style={"display": "none"},
                            **{"aria-label": tr("{vehicle} was not filled", vehicle=vehicle)}),
            ],
            className="round-tick",
        ),
        dcc.Store(id={"type": "round-key", **who}),
        html.Div(id={"type": "round-told", **who}, role="status", className="small dim"),
    ]  # fmt: skip


_ONE: Final = {"fleet": MATCH, "vehicle": MATCH}
clientside_callback(
    ClientsideFunction("tallow", "tick"),
    Output({"type": "round-told", **_ONE}, "children"),
    Output({"type": "round-undo", **_ONE}, "style"),
    Output({"type": "round-key", **_ONE}, "data"),
    Input({"type": "round-filled", **_ONE}, "n_clicks"),
    State({"type": "round-filled", **_ONE}, "id"),
    State(point_tick.BY, "value"),
    State({"type": "round-litres", **_ONE}, "value"),
    State("round-unit", "data"),
    prevent_initial_call=True,
)
clientside_callback(
    ClientsideFunction("tallow", "untick"),
    Output({"type": "round-told", **_ONE}, "children", allow_duplicate=True),
    Output({"type": "round-undo", **_ONE}, "style", allow_duplicate=True),
    Input({"type": "round-undo", **_ONE}, "n_clicks"),
    State({"type": "round-filled", **_ONE}, "id"),
    State(point_tick.BY, "value"),
    State({"type": "round-key", **_ONE}, "data"),
    prevent_initial_call=True,
)
clientside_callback(
    ClientsideFunction("tallow", "print"),
    Output("round-print", "title"),
    Input("round-print", "n_clicks"),
    prevent_initial_call=True,
)


@callback(
    Output("round-ics", "data"),
    Input("round-calendar", "n_clicks"),
    State("round-depot", "data"),
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
    Input("round-depot", "data"),
    Input("round-days", "value"),
    Input("round-limit", "value"),
    Input("round-container", "value"),
)
def show(depot: str, days: str, limit: object, container_l: object) -> tuple[list[Any], str]:
    """The chosen round; the address holds the choice."""
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
        return [dmc.Alert(begun(tr("{error}: allow more fills a day.", error=error)), color="gray")], address


@callback(
    Output("round-file", "data"),
    Input("round-save", "n_clicks"),
    State("round-depot", "data"),
    State("round-days", "value"),
    State("round-limit", "value"),
    prevent_initial_call=True,
)
def save(_clicks: int, depot: str, days: str, limit: object) -> Any:
    """The round as a file."""
    planned = csv.round_table(_plan(depot, days, limit)) if depot else []
    if not planned:
        return dash.no_update
    return csv.as_file(planned, "date", f"round-{depot}.csv".replace(" ", "-"), "\r\n")
