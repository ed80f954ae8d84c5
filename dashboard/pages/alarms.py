"""What somebody has to deal with: by state, with what to do about one alarm or several at once."""

from typing import Any, Final
from urllib.parse import urlencode

import dash
import dash_mantine_components as dmc
from dash import ClientsideFunction, Input, Output, State, callback, clientside_callback, ctx, dcc, html

from analytics.alarms import routes
from analytics.alarms.states import BY_PERSONS, Transition
from analytics.alarms.states import words as state_words
from analytics.kinds import ALARM_KINDS
from dashboard import accounts, components, formatting
from dashboard.exports import csv
from dashboard.queries import alarms
from dashboard.queries.alarms import AlarmRow, AlarmView
from dashboard.web import alarm_actions
from dashboard.web.app import REFRESH_MS, engine
from ingest import times
from ingest import work as works
from ingest.errors import Problem
from ingest.times import DAY_US

dash.register_page(__name__, path="/alarms", name="Alarms", title="Alarms", in_menu=True, order=2, icon="alarms")

# Each part of the page, the states that it shows, and whether it is shut at first.
_PARTS: Final = (
    ("Unacknowledged", ("unacknowledged", "returned"), False),
    ("Acknowledged", ("acknowledged",), False),
    ("Shelved, suppressed or out of service", ("shelved", "suppressed", "out_of_service"), True),
    ("Recently cleared", ("normal",), True),
)
_SHOWN: Final = 50
_IN_A_FILE: Final = 100_000
_HIDDEN: Final = {"display": "none"}
_BUTTONS: Final = {
    "acknowledge": "Acknowledge",
    "shelve": "Shelve",
    "unshelve": "Take from the shelf",
    "take_out": "Take out of service",
    "put_back": "Put back into service",
}


def layout(depot: str = "", vehicle: str = "", **_: Any) -> html.Div:
    """The page of all depots, of one, or of one vehicle."""
    shown = {"depot": depot, "vehicle": vehicle}
    view = alarms.alarm_view(engine(), **shown)
    return html.Div(
        [
            dcc.Store(id="alarms-shown", data=shown),
            dcc.Store(id="alarms-seen", data=alarms.alarm_news(engine())),
            dcc.Location(id="alarms-location", refresh="callback-nav"),
            dcc.Interval(id="alarms-tick", interval=REFRESH_MS),
            dcc.Download(id="alarms-file"),
            html.H1("Alarms"),
            html.Div(
                [
                    dmc.Select(
                        id="alarms-depot", value=depot, allowDeselect=False, w=200,
                        data=components.one_or_all("All depots", view.depots),
                        **{"aria-label": "Depot"},
                    ),
                    dmc.Button("CSV", id="alarms-csv", variant="default"),
                ],
                className="filters",
            ),
            components.cautions(),
            dmc.CheckboxGroup(html.Div(body(view), id="alarms-body"), id="alarms-chosen", value=[]),
            html.Div(_actions(), id="alarms-actions", className="actions", style=_HIDDEN),
            html.Div(id="alarms-told", role="status", className="work-told"),
            html.Div(beside(view), id="alarms-beside"),
        ]
    )  # fmt: skip


def _actions() -> list[Any]:
    def button(event: str) -> dmc.Button:
        return dmc.Button(
            _BUTTONS[event], id=f"alarms-{event}", variant="filled" if event == "acknowledge" else "default"
        )

    return [
        html.Div(
            [
                html.Strong(id="alarms-count"),
                components.who("alarms-by", "Who does it"),
                button("acknowledge"),
            ],
            className="actions-first",
        ),
        html.Details(
            [
                html.Summary("Record work"),
                html.Div(
                    [
                        dmc.Select(
                            id="alarms-work", label="What was done to each of them", placeholder="choose",
                            data=[{"value": kind, "label": works.KINDS[kind][0]} for kind in alarm_actions.FOR_SEVERAL],
                        ),
                        dmc.TextInput(id="alarms-note", label="Note"),
                        dmc.Button("Record it", id="alarms-record", variant="default", mt=24),
                    ],
                    className="work-form",
                ),
                html.P(
                    "Lines and sensors are those of each alarm; a reservoir was filled up to the full mark.", className="dim"
                ),
            ]
        ),
        html.Details(
            [
                html.Summary("Shelve, or take out of service"),
                html.Div(
                    [
                        dmc.TextInput(id="alarms-why", label="Why", placeholder="needed for both"),
                        dmc.NumberInput(id="alarms-days", label="Shelve for days", value=1, min=0.1, max=90),
                    ],
                    className="work-form",
                ),
                html.Div([button(event) for event in _BUTTONS if event != "acknowledge"], className="filters"),
            ]
        ),
    ]  # fmt: skip


