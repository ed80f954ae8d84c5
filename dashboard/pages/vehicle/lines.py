"""The line list with the condition of each line, and one line opened: what its channel reads, and what happened to it."""

from typing import Any, Final

from dash import dcc, html

from analytics.findings import Finding, urgency
from analytics.kinds import FINDING_KINDS, SEVERITIES
from analytics.vehicle.analysis import Result
from analytics.vehicle.line_conditions import LineCondition, line_conditions
from dashboard import accounts, components, formatting
from dashboard.figures import vehicle_line
from dashboard.line_numbers import line_numbers
from dashboard.pages.vehicle.files import as_csv
from ingest.languages import cldr, later, tr, trn
from ingest.setups import Line

_MOST_UNFOLDED: Final = 30  # lines; more are screens to walk through on a phone
_NOTE: Final = later(
    "Condition of each line by its latest readings, and ignition hours since grease last surely arrived: by a whole cycle with the"
    " line sound, or by hand. Choose a line to open it."
)


def worst_line(result: Result) -> int | None:
    """The line that is opened at first: of the worst finding that names one, else the one that waits longest for grease, else the first
    that a channel watches; None where the list is empty."""
    for found in sorted((f for f in result.findings if f.open and f.lines), key=urgency):
        return found.lines[0]
    lines = result.history.setup.lines
    waited = {n: h for n, h in result.hours_since_grease.items() if h is not None}
    watched = next((line.line for line in lines if line.channel in result.pressures.channels), None)
    if waited and len(set(waited.values())) > 1:
        return max(waited, key=lambda n: (waited[n], -n))
    return watched if watched is not None else lines[0].line if lines else None


def channel_of(result: Result, number: int | None) -> str | None:
    """The channel that watches a line and was ever read; None where none does."""
    channel = next((line.channel for line in result.history.setup.lines if line.line == number), None)
    return channel if channel in result.pressures.channels else None


def mark(now: LineCondition) -> html.Span:
    """The mark of a line: taller and coloured by what is wrong, hatched where nothing is proven, grey where sound."""
    return html.Span(className=f"line-mark line-mark-{now.state}", **{"aria-hidden": "true"})


def is_silent(result: Result) -> bool:
    """Whether ignition hours may have passed since that nobody heard of."""
    return any(found.open and found.kind == "silent" for found in result.findings)


def hours(value: float | None, *, silent: bool = False) -> str:
    """Ignition hours since grease surely arrived."""
    if value is None:
        return tr("not proven")
    told = f"{cldr.decimal(value, 1 if value < 10 else 0)} h"
    return tr("{hours} when last heard", hours=told) if silent else told


def _in_words(value: float | None, *, silent: bool) -> str:
    if value is None:
        return tr("not proven")
    told = tr("{hours} ignition hours", hours=cldr.decimal(value, 1 if value < 10 else 0))
    return tr("{hours} when last heard", hours=told) if silent else told


def _condition(result: Result, now: LineCondition) -> str:
    """The condition of a line in words; of a vehicle that was never heard nothing is being learned."""
    if now.condition == "learning" and not len(result.history.heard_us):
        return tr("not proven: {words}", words=tr("no reading yet"))
    return formatting.line_condition(now)


def line_list(result: Result, opened: int | None) -> Any:
    """The line list; each line is a button. Of a long one, those that nothing is found on are folded."""
    condition, silent = {c.line: c for c in line_conditions(result)}, is_silent(result)
    rows = []
    for line in result.history.setup.lines:
        now = condition[line.line]
        name = html.Button(
            [html.Span(str(line.line), className="vehicle-line-number"), html.Span(line.point)], className="vehicle-line-name",
            **{"data-line": str(line.line), "aria-pressed": "true" if line.line == opened else "false"},
        )  # fmt: skip
        critical = html.Span(tr("steering or braking"), className="vehicle-line-critical") if line.critical else ""
        rows.append(
            html.Tr(
                [html.Td(mark(now), className="vehicle-cell-mark"), html.Td([name, critical], className="vehicle-cell-point"),
                 html.Td(line.bundle, className="vehicle-cell-bundle"),
                 html.Td(_condition(result, now), className=f"vehicle-cell-condition state-{now.state}"),
                 html.Td("" if now.ratio is None else cldr.decimal(now.ratio, 2), className="num vehicle-cell-ratio"),
                 html.Td(hours(now.hours_since_grease, silent=silent), className="num vehicle-cell-hours")],
                **{"data-line": str(line.line)},
            )
        )  # fmt: skip
    told = [condition[line.line] for line in result.history.setup.lines]
    sure = [row for row, now in zip(rows, told, strict=True) if now.state in SEVERITIES]
    others = [row for row, now in zip(rows, told, strict=True) if now.state not in SEVERITIES]
    if len(rows) <= _MOST_UNFOLDED or not others:
        return [_table(rows)]
    unproven = sum(now.state == "not_proven" for now in told)
    said = trn("{n} line that nothing is found on", "{n} lines that nothing is found on", len(others))
    said += tr(", {unproven} of them not proven", unproven=unproven) if unproven else ""
    folded = html.Details(
        [html.Summary(said), _table(others)], className="vehicle-lines-others", **{"data-keep": "lines"}
    )
    return [*([_table(sure)] if sure else []), folded]


