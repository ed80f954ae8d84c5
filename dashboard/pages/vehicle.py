"""Everything needed to decide before walking to a vehicle, from the general to the particular."""

from typing import Any

import dash
import dash_mantine_components as dmc
import plotly.io as pio
from dash import ALL, ClientsideFunction, Input, Output, Patch, State, callback, clientside_callback, ctx, dcc, html

from analytics.alarms.states import Transition
from analytics.alarms.states import words as state_words
from analytics.findings import urgency
from analytics.kinds import ALARM_KINDS, FINDING_KINDS
from analytics.pipeline.vehicle_summary import priority_of
from analytics.planning import timer
from analytics.vehicle import daily, data_notes, line_conditions
from analytics.vehicle.analysis import Result
from dashboard import figures, parts, people, queries, tables, words, work
from dashboard.app import REFRESH_MS, engine
from ingest.errors import Problem
from ingest.times import DAY_US

dash.register_page(
    __name__,
    path_template="/vehicle/<fleet>/<name>",
    name="Vehicle",
    title=lambda fleet=None, name=None: f"Vehicle {name}",
)

_HANDED_OVER_US = 30 * DAY_US  # so long a handover that is over is spoken of
CHART: dict[str, Any] = {"config": {"displayModeBar": False}, "responsive": True}


def layout(fleet: str | None = None, name: str | None = None, **_: Any) -> html.Div:
    """The page of one vehicle."""
    result = queries.vehicle_result(engine(), fleet, name) if fleet and name else None
    if result is None or fleet is None or name is None:
        text = f"No vehicle of this name is registered: {name}."
        return html.Div(
            [dmc.Alert([text, " ", dcc.Link("Back to the fleet", href="/")], title="Unknown vehicle", color="gray")]
        )
    return html.Div(
        [
            dcc.Store(
                id="vehicle-who", data={"fleet": fleet, "name": name, "news": queries.news(engine(), fleet, name)}
            ),
            dcc.Interval(id="vehicle-tick", interval=REFRESH_MS),
            html.Div(head(result), id="vehicle-head"),
            parts.section(
                "Alarms",
                [html.Div(alarms_of(fleet, name), id="vehicle-alarms"), html.Div(id="vehicle-told", role="status")],
                "What somebody has to deal with here. Acknowledged by whoever is named below, under Work.",
            ),
            parts.section(
                "Work",
                [
                    work.form(result, queries.depots(engine())),
                    html.Div(_records(fleet, name, result), id="vehicle-work"),
                ],
                "What was done changes what is said here, from the time at which it was done.",
            ),
            *charts(result),
            timer_section(result),
            html.Div(tail(result), id="vehicle-tail"),
        ]
    )


def _records(fleet: str, name: str, result: Result) -> Any:
    return work.records(queries.records(engine(), fleet, name), result.history.setup.timezone)


def head(result: Result) -> list[Any]:
    """Who it is, what is wrong, and the refill."""
    setup, now = result.history.setup, result.history.as_of_us
    open_ = sorted((f for f in result.findings if f.open), key=urgency)
    heard = int(result.history.heard_us[-1]) if len(result.history.heard_us) else None
    out: list[Any] = [
        html.H1([setup.unit, " ", parts.need(priority_of(tuple(open_), result.refill.state))]),
        html.P(
            [
                f"{setup.vehicle} · {setup.vehicle_class} · {setup.depot} · {setup.feed} feed, {len(setup.lines)} lines"
                f" · last heard {words.ago(heard, now)} · ",
                dcc.Link("label to print", href=f"/label/{setup.fleet}/{setup.vehicle}"),
            ],
            className="dim",
        ),
    ]
    out += [dmc.Alert(note, title="About the data", color="gray", mb="sm") for note in data_notes.notes(result)]
    wrong = [parts.finding(f, setup.timezone, full=True) for f in open_]
    waiting = _waiting(result)
    if waiting:
        wrong.append(html.P(waiting))
    if wrong:
        wrong.insert(0, parts.cautions())
    learning = result.pressures.channels and not result.pressures.learned.any()
    nothing = (
        "Nothing is wrong."
        if not learning
        else "Nothing is wrong so far; the first cycles are still being learned from."
    )
    out.append(parts.section("What is wrong", wrong or [html.P(nothing)]))
    handed = result.handover
    if handed is not None and (handed.ended_us is None or now - handed.ended_us < _HANDED_OVER_US):
        sheet = dcc.Link("The handover sheet", href=f"/handover/{setup.fleet}/{setup.vehicle}")
        out.append(parts.section("Commissioning", html.P([words.handover(handed), " ", sheet])))
    out.append(parts.section("Refill", [_refill(result)]))
    return out


