"""What to do today, and whether it is getting better: sentence, figures, work by depot, refills to come, what changed."""

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any, Final
from zlib import crc32

import dash
from dash import Input, Output, State, callback, dcc, html

from analytics.findings import Finding
from analytics.kinds import FINDING_KINDS
from analytics.planning.closed_days import ClosedDays, joined
from analytics.vehicle.line_conditions import LineCondition
from dashboard import components, formatting, rows
from dashboard.exports import wear
from dashboard.queries import scope, today
from dashboard.queries.fleet import FleetRow
from dashboard.queries.scope import Scope, address, scope_of
from dashboard.queries.today import CALENDAR_DAYS, DepotWork, Figure, News, Today
from dashboard.queries.wear import Wearing
from dashboard.web.database import engine
from dashboard.web.frame import REFRESH_MS
from ingest import times
from ingest.languages import cldr, later, tr, trn
from ingest.languages.saying import told as told_in
from ingest.times import DAY_US

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
    return [
        html.H1(sentence(told)),
        html.Div(figures(told, chosen), className="today-figures"),
        html.Div(
            [
                html.Div([work(told.work, chosen), news(told.news), drifting(told, chosen)], className="today-left"),
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
    return " ".join([said, *([tr("Not known of others: {unknown}.", unknown=unknown)] if unknown else [])])


def figures(told: Today, chosen: Scope) -> list[Any]:
    """Four numbers, each with eight weeks behind it."""
    return [
        _figure(tr("Points greased as planned, last week"), told.greased, "/account", " %"),
        _figure(tr("Vehicles that need somebody"), told.urgent, scope.address("/fleet", chosen, need="act_now")),
        _figure(tr("Refills due in 7 days"), told.due, scope.address("/rounds", chosen, days="7")),
        _figure(
            tr("Vehicles heard in 24 h"), told.heard, scope.address("/fleet", chosen, sort="heard"), of=told.vehicles
        ),
    ]


def _figure(name: str, figure: Figure, href: str | None, unit: str = "", of: int | None = None) -> html.Div:
    title: Any = dcc.Link(name, href=href) if href else name
    number: list[Any]
    if figure.now is None:
        number = [html.Span(tr("not known yet"), className="today-figure-unknown")]
    else:
        number = [
            html.Span(f"{cldr.decimal(figure.now, 0)}{unit}", className="figure"),
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
                [html.P([html.Strong(tr("Take along:")), " ", "; ".join(take), "."], className="today-take")]
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


def calendar(told: Today, chosen: Scope, now_us: int) -> html.Section:
    """Four weeks of refills on one axis: a bar a vehicle from the early to the late end of its window, by depot; the depot's closed days,
    and of what nothing is known."""
    title = html.H2(tr("Refills, next 28 days"))
    if not told.refills:
        return html.Section(
            [title, html.P(tr("None is known to be due."), className="dim"), *undated(told)], className="card"
        )
    parts: list[Any] = []
    for depot in sorted({r.depot for r in told.refills}):
        mine = sorted((r for r in told.refills if r.depot == depot), key=_due)
        href = scope.address("/rounds", Scope(chosen.fleet, depot))
        shut = [_shut(day, why, now_us, mine[0].timezone) for day, why in told.closed.get(depot, {}).items()]
        head = html.H3(dcc.Link(depot, href=href), className="today-bar-depot")
        lines = [
            html.Div(shut, className="today-bar-shut", **{"aria-hidden": "true"}),
            head,
            *(_bar(r, now_us) for r in mine),
        ]
        parts.append(html.Div(lines, className="today-bar-group"))
    zone = told.refills[0].timezone
    shown: list[Any] = [title, html.Div([*_axis(now_us, zone), *parts], className="today-calendar")]
    if told.refills_left:
        shown.append(
            html.P(
                trn(
                    "and {n} more vehicle; choose a depot to see it.",
                    "and {n} more vehicles; choose a depot to see them.",
                    told.refills_left,
                ),
                className="dim",
            )
        )
    return html.Section([*shown, *closed(told), *undated(told)], className="card")


def closed(told: Today) -> list[Any]:
    """On which of these days each depot is closed, in words; and of which depots nobody has said it."""
    depots = sorted({r.depot for r in told.refills})
    listed = [
        f"{depot}: {'; '.join(formatting.closing(one) for one in joined(told.closed[depot]))}."
        for depot in depots
        if told.closed.get(depot)
    ]
    unsaid = [depot for depot in depots if depot not in told.closed]
    out: list[Any] = [
        html.P([html.Span(className="today-swatch-shut", **{"aria-hidden": "true"}), text]) for text in listed
    ]
    if unsaid:
        out.append(
            html.P(
                tr("Closed days are not known of {depots}: a lead can enter them under Set-up.", depots=_few(unsaid))
            )
        )
    return [html.Div(out, className="small dim today-calendar-notes")] if out else []


def undated(told: Today) -> list[Any]:
    """Whose refill has no date, and why."""
    if not told.undated_number:
        return []
    number = told.undated_number
    left = number - len(told.undated)
    items = [html.Li([rows.link(r), html.Span(f" {_why_undated(r)}", className="dim")]) for r in told.undated]
    return [
        html.H3(
            trn("No refill date is known of {n} vehicle", "No refill date is known of {n} vehicles", number),
            className="today-depot-head",
        ),
        html.Ul(items, className="plain-list"),
        *([html.P(tr("and {left} more", left=left), className="dim")] if left else []),
    ]


def _why_undated(r: FleetRow) -> str:
    if r.heard_us is None:
        return tr("never heard")
    reason = r.detail.refill.reason if r.detail else None
    return told_in(reason) if reason else tr("not analysed yet")


def _few(names: Sequence[str]) -> str:
    """Some names in a sentence."""
    most = 3
    shown = [
        *names[:most],
        *([trn("{n} more depot", "{n} more depots", len(names) - most)] if len(names) > most else []),
    ]
    return shown[0] if len(shown) == 1 else tr("{names} and {last}", names=", ".join(shown[:-1]), last=shown[-1])


def _shut(day: date, why: str, now_us: int, zone: str) -> html.Div:
    left = (day - formatting.local(now_us, zone).date()).days
    title = formatting.closing(ClosedDays(day, day, why))
    shown = 0 <= left < CALENDAR_DAYS
    place = {"left": f"{left * _DAY_WIDTH:.2f}%", "width": f"{_DAY_WIDTH:.2f}%"}
    return html.Div(className="today-shut", style=place if shown else {"display": "none"}, title=title)


_DAY_WIDTH: Final = 100 / CALENDAR_DAYS  # percent


def _due(r: FleetRow) -> int:
    return (r.detail.refill.due_early_us or 0) if r.detail else 0


def _place(at_us: int, now_us: int, zone: str) -> float:
    """Where a time stands, in days since the midnight before now."""
    begun = formatting.local(now_us, zone)
    return (begun.hour + begun.minute / 60) / 24 + (at_us - now_us) / DAY_US


def _axis(now_us: int, zone: str) -> list[Any]:
    """Mondays by name, weekends shaded, and where now is."""
    first = formatting.local(now_us, zone).date()
    days = [first + timedelta(days=n) for n in range(CALENDAR_DAYS)]
    names = [
        html.Span(cldr.day_of_year(day), style={"left": f"{n * _DAY_WIDTH:.2f}%"})
        for n, day in enumerate(days[:-2])
        if day.weekday() == 0
    ]
    shades = [
        html.Div(className="today-weekend", style={"left": f"{n * _DAY_WIDTH:.2f}%", "width": f"{_DAY_WIDTH:.2f}%"})
        for n, day in enumerate(days)
        if day.weekday() >= 5
    ]
    now = html.Div(className="today-now", style={"left": f"{_place(now_us, now_us, zone) * _DAY_WIDTH:.2f}%"})
    hidden = {"aria-hidden": "true"}
    return [
        html.Div(names, className="today-bar-days", **hidden),
        html.Div([*shades, now], className="today-bar-ground", **hidden),
    ]


def _bar(r: FleetRow, now_us: int) -> html.Div:
    refill = r.detail.refill if r.detail else None
    begin = _place(_due(r), now_us, r.timezone)
    late_us = refill.due_late_us if refill else None
    end = CALENDAR_DAYS if late_us is None else _place(late_us, now_us, r.timezone)
    left = min(max(begin, 0.0), CALENDAR_DAYS - 0.5)
    right = min(max(end, left + 0.5), CALENDAR_DAYS)
    sort = {"due": "due", "soon": "soon"}.get(refill.state if refill else "", "later")
    words = f"{r.unit}: {rows.refill_words(r)}"
    place = {"left": f"{left * _DAY_WIDTH:.2f}%", "width": f"{(right - left) * _DAY_WIDTH:.2f}%"}
    drawn = html.Div(
        className=f"today-bar-of today-bar-{sort}", style=place, role="img", title=words, **{"aria-label": words}
    )
    return html.Div(
        [html.Div(rows.link(r), className="today-bar-name"), html.Div(drawn, className="today-bar-field")],
        className="today-bar-row",
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
        parts.append(html.P(tr("No line is on its way to a finding."), className="dim"))
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
