"""What somebody has to deal with: a tab a state, with what to do about one alarm or several at once."""

from collections.abc import Mapping
from typing import Any, Final

import dash
import dash_mantine_components as dmc
from dash import ClientsideFunction, Input, Output, State, callback, clientside_callback, dcc, html

from analytics.alarms import routes
from analytics.alarms.states import words as state_words
from analytics.kinds import ALARM_KINDS
from dashboard import accounts, components, formatting, rows
from dashboard.exports import csv
from dashboard.exports import prices as money
from dashboard.pages.alarms import actions, drawer
from dashboard.queries import alarms, scope
from dashboard.queries.alarms import AlarmRow, AlarmView
from dashboard.queries.fleet import MONEY
from dashboard.queries.scope import Scope, scope_of
from dashboard.web.database import engine
from dashboard.web.frame import REFRESH_MS
from ingest.languages import Words, begun, cldr, later, tr, trn

dash.register_page(
    __name__, path="/alarms", name=later("Alarms"), title=lambda **_: tr("Alarms"), in_menu=True, order=2, icon="alarms"
)
actions.register()
drawer.register()

_TITLES: Final = Words(
    {
        "unacknowledged": later("Unacknowledged"),
        "acknowledged": later("Acknowledged"),
        "hidden": later("Shelved, suppressed or out of service"),
        "cleared": later("Recently cleared"),
    }
)
_NONE: Final = Words(
    {
        "unacknowledged": later("No alarm waits for somebody to take note of it."),
        "acknowledged": later("Nobody is dealing with an alarm now."),
        "hidden": later("No alarm is out of sight."),
        "cleared": later("No alarm was cleared in the last 90 days."),
    }
)
_NEVER: Final = later(
    "No alarm was ever raised: tallow watch raises them. Until it runs, only Today and Fleet tell what was found."
)
_WHO: Final = Words({
    "unacknowledged": later("Assigned to"), "acknowledged": later("Acknowledged by"), "hidden": later("Why"),
    "cleared": later("Acknowledged by"),
})  # fmt: skip
_OF_ALL: Final = Words(
    {"figures": later("Figures"), "delivery": later("Delivery")}
)  # of the whole fleet, and for those who see it
_IN_A_FILE: Final = 100_000
_COLUMNS: Final = 7
_HIDDEN: Final = {"display": "none"}


def layout(vehicle: str = "", tab: str = "", page: str = "", sort: str = "", **asked: Any) -> html.Div:
    """The page of a scope or of one vehicle, at one of its tabs."""
    chosen = scope_of(asked)
    shown = {**chosen._asdict(), "vehicle": vehicle, "tab": tab if tab in _tabs() else "unacknowledged", "page": page}
    shown["sort"] = sort if sort == MONEY else ""
    view = _view(shown)
    of_one = (
        [html.P([tr("Of {vehicle} only.", vehicle=vehicle), " ", dcc.Link(tr("Show all"), href="/alarms")])]
        if vehicle
        else []
    )
    return html.Div(
        [
            dcc.Store(id="alarms-shown", data=shown),
            dcc.Store(id="alarms-seen", data=alarms.alarm_news(engine())),
            dcc.Store(id="alarms-done"),
            dcc.Interval(id="alarms-tick", interval=REFRESH_MS),
            dcc.Download(id="alarms-file"),
            components.page_head(tr("Alarms"), [(tr("Save as CSV"), "alarms-csv")]),
            *of_one,
            components.tabs("alarms-tabs", tr("States of alarms"), tab_list(view, shown)),
            *([_choose_all()] if shown["tab"] in alarms.TABS and shown["tab"] != "cleared" else []),
            dmc.CheckboxGroup(html.Div(body(view, shown), id="alarms-body"), id="alarms-chosen", value=[]),
            html.Div(id="alarms-told", role="status", className="work-told"),
            html.Div(actions.bar(), id="alarms-actions", className="alarms-actions", style=_HIDDEN),
            drawer.drawer(),
        ]
    )  # fmt: skip


def _choose_all() -> dmc.Checkbox:
    """Not part of what is made anew when something changes: nothing that was chosen is let go of then."""
    return dmc.Checkbox(
        id="alarms-all",
        label=tr("Choose all that are shown"),
        checked=False,
        mb="xs",
        description=tr("By the keyboard: Space chooses a row, Enter goes on to what can be done with it."),
    )