def alarms_of(fleet: str, name: str) -> list[Any]:
    """The vehicle's alarms that are not normal, each with what may be done to it here."""
    rows = []
    for row in queries.alarms(engine(), vehicle=(fleet, name)):
        alarm = row.alarm
        said = [ALARM_KINDS[alarm.kind].title, state_words(alarm.state)]
        if alarm.condition.suppressed_why:
            said.append(alarm.condition.suppressed_why)
        waits = alarm.state in ("unacknowledged", "returned")
        button = html.Button("acknowledge", id={"type": "vehicle-acknowledge", "number": alarm.id}, className="quiet")
        rows.append(html.Li([parts.need(alarm.severity), " ", ": ".join(said), " ", button if waits else ""]))
    return [html.Ul(rows, className="records")] if rows else [html.P("None.", className="dim")]


def _waiting(result: Result) -> str:
    """Who has waited longest for grease, where it is longer than the timer explains; empty where nobody has."""
    setup = result.history.setup
    points = {line.line: line.point for line in setup.lines}
    since = result.hours_since_grease
    long = {line: hours for line, hours in since.items() if hours is not None and hours > 3 * setup.interval_min / 60}
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
        facts.append(("Room to the full mark", f"{words.litres(refill.litres_to_full)} of {setup.grease_and_grade}"))
    if refill.state == "due":
        facts.append(("Due", "now: at or below the low mark"))
    elif refill.due_expected_us is not None:
        window = words.window(refill.due_early_us, refill.due_late_us, setup.timezone)
        facts.append(("Due", f"{window}, most likely {words.day(words.local(refill.due_expected_us, setup.timezone))}"))
    facts += [("Note", text) for text in (refill.reason, refill.basis) if text]
    facts.append(("Grease per cycle", f"{refill.cm3_per_cycle:.1f} cm3 ({setup.dose_cm3:.1f} by the sheet)"))
    if refill.cycles_per_day is not None:
        facts.append(("Cycles a day, last four weeks", f"{refill.cycles_per_day:.1f}"))
    return html.Div(
        [
            parts.level_bar(refill.level_pct, setup.low_mark_pct),
            html.Dl([item for name, value in facts for item in (html.Dt(name), html.Dd(value))], className="facts"),
        ]
    )


_RANGES = {"all": "Everything", "90": "90 days", "30": "30 days", "7": "7 days"}


def _graph(name: str, figure: Any) -> html.Div:
    """A chart, with its numbers as a file."""
    height = {"height": f"{figure.layout.height}px"}
    return html.Div(
        [
            dcc.Graph(id=f"vehicle-{name}", figure=figure, **CHART, style=height),
            _as_csv(name),
        ]
    )


def _as_csv(name: str) -> html.Button:
    return html.Button(
        "CSV", id={"type": "vehicle-csv", "chart": name}, className="quiet", **{"aria-label": f"{name} as CSV"}
    )


def charts(result: Result) -> list[Any]:
    """The charts, general ones first; those over time show the same span."""
    template, units = "mantine_light", people.my_units()
    setup = result.history.setup
    span = dmc.SegmentedControl(
        id="vehicle-span", value="all", data=[{"value": key, "label": label} for key, label in _RANGES.items()], mb="md"
    )
    out: list[Any] = [html.Div([span, html.Div(id="vehicle-linked", hidden=True), dcc.Download(id="vehicle-file")])]
    happened = figures.happenings(result, template)
    if happened is not None:
        out.append(
            parts.section(
                "What happened",
                _graph("happened", happened),
                "Findings from when they began until they ended, and recorded work; charts below share this axis.",
            )
        )
    out += [
        parts.section(
            "Level",
            _graph("level", figures.level(result, template, units)),
            "Readings, the level worked out from them, fills, and the days on which the low mark is expected.",
        ),
        parts.section(
            "Cycles",
            _graph("cycles", figures.cycles(daily.days(result), template)),
            "Cycles of each day against the hours the ignition was on. Missed cycles should have run and did not.",
        ),
    ]
    pressures = figures.pressure_map(result, template, units)
    if pressures is None:
        text = "No cycle is recorded yet." if setup.channels else "No pressure channel watches this system."
        out.append(parts.section("Pressure", html.P(text, className="dim")))
        return out
    channels = list(result.pressures.channels)
    by_urgency = sorted(result.findings, key=lambda f: (not f.open, urgency(f)))
    worst = next((f.channel for f in by_urgency if f.channel in channels), channels[0])
    sampled = figures.traces(result, worst, template, units)
    out += [
        parts.section(
            "Pressure against what is expected",
            _graph("map", pressures),
            "Each row is a pressure channel in the order of the call-out sheet; red stands for too high, blue for too low. Below it the"
            " temperature of the air at the pump.",
        ),
        parts.section(
            "One channel",
            [
                dmc.Select(id="vehicle-channel", value=worst, allowDeselect=False, maw=320, **{"aria-label": "Channel"},
                           data=[{"value": name, "label": figures.channel_name(result, name)} for name in channels]),
                _graph("line", figures.pressure_line(result, worst, template, units)),
                html.Div(
                    [
                        html.H3("The course of single cycles"),
                        dcc.Graph(id="vehicle-traces", figure=sampled or {}, **CHART, style={"height": "260px"}),
                        _as_csv("traces"),
                    ],
                    style={} if sampled is not None else {"display": "none"},
                ),
            ],
            "Highest pressure of each cycle within the range that is usual for the weather of that day.",
        ),
    ]  # fmt: skip
    return out


