"""What to do today, and whether it is getting better: sentence, figures, work by depot, refills to come, what changed."""

from collections.abc import Sequence
from typing import Any, Final
from zlib import crc32

import dash
from dash import Input, Output, State, callback, dcc, html

from analytics.findings import Finding
from analytics.kinds import FINDING_KINDS
from analytics.vehicle.line_conditions import LineCondition
from dashboard import components, rows
from dashboard.exports import wear
from dashboard.pages.refill_calendar import calendar
from dashboard.queries import scope, today
from dashboard.queries.fleet import FleetRow
from dashboard.queries.hand import HandCount
from dashboard.queries.scope import Scope, address, scope_of
from dashboard.queries.today import DepotWork, Figure, News, Today
from dashboard.queries.wear import Wearing
from dashboard.web.database import engine
from dashboard.web.frame import REFRESH_MS
from ingest import times
from ingest.languages import cldr, later, tr, trn

dash.register_page(
    __name__, path="/", name=later("Today"), title=lambda **_: tr("Today"), in_menu=True, order=0, icon="today"
)


def layout(**asked: Any) -> html.Div:
    """The page in the scope of the address."""
    chosen = scope_of(asked)
    told = today.read_today(engine(), chosen, times.now_us())
    return html.Div(
        [
            dcc.Store(id="today-scope", data=chosen._asdict()),
            dcc.Store(id="today-seen", data=_seen(told)),
            dcc.Interval(id="today-tick", interval=REFRESH_MS),
            html.Div(body(told, chosen, times.now_us()), id="today-body", className="today"),
        ]
    )


