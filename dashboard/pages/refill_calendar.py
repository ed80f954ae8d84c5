"""The next four weeks of refills on the first page: a bar a vehicle on one axis, closed days, and what nothing is known of."""

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any, Final

from dash import dcc, html

from analytics.planning.closed_days import ClosedDays, joined
from dashboard import formatting, rows
from dashboard.queries import scope
from dashboard.queries.fleet import FleetRow
from dashboard.queries.scope import Scope
from dashboard.queries.today import CALENDAR_DAYS, Today
from ingest.languages import cldr, tr, trn
from ingest.languages.saying import told as told_in
from ingest.times import DAY_US


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