clientside_callback(
    ClientsideFunction("tallow", "linked"),
    Output("vehicle-linked", "children"),
    Input("vehicle-span", "value"),
    Input("vehicle-level", "relayoutData"),
    Input("vehicle-cycles", "relayoutData"),
    prevent_initial_call=True,
)


@callback(
    Output("vehicle-file", "data"),
    Input({"type": "vehicle-csv", "chart": ALL}, "n_clicks"),
    State("vehicle-who", "data"),
    prevent_initial_call=True,
)
def save(_: list[int | None], who: dict[str, Any]) -> Any:
    """The numbers of a chart as a file."""
    result = queries.vehicle_result(engine(), who["fleet"], who["name"])
    if result is None or ctx.triggered_id is None or not ctx.triggered[0]["value"]:  # drawn anew, not pressed
        return dash.no_update
    name = ctx.triggered_id["chart"]
    return tables.as_file(tables.chart_table(result, name), "at", f"{who['name']}-{name}.csv")


def timer_section(result: Result) -> Any:
    """What another interval or run time would change."""
    setup = result.history.setup
    return parts.section(
        "Timer",
        [
            html.Div(
                [
                    dmc.NumberInput(id="timer-interval", label="Interval, minutes", value=setup.interval_min, min=0.1, debounce=400),
                    dmc.NumberInput(id="timer-run", label="Run time, seconds", value=setup.run_s, min=1, debounce=400),
                ],
                className="work-form",
            ),
            html.Div(timer_table(result, setup.interval_min, setup.run_s), id="timer-body"),
        ],
        "What each point gets, and what another setting would change. How much a point should get is the vehicle maker's to say.",
    )  # fmt: skip


def timer_table(result: Result, interval_min: float, run_s: float) -> list[Any]:
    """The present setting beside another."""
    setup = result.history.setup
    now, then = timer.setting(result, setup.interval_min, setup.run_s), timer.setting(result, interval_min, run_s)
    usual = timer.sisters(queries.alike(engine(), setup), setup)
    amounts = dict(then.per_shift)
    rows = [
        html.Tr(
            [html.Td(str(line.line)), html.Td(line.point), html.Td(f"{before:.2f}"), html.Td(f"{amounts[line.line]:.2f}"),
             html.Td(f"{usual[line.point]:.2f}" if line.point in usual else "–")]
        )
        for line, (_, before) in zip(setup.lines, now.per_shift, strict=True)
    ]  # fmt: skip
    heads = ("Line", "Point", "Now, cm3 in 8 h", "Then", "Sister vehicles")
    table = parts.table(heads, rows, "timer")
    return [
        html.Ul([html.Li(text) for text in words.timer_facts(now, then)]),
        *(dmc.Alert(text, color="yellow", mb="xs") for text in timer.warnings(result, then, usual)),
        html.Details([html.Summary("Each point, in 8 ignition hours"), html.Div(table, className="wide")]),
    ]


@callback(
    Output("timer-body", "children"),
    Input("timer-interval", "value"),
    Input("timer-run", "value"),
    State("vehicle-who", "data"),
    prevent_initial_call=True,
)
def what_if(interval_min: object, run_s: object, who: dict[str, Any]) -> Any:
    """Another setting."""
    result = queries.vehicle_result(engine(), who["fleet"], who["name"])
    if result is None or not (isinstance(interval_min, int | float) and isinstance(run_s, int | float)):
        return dash.no_update
    if interval_min < 0.1 or run_s < 1:
        return dash.no_update
    return timer_table(result, float(interval_min), float(run_s))


_SHEET_NOTE = (
    "Condition of each line by its latest readings, and ignition hours since grease last surely arrived: by a whole cycle with the"
    " line sound, or by hand."
)


def _since(hours: float | None) -> str:
    return "never seen" if hours is None else f"{hours:.1f}" if hours < 10 else f"{hours:.0f}"