def _tabs() -> Mapping[str, str]:
    """What may be shown to whoever asks."""
    person = accounts.current_person.get()
    return _TITLES if person.fleets or person.depots else {**_TITLES, **_OF_ALL}


def _view(shown: dict[str, str]) -> AlarmView:
    asked = shown.get("page", "")
    page = int(asked) if asked.isdecimal() else 1
    return alarms.alarm_view(engine(), Scope(shown["fleet"], shown["depot"]), shown["vehicle"], shown["tab"], page,
                             by_money=shown.get("sort") == MONEY)  # fmt: skip


def _address(shown: dict[str, str], tab: str, page: int = 1, sort: str | None = None) -> str:
    sort = shown.get("sort", "") if sort is None else sort
    kept = {"vehicle": shown["vehicle"], "tab": tab if tab != "unacknowledged" else "", "sort": sort}
    return scope.address("/alarms", Scope(shown["fleet"], shown["depot"]), **kept, page=str(page) if page > 1 else "")


def tab_list(view: AlarmView, shown: dict[str, str]) -> list[tuple[str, int | None, str, bool]]:
    """The tabs, with how many alarms each has."""
    return [
        (title, view.counts.get(name), _address(shown, name), name == shown["tab"]) for name, title in _tabs().items()
    ]


def body(view: AlarmView, shown: dict[str, str]) -> list[Any]:
    """What the tab shows."""
    tab = shown["tab"]
    if tab in _OF_ALL and tab in _tabs():
        return figures(view.now_us) if tab == "figures" else delivery(view.now_us)
    cautions = [*_unlooked(view), *([] if tab == "cleared" else [components.cautions()])]
    if not view.rows:
        return [*cautions, html.Div(html.P(_NONE[tab] if view.ever else tr(_NEVER)), className="card empty")]
    with_money = view.at_risk is not None and tab != "cleared"
    heads = ("", "", tr("Vehicle"), tr("Alarm"), *([tr("At risk")] if with_money else []), tr("Raised"), _WHO[tab], "")
    flat = tab == "cleared" or (with_money and shown.get("sort") == MONEY)
    listed = [_row(row, view) for row in view.rows] if flat else _grouped(view)
    table = components.table(heads, listed, "alarms alarms-with-money" if with_money else "alarms")
    ways = components.paging(view.page, alarms.PAGE_ROWS, view.counts[tab], lambda n: _address(shown, tab, n))
    order = [_order(shown)] if with_money else []
    model = [html.P(money.model(), className="dim small")] if with_money else []
    return [*cautions, *order, html.Div(table, className="card card-table"), *ways, *model]


def _unlooked(view: AlarmView) -> list[html.P]:
    """Of whom nobody knows whether an alarm is missing."""
    some, number = view.unlooked
    if not number:
        return []
    said = trn(
        "{n} vehicle was not analysed for a day: its alarms may be old or missing.",
        "{n} vehicles were not analysed for a day: their alarms may be old or missing.",
        number,
    )
    links = [part for fleet, name, unit in some for part in (dcc.Link(unit, href=f"/vehicle/{fleet}/{name}"), " ")]
    more = [tr("and {number} more", number=number - len(some))] if number > len(some) else []
    return [html.P([html.Strong(said), " ", *links, *more])]


def _order(shown: dict[str, str]) -> html.Nav:
    """The ways to the two orders."""
    by_money = shown.get("sort") == MONEY
    links = [
        (title, None, _address(shown, shown["tab"], sort=sort), by_money == bool(sort))
        for title, sort in ((tr("Most urgent first"), ""), (tr("Most money at risk first"), MONEY))
    ]
    return components.tabs("alarms-order", tr("Order"), links)


def _critical(row: AlarmRow) -> bool:
    return bool(row.alarm.evidence.get("critical_points"))


def _grouped(view: AlarmView) -> list[html.Tr]:
    """Rows below how urgent they are, and whether steering or braking may be dry, which is said once."""
    out: list[html.Tr] = []
    last: tuple[str | None, bool] | None = None
    for row in view.rows:
        group = (row.alarm.severity, _critical(row)) if row.alarm.condition.active else (None, False)
        if group != last:
            out.append(rows.group(group[0], group[1], _COLUMNS + (view.at_risk is not None)))
            last = group
        out.append(_row(row, view))
    return out