def body(view: AlarmView) -> list[Any]:
    """The alarms, by state."""
    out: list[Any] = []
    for title, states, shut in _PARTS:
        rows = [row for row in view.rows if row.alarm.state in states]
        number = sum(view.counts.get(state, 0) for state in states)
        told = [_row(row, view) for row in rows[:_SHOWN]]
        if number > len(told):
            told.append(html.P(f"and {number - len(told)} more; choose a depot to see fewer.", className="dim"))
        head = f"{title}: {number}"
        if shut:
            out.append(
                dmc.Paper(
                    html.Details([html.Summary(html.Strong(head)), *told], **{"data-keep": title}),
                    p="md",
                    withBorder=True,
                    mb="md",
                )
            )
        else:
            nothing = [html.P("Nothing.", className="dim")]
            out.append(components.section(head, told or nothing))
    return out


def _row(row: AlarmRow, view: AlarmView) -> html.Div:
    alarm, zone = row.alarm, row.timezone
    active = alarm.condition.active
    badge = components.severity(alarm.severity, lasts=active)
    facts = [
        f"{row.vehicle} · {row.depot}",
        state_words(alarm.state),
        f"raised {formatting.moment(alarm.raised_us, zone, with_zone=True)}",
    ]
    if alarm.condition.shelved_until_us is not None:
        facts.append(f"until {formatting.moment(alarm.condition.shelved_until_us, zone, with_zone=True)}")
    if alarm.condition.suppressed_why is not None:
        facts.append(alarm.condition.suppressed_why)
    if alarm.evidence.get("hours_since_grease") is not None:
        facts.append(f"{alarm.evidence['hours_since_grease']:.0f} ignition hours without grease")
    steps = [
        f"{formatting.moment(s.at_us, zone, with_zone=True)}: {formatting.EVENTS[s.event]} ({s.who}){f': {s.why}' if s.why else ''}"
        for s in view.steps.get(alarm.id or 0, ())
    ]
    title = ALARM_KINDS[alarm.kind].title
    return html.Div(
        [
            dmc.Checkbox(value=str(alarm.id), **{"aria-label": f"Choose {title}, {row.unit}"}, className="alarm-choose")
            if alarm.state != "normal"
            else html.Span(),
            html.Div(
                [
                    html.Div(
                        [badge, dcc.Link(row.unit, href=f"/vehicle/{row.fleet}/{row.vehicle}", className="unit"),
                         html.Strong(title)],
                        className="finding-head",
                    ),
                    html.Div(formatting.in_my_units(alarm.summary)),
                    html.Div(" · ".join(facts), className="dim"),
                    html.Details([html.Summary("What happened to it", className="dim"), html.Ul([html.Li(s) for s in steps])],
                                 **{"data-keep": f"history {alarm.id}"}),
                ]
            ),
        ],
        className=f"alarm finding finding-{alarm.severity if active else 'over'}",
    )  # fmt: skip


def beside(view: AlarmView) -> list[Any]:
    """How alerts travel, and how many alarms there are."""
    person = accounts.current_person.get()
    if person.fleets or person.depots:
        return []  # what is told here is of the whole fleet
    ways: list[Any] = []
    for one in view.routes:
        failing = one.failing_us is not None
        why = f": {one.error}" if person.may("lead") else ""
        state = f"failing for {formatting.lasting(one.failing_us, view.now_us)}{why}" if failing else "arrives"
        ways.append(
            html.Tr(
                [html.Td(str(one.id)), html.Td(routes.masked(one.address)), html.Td(formatting.route(one)),
                 html.Td(state, className="state-act_now" if failing else "")]
            )
        )  # fmt: skip
    number, oldest_us = view.waiting
    late = number and oldest_us is not None and oldest_us < view.now_us - 600_000_000
    told: list[Any] = [
        html.Div(components.table(("Route", "To", "What", "Now"), ways, "plain-wrap"), className="wide")
        if ways
        else html.P("No alerts go anywhere yet: tallow route add.", className="dim")
    ]
    if late:
        told.append(
            dmc.Alert(
                f"{number} messages wait, the oldest queued {formatting.ago(oldest_us, view.now_us)}: is tallow watch running?",
                title="Alerts are not being sent",
                color="yellow",
            )
        )
    measures = [
        html.Tr([html.Td(name), html.Td(value), html.Td(aim, className="dim")])
        for name, value, aim in formatting.alarm_figures(view.figures)
    ]
    few = "" if view.figures.days >= 30 else f" Only {view.figures.days:.1f} days are recorded yet."
    return [
        components.section("Delivery", told, "Where alerts go, and whether they arrive."),
        components.section(
            "Alarm figures",
            html.Div(components.table(("Measure", "Now", "Aim"), measures, "plain-wrap"), className="wide"),
            f"Over the last 30 days, by the measures of IEC 62682 and ANSI/ISA-18.2.{few}",
        ),
    ]