def tail(result: Result) -> list[Any]:
    """The call-out sheet with the condition of each line, and what is over."""
    setup = result.history.setup
    condition = {c.line: c for c in line_conditions.line_conditions(result)}
    rows = []
    for line in setup.lines:
        now = condition[line.line]
        kind = FINDING_KINDS.get(now.condition)
        shown = kind.title if kind else now.condition
        state = kind.severity if kind else "none" if now.condition == "sound" else "dim"
        ratio = "" if now.ratio is None else f"{now.ratio:.2f}"
        critical = html.Span(" ⚠ steering or braking", className="dim") if line.critical else ""
        rows.append(
            html.Tr(
                [html.Td(str(line.line)), html.Td([line.point, critical]),
                 html.Td(line.bundle), html.Td(f"{line.dose_cm3:g}"), html.Td(shown, className=f"state-{state}"), html.Td(ratio),
                 html.Td(_since(now.hours_since_grease))]
            )
        )  # fmt: skip
    heads = ("Line", "Point", "Bundle", "cm3 a cycle", "Condition", "Times expected", "Ignition hours since grease")
    sheet = html.Div(
        parts.table(heads, rows, "sheet"),
        className="wide",
    )
    over = sorted((f for f in result.findings if not f.open), key=lambda f: -(f.ended_us or 0))
    out = [parts.section("Call-out sheet", [sheet, _as_csv("sheet")], _SHEET_NOTE)]
    past = [parts.finding(f, setup.timezone, full=False) for f in over[:20]] or [html.P("None.", className="dim")]
    out.append(parts.section("What is over", past))
    return out


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
    newest = queries.news(engine(), who["fleet"], who["name"])
    if newest == who["news"]:
        return [dash.no_update] * 5
    result = queries.vehicle_result(engine(), who["fleet"], who["name"])
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
        parts.act(engine(), [number], Transition("acknowledge", queries.now_us(), people.doer(by)))
    except Problem as problem:
        return f"Not done: {problem}."
    return "Acknowledged."


def _drawn(scheme: str | None) -> bool:
    """Whether a chart is as the page was served: nothing has changed since, and its scheme is the light one."""
    return ctx.triggered_id is None and scheme != "dark"


def _patched(figure: Any, scheme: str | None) -> Patch:
    """New data in a chart that keeps its zoom."""
    patch, new = Patch(), figure.to_plotly_json()
    patch["data"] = new["data"]
    for key in ("shapes", "annotations"):
        patch["layout"][key] = new["layout"].get(key, [])
    patch["layout"]["template"] = pio.templates[figures.template_of(scheme)].to_plotly_json()
    return patch


@callback(
    Output("vehicle-level", "figure"),
    Output("vehicle-cycles", "figure"),
    Input("vehicle-who", "data"),
    Input("scheme-now", "data"),
)
def draw(who: dict[str, Any], scheme: str | None) -> Any:
    """Level and cycles, by what is recorded and by the scheme of the page."""
    if _drawn(scheme):
        return dash.no_update, dash.no_update
    result = queries.vehicle_result(engine(), who["fleet"], who["name"])
    if result is None:
        return dash.no_update, dash.no_update
    template = figures.template_of(scheme)
    return (
        _patched(figures.level(result, template, people.my_units()), scheme),
        _patched(figures.cycles(daily.days(result), template), scheme),
    )


@callback(Output("vehicle-map", "figure"), Input("vehicle-who", "data"), Input("scheme-now", "data"))
def draw_map(who: dict[str, Any], scheme: str | None) -> Any:
    """The pressure map."""
    if _drawn(scheme):
        return dash.no_update
    result = queries.vehicle_result(engine(), who["fleet"], who["name"])
    figure = None if result is None else figures.pressure_map(result, figures.template_of(scheme), people.my_units())
    return dash.no_update if figure is None else _patched(figure, scheme)


@callback(Output("vehicle-happened", "figure"), Input("vehicle-who", "data"), Input("scheme-now", "data"))
def draw_happened(who: dict[str, Any], scheme: str | None) -> Any:
    """What happened."""
    if _drawn(scheme):
        return dash.no_update
    result = queries.vehicle_result(engine(), who["fleet"], who["name"])
    figure = None if result is None else figures.happenings(result, figures.template_of(scheme))
    return dash.no_update if figure is None else _patched(figure, scheme)


@callback(
    Output("vehicle-line", "figure"),
    Output("vehicle-traces", "figure"),
    Input("vehicle-channel", "value"),
    Input("vehicle-who", "data"),
    Input("scheme-now", "data"),
)
def draw_line(channel: str, who: dict[str, Any], scheme: str | None) -> Any:
    """The chosen channel."""
    if _drawn(scheme):
        return dash.no_update, dash.no_update
    result = queries.vehicle_result(engine(), who["fleet"], who["name"])
    if result is None or channel not in result.pressures.channels:
        return dash.no_update, dash.no_update
    template, units = figures.template_of(scheme), people.my_units()
    traces = figures.traces(result, channel, template, units)
    line = _patched(figures.pressure_line(result, channel, template, units), scheme)
    return line, dash.no_update if traces is None else traces