def _state(row: AlarmRow, view: AlarmView) -> list[Any]:
    """Its state in words: by whom, until when, why."""
    alarm, zone = row.alarm, row.timezone
    if alarm.state == "unacknowledged":
        return [row.assigned_to or html.Span(tr("nobody"), className="dim")]
    told = [begun(state_words(alarm.state))]
    by = view.acknowledged.get(alarm.id or 0)
    if alarm.state in ("acknowledged", "normal"):
        told = [f"{by[0]}, {formatting.moment(by[1], zone, with_zone=True)}" if by else tr("nobody")]
    if alarm.condition.shelved_until_us is not None:
        until = formatting.moment(alarm.condition.shelved_until_us, zone, with_zone=True)
        told.append(tr("until {time}", time=until))
    if alarm.condition.suppressed_why is not None:
        told.append(tr(alarm.condition.suppressed_why))
    assigned = (
        [html.Div(tr("Assigned to {assigned_to}", assigned_to=row.assigned_to), className="small")]
        if row.assigned_to and alarm.state != "normal"
        else []
    )
    return [html.Div(", ".join(told)), *assigned]


def _tab_of(state: str) -> str:
    return next(tab for tab, states in alarms.TABS.items() if state in states)


def _row(row: AlarmRow, view: AlarmView) -> html.Tr:
    alarm = row.alarm
    title = ALARM_KINDS[alarm.kind].title
    hours = alarm.evidence.get("hours_since_grease")
    over = alarm.state == "normal"
    choose_it = (
        dmc.Checkbox(value=str(alarm.id), **{"aria-label": tr("Choose {title}, {unit}", title=title, unit=row.unit)})
        if not over
        else ""
    )
    mark = components.severity(alarm.severity, lasts=False) if over else rows.mark(alarm.severity)
    warning = [html.Span(tr(rows.CRITICAL_IN_SHORT), className="warns"), " · "] if _critical(row) and not over else []
    open_it = html.Button(
        tr("Open"),
        id={"type": "alarm-open", "number": alarm.id},
        className="quiet",
        **{"aria-label": tr("Open {title}, {unit}", title=title, unit=row.unit)},
    )
    dry = ""
    if hours is not None:
        told = cldr.decimal(hours, 0)
        at_least = alarm.evidence.get("points_not_proven")
        dry = (
            tr(" · at least {hours}\u00a0h\u00a0dry", hours=told)
            if at_least
            else tr(" · {hours}\u00a0h\u00a0dry", hours=told)
        )
    summary = formatting.in_my_units(alarm.summary)
    raised = formatting.moment(alarm.raised_us, row.timezone, with_zone=True)
    return html.Tr(
        [
            html.Td(choose_it, className="alarms-cell-choose"),
            html.Td(mark, className="alarms-cell-mark"),
            html.Td([dcc.Link(row.unit, href=f"/vehicle/{row.fleet}/{row.vehicle}", className="unit"),
                     html.Div(f"{row.vehicle} · {row.depot}", className="small dim")], className="alarms-cell-unit"),
            html.Td([html.Div([html.Strong(title), dry]),
                     html.Div([*warning, summary], className="small dim alarms-one-line", title=summary)], className="alarms-cell-what"),
            *_money(row, view),
            html.Td(raised, className="alarms-cell-raised", **{"data-head": tr("Raised")}),
            html.Td(_state(row, view), className="alarms-cell-state", **{"data-head": _WHO[_tab_of(alarm.state)]}),
            html.Td(open_it, className="alarms-cell-open"),
        ],
        className="alarm",
    )  # fmt: skip


def _money(row: AlarmRow, view: AlarmView) -> list[html.Td]:
    if view.at_risk is None or row.alarm.state == "normal":
        return []
    told = money.at_risk(view.at_risk.get(row.alarm.id or 0), view.currency)
    return [html.Td(told, className="num alarms-cell-money", **{"data-head": tr("At risk")})]


