"""Everything needed to decide before walking to a vehicle, from the general to the particular."""

import json
from collections.abc import Mapping
from typing import Any, Final
from zlib import crc32

import dash
from dash import ALL, Input, Output, State, callback, ctx, dcc, html
from plotly.utils import PlotlyJSONEncoder

from analytics.alarms.states import Transition
from analytics.findings import Finding, urgency
from analytics.pipeline.tasks import Unanalysed
from analytics.vehicle.analysis import Result
from dashboard import accounts, components, formatting
from dashboard.figures import theme
from dashboard.pages import model_table
from dashboard.pages.vehicle import cause, charts, files, hand, lines, side, timer, wear, work_form, work_history
from dashboard.queries import scope, vehicle
from dashboard.queries.greases import mixed, warnings
from dashboard.queries.model import checks_of
from dashboard.queries.vehicle import Record
from dashboard.queries.wear import trends_of
from dashboard.units import VOLUMES
from dashboard.web import alarm_actions
from dashboard.web.database import engine
from dashboard.web.frame import REFRESH_MS
from ingest import times
from ingest.errors import Problem
from ingest.languages import later, tr
from ingest.setups import Setup

dash.register_page(
    __name__,
    path_template="/vehicle/<fleet>/<name>",
    name=later("Vehicle"),
    title=lambda fleet=None, name=None: tr("Vehicle {name}", name=name),
)
for part in (charts, files, timer, work_form, work_history):
    part.register()

_SECTIONS: Final = (
    (later("Cause"), "cause"), (later("Work"), "work"), (later("Reservoir"), "reservoir"), (later("Alarms"), "alarms"),
    (later("Set-up"), "set-up"), (later("Over time"), "over-time"), (later("Hand points"), "hand"),
    (later("Lines"), "lines"), (later("Slow changes"), "wear"),
    (later("Past"), "past"),
)  # fmt: skip

_OF_A_SYSTEM: Final = ("reservoir", "over-time", "lines", "wear")  # what there is only with a controller


def layout(fleet: str | None = None, name: str | None = None, **_: Any) -> html.Div:
    """The page of one vehicle."""
    try:
        result = vehicle.vehicle_result(engine(), fleet, name) if fleet and name else None
    except Unanalysed as problem:
        return _unanalysed(problem, fleet, name)
    if result is None or fleet is None or name is None:
        return cause.unknown(name)
    opened, template = lines.worst_line(result), theme.template_of("light")
    found = vehicle.records(engine(), fleet, name)
    shown = _shown(result, found, opened)
    who = _who(result, vehicle.news(engine(), fleet, name)) | {"shown": _digests(shown)}

    def place(part: str, **also: Any) -> html.Div:
        return html.Div(shown[part], id=f"vehicle-{part}", **also)

    work = _work(result, found, place("work"))
    bell = components.section(
        tr("Alarms"), [place("alarms"), html.Div(id="vehicle-told", role="status")],
        tr("Acknowledged by whoever is named under Work."),
    )  # fmt: skip
    of_system = {} if result.history.setup.controller else {"display": "none"}
    alarms_ = html.Section(bell, id="alarms")
    left = [html.Section(place("head"), id="cause"), html.Section(work, id="work")]
    right = [
        html.Section(place("reservoir"), id="reservoir", style=of_system),
        html.Section([place("set-up"), html.Div(timer.timer_section(result), style=of_system)], id="set-up"),
    ]
    # Where nothing is wrong the left has little to say, and room.
    (right if _open(result) else left).insert(1, alarms_)
    return html.Div(
        [
            dcc.Store(id="vehicle-who", data=who),
            dcc.Store(id="vehicle-opened", data=opened),
            dcc.Interval(id="vehicle-tick", interval=REFRESH_MS),
            files.file(),
            html.Div(
                [
                    html.Div([place("bar", className="vehicle-bar-who"), html.Button(tr("Print or save as PDF"), id="vehicle-print",
                    className="quiet page-menu")],
                             className="vehicle-bar-top"),
                    html.Nav(_anchors(result.history.setup), className="vehicle-sections", **{"aria-label": tr("Parts of this page")}),
                ],
                className="vehicle-bar",
            ),
            html.Div([html.Div(left, className="vehicle-left"), html.Div(right, className="vehicle-right")], className="vehicle-columns"),
            html.Section(place("hand"), id="hand"),
            html.Section(charts.charts(result, opened, template), id="over-time", style=of_system),
            html.Section(lines.section(result, opened, template), id="lines", style=of_system),
            html.Section(place("wear"), id="wear", style=of_system),
            html.Section(place("past"), id="past"),
        ],
        className="vehicle",
    )  # fmt: skip


def _unanalysed(problem: Unanalysed, fleet: str | None, name: str | None) -> html.Div:
    return cause.unanalysed(str(problem), vehicle.looked_us(engine(), fleet or "", name or ""))


def _work(result: Result, found: tuple[Record, ...], recorded: html.Div) -> Any:
    add = [work_history.form(found, result.history.setup.timezone)] if work_history.may_add() else []
    return components.section(
        tr("Work"),
        [work_form.form(result, scope.depots(engine()), _greases(result)), html.H3(tr("Recorded")), recorded, *add],
        tr("What was done changes what is said here, from the time at which it was done."),
    )


