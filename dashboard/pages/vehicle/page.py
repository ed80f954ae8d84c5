"""Everything needed to decide before walking to a vehicle, from the general to the particular."""

from typing import Any

import dash
import dash_mantine_components as dmc
from dash import ALL, Input, Output, State, callback, ctx, dcc, html

from analytics.alarms.states import Transition
from analytics.alarms.states import words as state_words
from analytics.findings import FILL_STEP, urgency
from analytics.kinds import ALARM_KINDS
from analytics.pipeline.vehicle_summary import priority_of
from analytics.vehicle import data_notes
from analytics.vehicle.analysis import Result
from analytics.vehicle.line_conditions import WAITS_INTERVALS, line_conditions
from dashboard import accounts, components, formatting
from dashboard.pages.vehicle import charts, timer, work_form
from dashboard.pages.vehicle.line_list import tail
from dashboard.queries import alarms, scope, vehicle
from dashboard.units import VOLUMES
from dashboard.web import alarm_actions
from dashboard.web.app import REFRESH_MS, engine
from ingest import times
from ingest.errors import Problem
from ingest.times import DAY_US

dash.register_page(
    __name__,
    path_template="/vehicle/<fleet>/<name>",
    name="Vehicle",
    title=lambda fleet=None, name=None: f"Vehicle {name}",
)
for part in (charts, timer, work_form):
    part.register()

_HANDED_OVER_US = 30 * DAY_US  # so long a handover that is over is spoken of


def layout(fleet: str | None = None, name: str | None = None, **_: Any) -> html.Div:
    """The page of one vehicle."""
    result = vehicle.vehicle_result(engine(), fleet, name) if fleet and name else None
    if result is None or fleet is None or name is None:
        text = f"No vehicle of this name is registered: {name}."
        return html.Div(
            [dmc.Alert([text, " ", dcc.Link("Back to the fleet", href="/")], title="Unknown vehicle", color="gray")]
        )
    return html.Div(
        [
            dcc.Store(id="vehicle-who", data=_who(result, vehicle.news(engine(), fleet, name))),
            dcc.Interval(id="vehicle-tick", interval=REFRESH_MS),
            html.Div(head(result), id="vehicle-head"),
            components.section(
                "Alarms",
                [html.Div(alarms_of(fleet, name), id="vehicle-alarms"), html.Div(id="vehicle-told", role="status")],
                "What somebody has to deal with here. Acknowledged by whoever is named below, under Work.",
            ),
            components.section(
                "Work",
                [
                    work_form.form(result, scope.depots(engine())),
                    html.Div(_records(fleet, name, result), id="vehicle-work"),
                ],
                "What was done changes what is said here, from the time at which it was done.",
            ),
            *charts.charts(result),
            timer.timer_section(result),
            html.Div(tail(result), id="vehicle-tail"),
        ]
    )


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


def _records(fleet: str, name: str, result: Result) -> Any:
    return work_form.records(vehicle.records(engine(), fleet, name), result.history.setup.timezone)


def head(result: Result) -> list[Any]:
    """Who it is, what is wrong, and the refill."""
    setup, now = result.history.setup, result.history.as_of_us
    open_ = sorted((f for f in result.findings if f.open), key=urgency)
    heard = int(result.history.heard_us[-1]) if len(result.history.heard_us) else None
    priority = priority_of(open_, result.refill.state, line_conditions(result), heard=heard is not None)
    out: list[Any] = [
        html.H1([setup.unit, " ", components.need(priority)]),
        html.P(
            [
                f"{setup.vehicle} · {setup.vehicle_class} · {setup.depot} · {setup.feed} feed, {len(setup.lines)} lines"
                f" · last heard {formatting.ago(heard, now)} · ",
                dcc.Link("label to print", href=f"/label/{setup.fleet}/{setup.vehicle}"),
            ],
            className="dim",
        ),
    ]
    out += [
        dmc.Alert(formatting.in_my_units(note), title="About the data", color="gray", mb="sm")
        for note in data_notes.notes(result)
    ]
    wrong = [components.finding(f, setup.timezone, full=True) for f in open_]
    waiting = _waiting(result)
    if waiting:
        wrong.append(html.P(waiting))
    if wrong:
        wrong.insert(0, components.cautions())
    learning = result.pressures.channels and not result.pressures.learned.any()
    nothing = "Nothing is wrong."
    if heard is None:
        nothing = "Nothing was ever heard from this vehicle: nobody knows how it is."
    elif learning:
        nothing = "Nothing is wrong so far; the first cycles are still being learned from."
    out.append(components.section("What is wrong", wrong or [html.P(nothing)]))
    handed = result.handover
    if handed is not None and (handed.ended_us is None or now - handed.ended_us < _HANDED_OVER_US):
        sheet = dcc.Link("The handover sheet", href=f"/handover/{setup.fleet}/{setup.vehicle}")
        out.append(components.section("Commissioning", html.P([formatting.handover(handed), " ", sheet])))
    asks = [components.cautions()] if result.refill.state in ("soon", "due") and not wrong else []
    steps = [html.P(FILL_STEP, className="dim")] if result.refill.state in ("soon", "due") else []
    out.append(components.section("Refill", [*asks, _refill(result), *steps]))
    return out