def delivery(now_us: int) -> list[Any]:
    """Where alerts go, and whether they arrive."""
    told, person = alarms.delivery(engine(), now_us), accounts.current_person.get()
    ways: list[Any] = []
    for one in told.routes:
        failing = one.failing_us is not None
        why = f": {one.error}" if person.may("lead") else ""
        state = (
            tr("failing for {lasting}{why}", lasting=formatting.lasting(one.failing_us, now_us), why=why)
            if failing
            else tr("arrives")
        )
        ways.append(
            html.Tr(
                [html.Td(str(one.id)), html.Td(routes.masked(one.address)), html.Td(formatting.route(one)),
                 html.Td(state, className="state-act_now" if failing else "")]
            )
        )  # fmt: skip
    number, oldest_us = told.waiting
    late = number and oldest_us is not None and oldest_us < now_us - 600_000_000
    parts: list[Any] = [
        html.Div(components.table((tr("Route"), tr("To"), tr("What"), tr("Now")), ways, "plain-wrap"), className="wide")
        if ways
        else html.P(
            [
                tr("No alerts go anywhere yet."),
                " ",
                dcc.Link(tr("Add a route"), href="/set-up"),
                ", ",
                tr("or: tallow route add."),
            ]
        )
    ]
    if late:
        parts.append(
            dmc.Alert(
                tr(
                    "{number} messages wait, the oldest queued {ago}: is tallow watch running?",
                    number=number,
                    ago=formatting.ago(oldest_us, now_us),
                ),
                title=tr("Alerts are not being sent"),
                color="yellow",
            )
        )
    return [components.section(tr("Delivery"), parts, tr("Where alerts go, and whether they arrive."))]


def figures(now_us: int) -> list[Any]:
    """How many alarms people are asked to deal with, each measure with its aim and what that is for."""
    told = alarms.figures(engine(), now_us)
    measures = [
        html.Tr(
            [
                html.Td(html.Strong(tr(name))),
                html.Td(value, className="num"),
                html.Td(aim),
                html.Td(formatting.ALARM_AIMS[name], className="dim"),
            ]
        )
        for name, value, aim in formatting.alarm_figures(told)
    ]
    few = "" if told.days >= 30 else " " + tr("Only {days} days are recorded yet.", days=cldr.decimal(told.days, 1))
    return [
        components.section(
            tr("Alarm figures"),
            html.Div(
                components.table((tr("Measure"), tr("Now"), tr("Aim"), tr("What it means")), measures, "plain-wrap"),
                className="wide",
            ),
            tr("Over the last 30 days, by the measures of IEC 62682 and ANSI/ISA-18.2.") + few,
        )
    ]


@callback(
    Output("alarms-body", "children"),
    Output("alarms-tabs", "children"),
    Output("alarms-seen", "data"),
    Input("alarms-tick", "n_intervals"),
    Input("alarms-done", "data"),
    State("alarms-shown", "data"),
    State("alarms-seen", "data"),
    prevent_initial_call=True,
)
def refresh(_ticks: int, _done: int, shown: dict[str, str], seen: Any) -> Any:
    """Show what is new."""
    news = alarms.alarm_news(engine())
    if news == seen:
        return dash.no_update, dash.no_update, dash.no_update
    view = _view(shown)
    return body(view, shown), components.tab_links(tab_list(view, shown)), news


clientside_callback(
    ClientsideFunction("tallow", "chosen"),
    Output("alarms-actions", "style"),
    Output("alarms-count", "children"),
    Input("alarms-chosen", "value"),
)
clientside_callback(
    ClientsideFunction("tallow", "all"),
    Output("alarms-chosen", "value", allow_duplicate=True),
    Input("alarms-all", "checked"),
    prevent_initial_call=True,
)


@callback(
    Output("alarms-file", "data"),
    Input("alarms-csv", "n_clicks"),
    State("alarms-shown", "data"),
    prevent_initial_call=True,
)
def save(_: int, shown: dict[str, str]) -> dict[str, Any]:
    """The alarms of all states as a file."""
    found = alarms.alarms(
        engine(),
        shown["depot"],
        alarms.one_vehicle(shown["vehicle"]),
        over=True,
        most=_IN_A_FILE,
        fleet_name=shown["fleet"],
    )
    text = [{k: str(v if v is not None else "") for k, v in row.items()} for row in csv.alarm_table(found)]
    priced = alarms.money_of(engine(), found)
    if priced is not None:
        text = [
            line | {"money_at_risk": money.at_risk(priced[0].get(row.alarm.id or 0), priced[1])}
            for line, row in zip(text, found, strict=True)
        ]
    return csv.as_file(text, "alarm", "alarms.csv")