def _anchors(setup: Setup) -> list[html.A]:
    left_out = {*(() if setup.controller else _OF_A_SYSTEM), *(() if setup.hand_points else ("hand",))}
    return [html.A(tr(text), href=f"#{anchor}") for text, anchor in _SECTIONS if anchor not in left_out]


def _who(result: Result, news: int) -> dict[str, Any]:
    """Whose page it is, for what runs in the browser: with what a reservoir holds, and litres in one of the reader's units."""
    setup = result.history.setup
    litres = VOLUMES[accounts.my_units().volume]
    return {
        "fleet": setup.fleet,
        "name": setup.vehicle,
        "news": news,
        "reservoir_l": setup.reservoir_l,
        "litres_in_one": litres,
    }


def _open(result: Result) -> list[Finding]:
    return sorted((f for f in result.findings if f.open), key=urgency)


def _shown(result: Result, found: tuple[Record, ...], opened: int | None) -> dict[str, Any]:
    """What a refresh may put anew, part by part."""
    setup, open_ = result.history.setup, _open(result)
    return {
        "bar": side.bar(result, open_),
        "head": cause.cause(result, open_),
        "work": work_history.history(found, result),
        "reservoir": [side.reservoir(result, open_), *_mixed(result)],
        "alarms": side.alarms_of(setup.fleet, setup.vehicle),
        "set-up": side.set_up(result),
        "hand": hand.section(result),
        "lines": lines.line_list(result, opened),
        "wear": [
            wear.section(trends_of(engine(), setup.fleet, setup.vehicle), setup.timezone),
            model_table.of_vehicle(checks_of(engine(), setup.fleet, setup.vehicle)),
        ],
        "past": cause.past(result),
    }


def _greases(result: Result) -> dict[str, str]:
    """The greases of the list, with what to say before they are filled here."""
    with engine().connect() as connection:
        return warnings(connection, result.history.setups, result.history.work)


def _mixed(result: Result) -> list[Any]:
    """What is to be said where greases met that are not proven to mix, of the latest such fill."""
    with engine().connect() as connection:
        told = mixed(connection, result.history.setups, result.history.work)
    latest = [one for one in result.history.work if one.key in told][-1:]
    zone = result.history.setup.timezone
    return [
        html.P(
            [tr("Greases mixed, {day}.", day=formatting.day(formatting.local(one.at_us, zone))), " ", told[one.key]],
            className="warns",
        )
        for one in latest
    ]


def _digests(shown: Mapping[str, Any]) -> dict[str, int]:
    """A number for each part that changes with what it shows: what is the same is left alone, whoever has a finger on it."""
    return {name: crc32(json.dumps(part, cls=PlotlyJSONEncoder).encode()) for name, part in shown.items()}


_PARTS: Final = ("bar", "head", "work", "reservoir", "alarms", "set-up", "hand", "lines", "wear", "past")


@callback(
    *(Output(f"vehicle-{name}", "children") for name in _PARTS),
    Output("remark-on", "data"),
    Output("vehicle-who", "data"),
    Input("vehicle-tick", "n_intervals"),
    State("vehicle-who", "data"),
    State("vehicle-opened", "data"),
    prevent_initial_call=True,
)
def refresh(_: int, who: dict[str, Any], opened: int | None) -> Any:
    """Show what is new, and only that; leave the page alone where nothing is."""
    nothing = [dash.no_update] * (len(_PARTS) + 2)
    newest = vehicle.news(engine(), who["fleet"], who["name"])
    if newest == who["news"]:
        return nothing
    try:
        result = vehicle.vehicle_result(engine(), who["fleet"], who["name"])
    except Unanalysed as problem:  # what stands there is no longer so
        gone = dict.fromkeys(_PARTS, "") | dict.fromkeys(("work", "alarms"), dash.no_update)
        gone["head"] = _unanalysed(problem, who["fleet"], who["name"])
        return *gone.values(), dash.no_update, who | {"news": newest, "shown": {}}
    if result is None:
        return nothing
    found = vehicle.records(engine(), who["fleet"], who["name"])
    shown = _shown(result, found, opened)
    digests, before = _digests(shown), who.get("shown", {})
    changed = [shown[name] if digests[name] != before.get(name) else dash.no_update for name in _PARTS]
    choices = work_history.choices(found, result.history.setup.timezone)
    return *changed, choices, who | {"news": newest, "shown": digests}


@callback(
    Output("vehicle-told", "children"),
    Input({"type": "vehicle-acknowledge", "number": ALL}, "n_clicks"),
    State("work-by", "value"),
    prevent_initial_call=True,
)
def acknowledge(clicks: list[int | None], by: str | None) -> Any:
    """Somebody takes note of an alarm."""
    if not any(clicks) or ctx.triggered_id is None:
        return dash.no_update
    number = ctx.triggered_id["number"]
    try:
        alarm_actions.act(engine(), [number], Transition("acknowledge", times.now_us(), accounts.name_of_actor(by)))
    except Problem as problem:
        return tr("Not done: {problem}.", problem=problem)
    return tr("Acknowledged.")