def _seen(told: Today) -> int:
    return crc32(repr((told, times.now_us() // 60_000_000)).encode())


def body(told: Today, chosen: Scope, now_us: int) -> list[Any]:
    """From the whole to the one."""
    if not told.vehicles:
        return [html.H1(tr("Today")), components.first_steps()]
    left = [work(told.work, chosen), *points(told.points, chosen), news(told.news), drifting(told, chosen)]
    return [
        html.H1(sentence(told)),
        html.Div(figures(told, chosen), className="today-figures"),
        html.Div(
            [
                html.Div(left, className="today-left"),
                html.Div(calendar(told, chosen, now_us), className="today-right"),
            ],
            className="today-columns",
        ),
    ]


def sentence(told: Today) -> str:
    """How many vehicles need somebody, and where; and of how many nobody knows it."""
    number = sum(told.by_depot.values())
    counted = ((told.unheard, tr("not heard yet")), (told.not_proven, tr("not proven")))
    unknown = ", ".join(f"{count} {words}" for count, words in counted if count)
    if not number:
        return (
            tr("No vehicle is known to need somebody today: {unknown}.", unknown=unknown)
            if unknown
            else tr("No vehicle needs somebody today.")
        )
    where = [f"{count} {depot}" for depot, count in list(told.by_depot.items())[:4]]
    more = len(told.by_depot) - len(where)
    places = ", ".join(where) + (trn(", and {n} more depot", ", and {n} more depots", more) if more else "")
    if len(told.by_depot) > 1:
        said = trn(
            "{n} vehicle needs somebody today: {places}.",
            "{n} vehicles need somebody today: {places}.",
            number,
            places=places,
        )
    else:
        said = trn(
            "{n} vehicle needs somebody today, at {depot}.", "{n} vehicles need somebody today, at {depot}.", number,
            depot=next(iter(told.by_depot)),
        )  # fmt: skip
    return " ".join([said, *([tr("Not known: {unknown}.", unknown=unknown)] if unknown else [])])


def figures(told: Today, chosen: Scope) -> list[Any]:
    """Four numbers, each with eight weeks behind it."""
    return [
        _figure(tr("Points greased as planned, last week"), told.greased, "/account", " %"),
        _figure(tr("Vehicles that need somebody"), told.urgent, scope.address("/fleet", chosen, need="act_now")),
        _figure(tr("Refills due in 7 days"), told.due, scope.address("/rounds", chosen, days="7")),
        _figure(
            tr("Vehicles heard in 24 h"),
            told.heard,
            scope.address("/fleet", chosen, sort="heard"),
            of=told.vehicles - told.by_hand,
        ),
    ]


def _figure(name: str, figure: Figure, href: str | None, unit: str = "", of: int | None = None) -> html.Div:
    title: Any = dcc.Link(name, href=href) if href else name
    number: list[Any]
    if figure.now is None:
        number = [html.Span(tr("not known yet"), className="today-figure-unknown")]
    else:
        number = [
            html.Span(f"{cldr.floored(figure.now, 0)}{unit}", className="figure"),
            " ",
            html.Span(tr("of {of}", of=of) if of is not None else "", className="dim"),
        ]
    return html.Div(
        [html.Div(title, className="today-figure-name"), html.Div(number), course(name, [*figure.weeks, figure.now])],
        className="today-figure-card card",
    )


_FEWEST_DAYS: Final = 4


def course(name: str, values: Sequence[float | None]) -> html.Div:
    """A small line of days, from nothing to the highest; days that nothing is known of are left out."""
    known = [(n, value) for n, value in enumerate(values) if value is not None]
    if len(known) < _FEWEST_DAYS:
        return html.Div(tr("no history yet"), className="today-course small dim")
    top, last = max(value for _, value in known) or 1.0, len(values) - 1
    points = [(100 * n / last, 94 - 88 * value / top) for n, value in known]
    above = [f"{x:.1f}% calc({y:.1f}% - 1px)" for x, y in points]
    below = [f"{x:.1f}% calc({y:.1f}% + 1px)" for x, y in reversed(points)]
    lowest = min(value for _, value in known)
    text = tr(
        "{name}, last {count} days: from {first} to {last}, lowest {lowest}, highest {top}",
        name=name,
        count=len(known),
        first=cldr.decimal(known[0][1], 0),
        last=cldr.decimal(known[-1][1], 0),
        lowest=cldr.decimal(lowest, 0),
        top=cldr.decimal(top, 0),
    )
    return html.Div(
        html.Div(className="today-course-line", style={"clipPath": f"polygon({','.join(above + below)})"}),
        className="today-course", role="img", title=text, **{"aria-label": text},
    )  # fmt: skip


def work(found: Sequence[DepotWork], chosen: Scope) -> html.Section:
    """What cannot wait, by depot, and what to take along."""
    parts: list[Any] = [html.H2(tr("To do today"))]
    if not found:
        parts.append(html.P(tr("Nothing that cannot wait."), className="dim"))
    else:
        parts.append(components.cautions())
    for one in found:
        left = one.number - len(one.rows)
        here = Scope(chosen.fleet, one.depot)
        take = rows.to_take(one.rows)
        parts += [
            html.H3(
                [one.depot, html.Span(trn("{n} vehicle", "{n} vehicles", one.number), className="dim")],
                className="today-depot-head",
            ),
            html.Ul([_vehicle(r) for r in one.rows], className="today-to-do"),
            *(
                [html.P([html.Strong(f"{tr('Take along:')} "), "; ".join(take), "."], className="today-take")]
                if take
                else []
            ),
            *(
                [dcc.Link(tr("and {left} more", left=left), href=scope.address("/fleet", here, need="act_now"))]
                if left
                else []
            ),
        ]
    return html.Section(parts, className="card")


def points(found: Sequence[HandCount], chosen: Scope) -> list[html.Section]:
    """What is to be greased by hand, by depot; nothing where no such point is registered."""
    if not found:
        return []
    shown = []
    for one in found:
        told = [tr("{number} due", number=one.due), tr("{number} more within 7 days", number=one.soon)]
        told += [tr("no date is known of {number}", number=one.unknown)] if one.unknown else []
        href = scope.address("/points", Scope(chosen.fleet, one.depot))
        warned = html.Div(
            tr("Steering or braking depends on {number} of those that are due.", number=one.critical), className="warns"
        )
        shown.append(
            html.Li([dcc.Link(one.depot, href=href), f": {', '.join(told)}", *([warned] if one.critical else [])])
        )
    return [
        html.Section([html.H2(tr("Points greased by hand")), html.Ul(shown, className="plain-list")], className="card")
    ]


def _vehicle(r: FleetRow) -> html.Li:
    return html.Li(
        [
            html.Div(
                [rows.mark(r.need), rows.link(r), html.Span(r.vehicle, className="dim small")],
                className="today-to-do-head",
            ),
            *rows.reason(r),
        ]
    )


_SORTS: Final = (
    ("not_held", later("Repair did not hold")), ("new", later("New")), ("held", later("Repair held")), ("over", later("Over")),
)  # fmt: skip


def news(told: News) -> html.Section:
    """What changed since yesterday."""
    parts: list[Any] = [html.H2(tr("Since yesterday"))]
    for name, title in _SORTS:
        found: list[tuple[FleetRow, Finding]] = getattr(told, name)
        if not found:
            continue
        number = told.numbers[name]
        head = html.Span(tr(title), className="proven") if name == "held" else tr(title)
        parts += [
            html.H3([head, html.Span(str(number), className="dim")], className="today-depot-head"),
            html.Ul(
                [html.Li([rows.link(r), f" {FINDING_KINDS[f.kind].title}", _lines(f)]) for r, f in found],
                className="plain-list",
            ),
        ]
        if number > len(found):
            parts.append(html.P(tr("and {left} more", left=number - len(found)), className="dim"))
    if len(parts) == 1:
        parts.append(html.P(tr("Nothing began, ended or was proven."), className="dim"))
    return html.Section(parts, className="card")


def _lines(found: Finding) -> str:
    if not found.lines:
        return ""
    return (
        tr(", line {line}", line=found.lines[0])
        if len(found.lines) == 1
        else tr(", {count} lines", count=len(found.lines))
    )


def _drifting(line: LineCondition) -> str:
    course = (
        tr("line {line} rising", line=line.line)
        if line.condition == "rising"
        else tr("line {line} falling", line=line.line)
    )
    return course + (
        " " + tr("({ratio} times expected)", ratio=cldr.decimal(line.ratio, 1)) if line.ratio is not None else ""
    )


def drifting(told: Today, chosen: Scope) -> html.Section:
    """What got worse slowly: pressure off its course now, and trends over months that lead to a limit."""
    parts: list[Any] = [html.H2(tr("Slowly getting worse"))]
    items = []
    for r, lines in told.drifting:
        told_lines = ", ".join(_drifting(x) for x in lines[:3])
        more = " " + tr("and {left} more", left=len(lines) - 3) if len(lines) > 3 else ""
        items.append(html.Li([rows.link(r), f" {told_lines}{more}"]))
    if items:
        parts += [
            html.P(tr("Pressure that leaves its usual course, and is no finding yet."), className="dim"),
            html.Ul(items, className="plain-list"),
        ]
    else:
        parts.append(html.P(tr("No line is known to be on its way to a finding."), className="dim"))
    if told.wearing:
        parts += [
            html.P(
                [tr("Over months, for the next planned visit:"), " ", dcc.Link(tr("all of them"), href=address("/account", chosen))],
                className="dim",
            ),
            html.Ul([_wears(one) for one in told.wearing], className="plain-list"),
        ]  # fmt: skip
    return html.Section(parts, className="card")


def _wears(one: Wearing) -> html.Li:
    link = dcc.Link(one.unit, href=f"/vehicle/{one.fleet}/{one.vehicle}", className="unit")
    text = " " + tr(
        "{where}: {what} {since}; limit expected {passes}",
        where=wear.where(one),
        what=wear.WHAT[one.trend.what],
        since=wear.since(one.trend),
        passes=wear.passes(one),
    )
    return html.Li([link, text])


@callback(
    Output("today-body", "children"),
    Output("today-seen", "data"),
    Input("today-tick", "n_intervals"),
    State("today-scope", "data"),
    State("today-seen", "data"),
    prevent_initial_call=True,
)
def refresh(_: int, kept: dict[str, str], seen: int) -> tuple[Any, Any]:
    """Show what is new, if anything is."""
    chosen = Scope(**kept)
    told = today.read_today(engine(), chosen, times.now_us())
    now = _seen(told)
    return (dash.no_update, dash.no_update) if now == seen else (body(told, chosen, times.now_us()), now)
