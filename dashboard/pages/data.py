"""Whether the data can be trusted: what comes in, what was refused, who is silent, which sensors and clocks are wrong."""

from typing import Any

import dash
import dash_mantine_components as dmc
from dash import Input, Output, State, callback, dcc, html

from analytics.findings import Finding
from analytics.kinds import DATA_KINDS, FINDING_KINDS
from dashboard import components, formatting
from dashboard.exports import csv
from dashboard.figures import backtest, theme
from dashboard.pages import model_table
from dashboard.queries import data
from dashboard.queries.data import DataState, Who
from dashboard.queries.model import model_fit
from dashboard.queries.scope import EVERYTHING, scope_of
from dashboard.web.database import engine
from dashboard.web.frame import REFRESH_MS
from ingest import listening, times
from ingest.languages import cldr, later, tr
from ingest.messages import REFUSALS

dash.register_page(
    __name__, path="/data", name=later("Data"), title=lambda **_: tr("Data"), in_menu=True, order=6, icon="data"
)


def layout(**asked: Any) -> html.Div:
    """The page for the scope in the address."""
    chosen = scope_of(asked)
    whose = tr(
        "What comes in, what was refused and the forecast accuracy are of all depots; the rest is of the chosen ones."
    )
    return html.Div(
        [
            dcc.Store(id="data-scope", data=chosen._asdict()),
            dcc.Interval(id="data-tick", interval=REFRESH_MS),
            dcc.Download(id="data-file"),
            dcc.Download(id="data-dates-file"),
            components.page_head(
                tr("Data"),
                [
                    (tr("Save what is listed as CSV"), "data-csv"),
                    (tr("Save forecast accuracy as CSV"), "data-dates-csv"),
                ],
            ),
            html.P(tr("What everything else rests on."), className="dim"),
            *([] if chosen == EVERYTHING else [html.P(whose, className="dim")]),
            html.Div(components.pending(), id="data-body"),
            html.Div(id="data-model"),
            html.Div(id="data-dates"),
        ]
    )


def body(told: DataState, now_us: int) -> list[Any]:
    """What comes in, and what is wrong with it."""
    newest_us = told.newest_us
    facts = [
        (tr("Newest message"), tr("none") if newest_us is None else formatting.ago(newest_us, now_us)),
        (tr("Ingest"), formatting.listening(listened=told.listened)),
        (tr("Messages recorded"), cldr.grouped(told.recorded)),
        (tr("Duplicates"), tr("{number}, which did no harm", number=cldr.grouped(told.duplicates))),
        (
            tr("Not registered"),
            tr("{number} vehicles that send but are not registered", number=told.unregistered),
        ),
        (
            tr("Analysis"),
            tr("not run yet")
            if told.looked_us is None
            else tr("last ran on something new {ago}", ago=formatting.ago(told.looked_us, now_us)),
        ),
    ]
    out: list[Any] = []
    last_us = max((newest_us or 0), *told.recorders.values(), 0)
    if last_us and now_us - last_us > listening.longest_quiet_us(now_us, listened=told.listened):
        out.append(
            dmc.Alert(
                tr("Is tallow ingest running, and the broker? Nothing was recorded since then, and no message is newer."),
                title=tr("No new messages for {lasting}", lasting=formatting.lasting(last_us, now_us)), color="red", mb="md",
            )
        )  # fmt: skip
    facts += [
        (tr("Recorder {name}", name=name), tr("last wrote {ago}", ago=formatting.ago(at or None, now_us)))
        for name, at in sorted(told.recorders.items())
    ]
    facts += [
        (
            tr("Two ingesters called {name}", name=name),
            tr(
                "another took its session {times} times, last {ago}: give each its own --client-id",
                times=one.times,
                ago=formatting.ago(one.last_us, now_us),
            ),
        )
        for name, one in sorted(told.rivals.items())
    ]
    listed = [item for name, value in facts for item in (html.Dt(name), html.Dd(value))]
    out.append(components.section(tr("What comes in"), html.Dl(listed, className="facts")))
    out.append(_refused(told))
    if told.looked_us is None:
        titles = (*(FINDING_KINDS[kind].title for kind in DATA_KINDS), tr("Clocks, channels and records"))
        unknown = tr("Not known: nothing was analysed yet.")
        return [*out, *(components.section(title, html.P(unknown, className="dim")) for title in titles)]
    for kind in DATA_KINDS:
        mine = [(who, found) for who, found in told.findings if found.kind == kind]
        number = told.numbers[kind]
        out.append(_vehicles(f"{FINDING_KINDS[kind].title}: {cldr.grouped(number)}", mine, number - len(mine)))
    out.append(_notes(told))
    return out


