"""One page to hand a freshly fitted system over with: what was proven, line by line, to print or to send."""

from typing import Any

import dash
from dash import dcc, html

from analytics.pipeline.tasks import Unanalysed
from analytics.vehicle.analysis import Result
from analytics.vehicle.commissioning import CYCLES, Handover, Item
from dashboard import components, formatting
from dashboard.pages.vehicle.side import FEEDS, LEVELS
from dashboard.queries import vehicle
from dashboard.web.database import engine
from ingest.languages import cldr, later, tr
from ingest.languages.saying import told as told_in
from ingest.setups import Setup

dash.register_page(
    __name__,
    path_template="/handover/<fleet>/<name>",
    name=later("Handover"),
    title=lambda fleet=None, name=None: tr("Handover {name}", name=name),
)


def layout(fleet: str | None = None, name: str | None = None, **_: Any) -> html.Div:
    """The sheet of one vehicle."""
    try:
        result = vehicle.vehicle_result(engine(), fleet, name) if fleet and name else None
    except Unanalysed as problem:
        return html.Div([html.H1(tr("Handover")), html.P(f"{problem}.")])
    if result is None:
        return html.Div(
            [html.H1(tr("Handover")), html.P(tr("No vehicle of this name is registered: {name}.", name=name))]
        )
    if result.handover is None:
        text = tr(
            "This vehicle has no handover: its system was fitted before it was first heard. A record 'Fitted or re-lined' begins one."
        )
        return html.Div(
            [
                html.H1(tr("Handover of {unit}", unit=result.history.setup.unit)),
                html.P(text),
                _back(result.history.setup),
            ]
        )
    return html.Div(sheet(result, result.handover), className="handover")


def _back(setup: Setup) -> dcc.Link:
    return dcc.Link(tr("Back to the vehicle"), href=f"/vehicle/{setup.fleet}/{setup.vehicle}", className="steps")


def sheet(result: Result, told: Handover) -> list[Any]:
    """The whole sheet."""
    rest = [
        html.Tr(
            [
                html.Td(told_in(item.what)),
                html.Td(_mark(item), className="no-wrap"),
                html.Td(formatting.in_my_units(item.text)),
            ]
        )
        for item in told.items
        if item.line is None
    ]
    signed = [
        html.P([html.Span(f"{who}: ", className="dim"), html.Span(className="sign")])
        for who in (tr("Fitted by"), tr("Accepted by"), tr("Date"))
    ]
    return [
        html.H1(tr("Handover of {unit}", unit=result.history.setup.unit)),
        _back(result.history.setup),
        html.P(html.Strong(formatting.handover(told))),
        components.section(
            tr("What was fitted"),
            html.Dl([x for n, v in _facts(result, told) for x in (html.Dt(n), html.Dd(v))], className="facts"),
        ),
        components.section(
            tr("Line list"),
            html.Div(_line_table(told), className="wide"),
            tr(
                "First readings are the median peak of the first cycles; later findings are told against them. A pressure as"
                " expected proves no grease: run a cycle, see it come out at each point, and tick its box."
            ),
        ),
        components.section(
            tr("System"),
            html.Div(
                components.table((tr("What"), tr("Result"), tr("Evidence")), rest, "plain-wrap"), className="wide"
            ),
        ),
        components.section(tr("Signed"), html.Div(signed, className="signed")),
        components.cautions_in_full(),
    ]


def _facts(result: Result, told: Handover) -> list[tuple[str, str]]:
    """What was fitted."""
    setup = result.history.setup
    confirmation = {True: tr("yes"), False: tr("no"), None: tr("not known")}[setup.confirmation]
    return [
        (tr("Vehicle"), f"{setup.unit} ({setup.fleet}/{setup.vehicle}), {setup.vehicle_class}"),
        (tr("Depot"), setup.depot),
        (
            tr("System"),
            tr(
                "{feed}, {count} lines, relief at {pressure}",
                feed=FEEDS[setup.feed],
                count=len(setup.lines),
                pressure=formatting.pressure(setup.relief_kpa),
            ),
        ),
        (
            tr("Reservoir"),
            tr(
                "{litres}, low mark {low_mark} %, {level}",
                litres=formatting.litres(setup.reservoir_l),
                low_mark=cldr.plain(setup.low_mark_pct),
                level=LEVELS[setup.level],
            ),
        ),
        (tr("Grease"), setup.grease_and_grade),
        (
            tr("Timer"),
            tr(
                "every {interval} min of ignition time, for {run} s",
                interval=cldr.plain(setup.interval_min),
                run=cldr.plain(setup.run_s),
            ),
        ),
        (tr("Confirmation"), confirmation),
        (tr("In commissioning since"), formatting.moment(told.since_us, setup.timezone)),
        (
            tr("Ended"),
            tr("still running") if told.ended_us is None else formatting.moment(told.ended_us, setup.timezone),
        ),
        (
            tr("Cycles looked at"),
            tr(
                "{cycles} of at most {most}",
                cycles=told.cycles,
                most=CYCLES,
            )
            + _temperature(told),
        ),
    ]


def _line_table(told: Handover) -> html.Table:
    """Each line: what was read, what it says, and a box for whoever saw grease come out."""
    shown = {item.line: item for item in told.items if item.line is not None}
    lines = [
        html.Tr(
            [html.Td(str(line.line)), html.Td(line.bundle, className="no-wrap"), html.Td(line.point), html.Td(line.channel or tr("none")),
             html.Td("" if line.peak_kpa is None else formatting.pressure(line.peak_kpa), className="no-wrap"),
             html.Td("" if line.ratio_to_sisters is None else cldr.decimal(line.ratio_to_sisters, 2)),
             html.Td(_mark(shown[line.line]), className="no-wrap"),
             html.Td(html.Span(className="box", role="img", **{"aria-label": tr("box to tick")})),
             html.Td(formatting.in_my_units(shown[line.line].text) if shown[line.line].verdict != "proven" else "")]
        )
        for line in told.lines
    ]  # fmt: skip
    heads = (
        tr("Line"),
        tr("Bundle"),
        tr("Point"),
        tr("Channel"),
        tr("First reading"),
        tr("Ratio to similar lines"),
        tr("Result"),
        tr("Grease seen at the point"),
        "",
    )
    return components.table(heads, lines, "plain-wrap")


def _temperature(told: Handover) -> str:
    return (
        ""
        if told.temp_c is None
        else tr(", at {temperature}", temperature=formatting.in_my_units(f"{told.temp_c:.0f} °C"))
    )


def _mark(item: Item) -> list[Any]:
    shape = {"proven": "✓", "looks wrong": "●", "not yet": "▲", "no reading": "■"}[item.verdict]
    return [html.Span(f"{shape} ", **{"aria-hidden": "true"}), formatting.verdict(item)]