def alarms_of(fleet: str, name: str) -> list[Any]:
    """The vehicle's alarms that are not normal, each with what may be done to it here."""
    rows = []
    for row in alarms.alarms(engine(), vehicle=(fleet, name)):
        alarm = row.alarm
        said = [ALARM_KINDS[alarm.kind].title, state_words(alarm.state)]
        if alarm.condition.suppressed_why:
            said.append(alarm.condition.suppressed_why)
        waits = alarm.state in ("unacknowledged", "returned")
        button = html.Button("acknowledge", id={"type": "vehicle-acknowledge", "number": alarm.id}, className="quiet")
        badge = components.severity(alarm.severity, lasts=alarm.condition.active)
        rows.append(html.Li([badge, " ", ": ".join(said), " ", button if waits else ""]))
    return [html.Ul(rows, className="records")] if rows else [html.P("None.", className="dim")]


def _waiting(result: Result) -> str:
    """Who has waited longest for grease, where it is longer than the timer explains; empty where nobody has."""
    setup = result.history.setup
    points = {line.line: line.point for line in setup.lines}
    since = result.hours_since_grease
    long = {
        line: hours
        for line, hours in since.items()
        if hours is not None and hours > WAITS_INTERVALS * setup.interval_min / 60
    }
    if not long:
        return ""
    line, hours = max(long.items(), key=lambda item: item[1])
    more = "" if len(long) == 1 else f"; {len(long)} of {len(since)} lines wait longer than the timer explains"
    return f"Longest without grease: line {line} ({points[line]}), {hours:.0f} ignition hours{more}."


def _refill(result: Result) -> html.Div:
    setup, refill = result.history.setup, result.refill
    facts: list[tuple[str, str]] = []
    if refill.level_pct is not None and refill.litres_to_full is not None:
        counted = ", counted from the cycles" if result.reservoir.by_counting else ""
        facts.append(("Level now", f"{refill.level_pct:.0f} %{counted}"))
        facts.append(
            ("Room to the full mark", f"{formatting.litres(refill.litres_to_full)} of {setup.grease_and_grade}")
        )
    if refill.state == "due":
        facts.append(("Due", "now: at or below the low mark"))
    elif refill.due_expected_us is not None:
        window = formatting.window(refill.due_early_us, refill.due_late_us, setup.timezone)
        facts.append(
            ("Due", f"{window}, most likely {formatting.day(formatting.local(refill.due_expected_us, setup.timezone))}")
        )
    facts += [("Note", formatting.in_my_units(text)) for text in (refill.reason, refill.basis) if text]
    facts.append(("Grease per cycle", f"{refill.cm3_per_cycle:.1f} cm3 ({setup.dose_cm3:.1f} by the line list)"))
    if refill.cycles_per_day is not None:
        facts.append(("Cycles a day, last four weeks", f"{refill.cycles_per_day:.1f}"))
    return html.Div(
        [
            components.level_bar(refill.level_pct, setup.low_mark_pct),
            html.Dl([item for name, value in facts for item in (html.Dt(name), html.Dd(value))], className="facts"),
        ]
    )


@callback(
    Output("vehicle-head", "children"),
    Output("vehicle-tail", "children"),
    Output("vehicle-work", "children"),
    Output("vehicle-alarms", "children"),
    Output("vehicle-who", "data"),
    Input("vehicle-tick", "n_intervals"),
    State("vehicle-who", "data"),
    prevent_initial_call=True,
)
def refresh(_: int, who: dict[str, Any]) -> Any:
    """Show what is new; leave the page alone where nothing is."""
    newest = vehicle.news(engine(), who["fleet"], who["name"])
    if newest == who["news"]:
        return [dash.no_update] * 5
    result = vehicle.vehicle_result(engine(), who["fleet"], who["name"])
    if result is None:
        return [dash.no_update] * 5
    records, waiting = _records(who["fleet"], who["name"], result), alarms_of(who["fleet"], who["name"])
    return head(result), tail(result), records, waiting, who | {"news": newest}


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
        return f"Not done: {problem}."
    return "Acknowledged."