def _notes(told: DataState) -> dmc.Paper:
    notes = [
        html.Li(
            [
                dcc.Link(who.unit, href=f"/vehicle/{who.fleet}/{who.vehicle}"),
                f" ({who.depot}): {formatting.in_my_units(note)}",
            ]
        )
        for who, note in told.notes
    ]
    left = told.noted - len({who for who, _ in told.notes})
    return components.section(
        tr("Clocks, channels and records"),
        [html.Ul(notes), *_left(left)] if notes else html.P(tr("Nothing."), className="dim"),
    )


def _refused(told: DataState) -> dmc.Paper:
    rows = [
        html.Tr([html.Td(tr(REFUSALS[code])), html.Td(cldr.grouped(ever)), html.Td(cldr.grouped(held))])
        for code, ever, held in told.refused
    ]
    heads = (tr("Reason"), tr("Ever"), tr("Held"))
    table = components.table(heads, rows, "plain")
    return components.section(
        tr("Refused"), table if rows else html.P(tr("Nothing was ever refused."), className="dim"),
        tr("Publications that could not be recorded; tallow quarantine shows them."),
    )  # fmt: skip


def _left(number: int) -> list[Any]:
    """How many are not listed: the file has all."""
    return [html.P(tr("and {left} more", left=cldr.grouped(number)), className="dim")] if number > 0 else []


def _vehicles(title: str, found: list[tuple[Who, Finding]], left: int) -> dmc.Paper:
    items = [
        html.Li(
            [
                dcc.Link(who.unit, href=f"/vehicle/{who.fleet}/{who.vehicle}"),
                f" ({who.depot}): {formatting.in_my_units(f.summary)}",
            ]
        )
        for who, f in found
    ]
    return components.section(title, [html.Ul(items), *_left(left)] if items else html.P(tr("None."), className="dim"))


def dates(told: DataState, template: str) -> list[Any]:
    """How past refill dates held."""
    title = tr("Forecast accuracy")
    if told.backtest is None or told.backtest_us is None:
        return [components.section(title, html.P(tr("Not worked out yet; run: tallow backtest"), className="dim"))]
    found = told.backtest
    chart = dcc.Graph(
        figure=backtest.held_dates(found["below"], found["cases"], template), config={"displayModeBar": False}
    )
    by_horizon = [
        html.Li(
            tr(
                "{first} to {last} days ahead: {cases} dates, median error {error} days, {inside}% in the window",
                first=cldr.decimal(first, 0), last=cldr.decimal(last, 0), cases=cases, error=cldr.decimal(error, 1),
                inside=cldr.decimal(100 * inside, 0),
            )
        )
        for first, last, cases, error, inside in found["horizons"]
    ]  # fmt: skip
    until = formatting.day(formatting.local(told.backtest_us, "UTC"))
    text = tr(
        "{cases} past dates up to {day}: {share}% came within their window (ideal: 80 %). Mean pinball loss, the lower the better:"
        " {loss} days; by registered doses {by_doses}, by a straight line {by_line}.",
        cases=found["cases"], day=until, share=cldr.decimal(100 * found["coverage"], 0), loss=cldr.decimal(found["pinball_days"], 2),
        by_doses=cldr.decimal(found["nominal_pinball_days"], 2), by_line=cldr.decimal(found["straight_pinball_days"], 2),
    )  # fmt: skip
    return [components.section(title, [chart, html.Ul(by_horizon)], text)]


@callback(Output("data-body", "children"), Input("data-tick", "n_intervals"), State("data-scope", "data"))
def show(_: int | None, asked: dict[str, str]) -> list[Any]:
    """What is known now."""
    return body(data.data_state(engine(), scope=scope_of(asked)), times.now_us())


@callback(Output("data-model", "children"), Input("data-scope", "data"))
def show_model(asked: dict[str, str]) -> Any:
    """How well the pressure model fits: made once a day, so that no tick asks for it."""
    return model_table.of_fleet(model_fit(engine(), scope_of(asked)))


@callback(Output("data-dates", "children"), Input("scheme-now", "data"))
def show_dates(scheme: str | None) -> list[Any]:
    """The calibration, by the scheme of the page."""
    return dates(data.data_state(engine()), theme.template_of(scheme))


@callback(
    Output("data-file", "data"), Input("data-csv", "n_clicks"), State("data-scope", "data"), prevent_initial_call=True
)
def save(_: int, asked: dict[str, str]) -> dict[str, Any]:
    """What is listed here, and what was too much to list, as a file."""
    return csv.as_file(csv.data_table(data.data_state(engine(), None, scope_of(asked))), "fleet", "data.csv")


@callback(
    Output("data-dates-file", "data"),
    Input("data-dates-csv", "n_clicks"),
    prevent_initial_call=True,
)
def save_dates(clicks: int | None) -> Any:
    """How past dates held as a file."""
    if not clicks:  # drawn, not pressed
        return dash.no_update
    return csv.as_file(csv.dates_table(data.data_state(engine())), "what", "refill-dates.csv")