def _table(rows: list[Any]) -> html.Table:
    heads = [("", ""), (tr("Line and point"), ""), (tr("Bundle"), "cell-bundle"), (tr("Condition"), ""), (tr("Times expected"), "num"),
             (tr("Ignition hours since grease"), "num")]  # fmt: skip
    head = html.Thead(html.Tr([html.Th(text, scope="col", className=name) for text, name in heads]))
    return html.Table([head, html.Tbody(rows)], className="vehicle-lines")


def section(result: Result, opened: int | None, template: str) -> Any:
    """The list, and beside it the line that is opened."""
    return components.section(
        tr("Lines"),
        [
            as_csv("line-list", "traces"),
            html.Div(
                [
                    html.Div(line_list(result, opened), id="vehicle-lines"),
                    html.Div(
                        detail(result, opened, template),
                        id="vehicle-line",
                        className="vehicle-line-detail",
                        **{"aria-live": "polite"},
                    ),
                ],
                className="vehicle-lines-and-detail",
            ),
        ],
        tr(_NOTE),
    )


def detail(result: Result, number: int | None, template: str) -> list[Any]:
    """One line: how it is, what was found on it and done to it, and the course of single cycles."""
    setup = result.history.setup
    line = next((one for one in setup.lines if one.line == number), None)
    if line is None:
        return [html.P(tr("The line list is empty."), className="dim")]
    now = next(c for c in line_conditions(result) if c.line == number)
    channel = channel_of(result, number)
    out: list[Any] = [
        html.H3([mark(now), " ", tr("Line {line}, {point}", line=line.line, point=line.point)]),
        html.Dl(
            [part for name, text in _facts(result, line, now) for part in (html.Dt(name), html.Dd(text))],
            className="facts",
        ),
    ]
    if now.critical_dry:
        text = tr(
            "Steering or braking depends on this point, which may be dry: for a qualified person to judge before it goes back on"
            " the road."
        )
        out.insert(1, html.P(text, className="state-act_now"))
    out += [html.H3(tr("Found and done")), _happened(result, line)]
    sampled = None if channel is None else vehicle_line.traces(result, channel, template, accounts.my_units())
    if sampled is not None:
        out += [
            html.H3(tr("The course of single cycles, the newest in blue")),
            dcc.Graph(id="vehicle-traces", figure=sampled, **components.chart(), style={"height": "240px"}),
        ]
    return out


def _facts(result: Result, line: Line, now: LineCondition) -> list[tuple[str, Any]]:
    """What is known of a line."""
    watched = tr("no sensor watches it") if line.channel is None else line.channel
    sharing = [one.line for one in result.history.setup.lines if one.channel == line.channel and one.line != line.line]
    if line.channel is not None and sharing:
        watched += trn(", with line {lines}", ", with lines {lines}", len(sharing), lines=line_numbers(sharing))
    ratio = (
        tr("no reading yet")
        if now.ratio is None
        else tr("{ratio} times what is expected", ratio=cldr.decimal(now.ratio, 2))
    )
    if result.pressures.channels and len(result.pressures.starved) and result.pressures.starved[-1]:
        ratio += tr("; what all lines have lost together is part of it")
    return [
        (tr("Condition"), html.Span(_condition(result, now), className=f"state-{now.state}")),
        (tr("Pressure"), ratio),
        (tr("Since grease surely arrived"), _in_words(now.hours_since_grease, silent=is_silent(result))),
        (
            tr("Point"),
            tr("{point}, steering or braking depends on it", point=line.point) if line.critical else line.point,
        ),
        (tr("Bundle"), line.bundle or tr("none")),
        (
            tr("Tube"),
            tr(
                "{length} m long, {bore} mm bore",
                length=cldr.plain(line.length_m),
                bore=cldr.plain(line.bore_mm),
            ),
        ),
        (tr("Grease per cycle"), f"{cldr.plain(line.dose_cm3)} cm3"),
        (tr("Channel"), watched),
    ]


def _happened(result: Result, line: Line) -> html.Ul | html.P:
    """Findings on a line and work on it, the latest first."""
    zone = result.history.setup.timezone
    told: list[tuple[int, Any]] = [(f.began_us, _found(f, zone)) for f in result.findings if line.line in f.lines]
    for one in result.history.work:
        concerns = line.line in one.lines or (line.channel is not None and one.channel == line.channel)
        if concerns or (one.kind in ("bled", "relined", "greased_by_hand") and not one.lines):
            said = "; ".join([tr(one.title), *formatting.work_details(one)])
            told.append(
                (
                    one.at_us,
                    html.Li([html.Span(formatting.moment(one.at_us, zone), className="dim"), f" {said} ({one.by})"]),
                )
            )
    if not told:
        return html.P(tr("Nothing yet."), className="dim")
    return html.Ul([shown for _, shown in sorted(told, key=lambda item: -item[0])], className="plain-list")


def _found(found: Finding, zone: str) -> html.Li:
    """A finding in a line's own history."""
    until = (
        tr("lasts") if found.ended_us is None else tr("until {moment}", moment=formatting.moment(found.ended_us, zone))
    )
    return html.Li(
        [
            html.Span(formatting.moment(found.began_us, zone), className="dim"),
            f" {FINDING_KINDS[found.kind].title}, {until}",
        ]
    )