@callback(
    Output("alarms-body", "children"),
    Output("alarms-beside", "children"),
    Output("alarms-told", "children"),
    Output("alarms-chosen", "value"),
    Output("alarms-seen", "data"),
    Input("alarms-tick", "n_intervals"),
    *(Input(f"alarms-{event}", "n_clicks") for event in _BUTTONS),
    Input("alarms-record", "n_clicks"),
    State("alarms-shown", "data"),
    State("alarms-chosen", "value"),
    State("alarms-by", "value"),
    State("alarms-why", "value"),
    State("alarms-days", "value"),
    State("alarms-work", "value"),
    State("alarms-note", "value"),
    State("alarms-seen", "data"),
    prevent_initial_call=True,
)
def refresh(_: int, *said: Any) -> Any:
    """Show what is new; or do to the chosen alarms what was asked, all or none."""
    shown, chosen, by, why, days, kind, note, seen = said[len(_BUTTONS) + 1 :]
    event = str(ctx.triggered_id).removeprefix("alarms-")
    told, left = dash.no_update, dash.no_update
    if event in BY_PERSONS or event == "record":
        try:
            numbers = [int(number) for number in chosen or ()]
            if event == "record":
                told, left = _record(numbers, kind or "", by or "", note or ""), []
            else:
                told, left = _do(event, numbers, by or "", why or "", days), []
        except (Problem, ValueError) as problem:
            told, left = f"Not done: {problem}.", dash.no_update
    news = alarms.alarm_news(engine())
    if news == seen:
        return dash.no_update, dash.no_update, told, left, seen
    view = alarms.alarm_view(engine(), **shown)
    return body(view), beside(view), told, left, news


def _record(numbers: list[int], kind: str, by: str, note: str) -> str:
    if not numbers:
        raise Problem("choose alarms first")
    made = alarm_actions.record_for(engine(), numbers, kind, by, note)
    return f"Recorded {made} time{'s' * (made != 1)}; what the next cycles show decides whether it held."


def _do(event: Any, numbers: list[int], by: str, why: str, days: Any) -> str:
    if not numbers:
        raise Problem("choose alarms first")
    now_us = times.now_us()
    until_us = None
    if event == "shelve":
        if not isinstance(days, int | float):
            raise Problem("say for how many days")
        until_us = now_us + int(days * DAY_US)
    alarm_actions.act(engine(), numbers, Transition(event, now_us, accounts.name_of_actor(by), why, until_us))
    return f"{len(numbers)} alarm{'s' * (len(numbers) != 1)}: {formatting.EVENTS[event]}."


clientside_callback(
    ClientsideFunction("tallow", "chosen"),
    Output("alarms-actions", "style"),
    Output("alarms-count", "children"),
    Input("alarms-chosen", "value"),
)


@callback(
    Output("alarms-location", "href"),
    Input("alarms-depot", "value"),
    State("alarms-shown", "data"),
    prevent_initial_call=True,
)
def choose(depot: str | None, shown: dict[str, str]) -> Any:
    """Put the depot into the address."""
    if (depot or "") == shown["depot"]:
        return dash.no_update
    return f"/alarms?{urlencode({'depot': depot})}" if depot else "/alarms"


@callback(
    Output("alarms-file", "data"),
    Input("alarms-csv", "n_clicks"),
    State("alarms-shown", "data"),
    prevent_initial_call=True,
)
def save(_: int, shown: dict[str, str]) -> dict[str, Any]:
    """The alarms as a file."""
    fleet, slash, vehicle = shown["vehicle"].partition("/")
    one = (fleet, vehicle) if slash else None
    found = alarms.alarms(engine(), shown["depot"], one, over=True, most=_IN_A_FILE)
    rows = csv.alarm_table(found)
    text = [{k: str(v if v is not None else "") for k, v in row.items()} for row in rows]
    return csv.as_file(text, "alarm", "alarms.csv")
