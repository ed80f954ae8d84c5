"""Who needs somebody today and what for, worst first; then who is next."""

from collections.abc import Sequence
from typing import Any
from urllib.parse import quote, urlencode
from zlib import crc32

import dash
import dash_mantine_components as dmc
from dash import Input, Output, State, callback, dcc, html

from analytics.kinds import FINDING_KINDS, SEVERITIES
from analytics.pipeline.vehicle_summary import PRIORITIES
from analytics.vehicle.line_conditions import LineCondition, LineState
from analytics.vehicle.refill import Refill
from dashboard import components, formatting
from dashboard.exports import csv
from dashboard.queries import fleet
from dashboard.queries.fleet import FleetRow, FleetView
from dashboard.tokens import LINE_MARKS
from dashboard.web.app import REFRESH_MS, engine
from ingest import times

dash.register_page(__name__, path="/", name="Fleet", title="Fleet", in_menu=True, order=0)

AXIS_DAYS = 28
_SORTS = {
    "need": "Most urgent first", "refill": "Next refill first", "level": "Lowest level first", "unit": "By name",
    "heard": "Longest silent first",
}  # fmt: skip


def layout(**asked: Any) -> html.Div:
    """The page for the filters in the address."""
    chosen = {name: str(asked.get(name) or "") for name in ("depot", "class", "need", "search", "sort", "page")}
    chosen["need"] = chosen["need"] if chosen["need"] in PRIORITIES else ""
    chosen["sort"] = chosen["sort"] if chosen["sort"] in fleet.SORTS else ""
    view = _view(chosen)
    return html.Div(
        [
            dcc.Store(id="fleet-chosen", data=chosen),
            dcc.Store(id="fleet-seen", data=_seen(view)),
            dcc.Location(id="fleet-location", refresh=False),
            dcc.Interval(id="fleet-tick", interval=REFRESH_MS),
            dcc.Download(id="fleet-file"),
            html.H1("Fleet"),
            html.Div(
                [
                    dmc.Select(
                        id="fleet-depot", value=chosen["depot"], data=components.one_or_all("All depots", view.depots),
                        allowDeselect=False, w=200, **{"aria-label": "Depot"},
                    ),
                    dmc.Select(
                        id="fleet-class", value=chosen["class"], data=components.one_or_all("All classes", view.classes),
                        allowDeselect=False, w=170, **{"aria-label": "Class"},
                    ),
                    dmc.TextInput(id="fleet-search", value=chosen["search"], placeholder="Unit, point or finding", debounce=400, w=220,
                                  **{"aria-label": "Search"}),
                    dmc.Select(
                        id="fleet-sort", value=chosen["sort"] or "need", allowDeselect=False, w=250,
                        data=[{"value": name, "label": text} for name, text in _SORTS.items()], **{"aria-label": "Order"},
                    ),
                    dmc.Button("CSV", id="fleet-csv", variant="default"),
                ],
                className="filters",
            ),
            html.Div(body(view, chosen, times.now_us()), id="fleet-body"),
        ]
    )  # fmt: skip


def _view(chosen: dict[str, str]) -> FleetView:
    page = int(chosen["page"]) if chosen["page"].isdecimal() else 1
    return fleet.fleet(
        engine(), chosen["depot"], chosen["need"], chosen["search"], page, chosen["class"], chosen["sort"] or "need"
    )


def _seen(view: FleetView) -> int:
    """A number that changes with whatever the page shows, and once a minute."""
    return crc32(repr((view, times.now_us() // 60_000_000)).encode())


def _address(chosen: dict[str, str], **changes: str) -> str:
    kept = {k: v for k, v in (chosen | {"page": "1"} | changes).items() if v and (k, v) != ("page", "1")}
    return f"/?{urlencode(kept)}" if kept else "/"


def body(view: FleetView, chosen: dict[str, str], now_us: int) -> list[Any]:
    """Totals and rows."""
    if not any(view.totals.values()) and not (chosen["depot"] or chosen["class"] or chosen["search"]):
        return [
            dmc.Alert(
                "Register vehicles and their line lists with: tallow register DIR. After an upgrade: tallow analyse.",
                title="No vehicles yet",
                color="gray",
            )
        ]
    out: list[Any] = [html.Div([_total(name, view, chosen) for name in PRIORITIES], className="totals")]
    if view.unregistered:
        text = f"{view.unregistered} more vehicles are sending but are not registered; nothing can be said of them yet."
        out.append(html.P(text, className="dim"))
    if not view.rows:
        out.append(html.P("No vehicle matches.", className="dim"))
        return out
    heads = ("Vehicle", "Reason", "Lines", "Grease", f"Refill, next {AXIS_DAYS} days", "Cycles, 7 days", "Last heard")
    table = components.table(heads, [row(r, now_us) for r in view.rows], "fleet")
    out += [components.cautions(), table]
    if view.pages > 1:
        near = sorted({1, view.pages, *range(max(1, view.page - 4), min(view.pages, view.page + 4) + 1)})
        steps = [
            dcc.Link(str(n), href=_address(chosen, page=str(n)), className="here" if n == view.page else "")
            for n in near
        ]
        out.append(html.Nav(["Page ", *steps], className="steps", **{"aria-label": "Pages"}))
    return out


def _total(name: str, view: FleetView, chosen: dict[str, str]) -> dcc.Link:
    here = chosen["need"] == name
    return dcc.Link(
        [html.Strong(str(view.totals[name])), components.need(name)],
        href=_address(chosen, need="" if here else name),
        className=f"total{' here' if here else ''}",
    )


def row(r: FleetRow, now_us: int) -> html.Tr:
    """One vehicle."""
    findings = r.detail.findings if r.detail else ()
    more = r.detail.open - len(findings) if r.detail else 0
    shown = [
        html.Div([html.Strong(f"{FINDING_KINDS[found.kind].title}: "), formatting.in_my_units(found.summary)])
        for found in findings
    ]
    if more:
        shown.append(html.Div(f"and {more} more", className="dim"))
    if r.waiting:
        text = f"{r.waiting} alarm{'s' * (r.waiting != 1)} not acknowledged"
        shown.append(html.Div(dcc.Link(text, href=f"/alarms?vehicle={r.fleet}/{r.vehicle}"), className="dim"))
    refill = r.detail.refill if r.detail else None
    soon = {"soon": "Refill soon.", "due": "Refill now."}.get(refill.state, "") if refill else ""
    if soon:
        shown.insert(len(findings), html.Div(soon))
    if not shown:
        shown = [html.Div(_without_findings(r), className="dim")]
    done, expected = r.detail.week if r.detail else (0, 0)
    online = "" if r.online is None else "online" if r.online else "offline"
    return html.Tr(
        [
            html.Td([dcc.Link(r.unit, href=f"/vehicle/{r.fleet}/{r.vehicle}", className="unit"),
                     html.Div(f"{r.vehicle} · {r.depot}", className="dim"), components.need(r.need)], className="cell-unit"),
            html.Td(shown, className="cell-what"),
            html.Td(strip(r.detail.lines if r.detail else ()), className="cell-strip"),
            html.Td(_grease(r, refill), className="cell-grease"),
            html.Td(_refill(refill, r.timezone, now_us), className="cell-refill", **{"data-head": "Refill"}),
            html.Td([html.Strong(f"{done} of {expected}")] if expected else html.Span("none due", className="dim"),
                    className="cell-cycles", **{"data-head": "Cycles, 7 days"}),
            html.Td([formatting.ago(r.heard_us, now_us), html.Div(online, className="dim")], className="cell-heard",
                    **{"data-head": "Last heard"}),
        ]
    )  # fmt: skip


def _without_findings(r: FleetRow) -> str:
    """What is said of a vehicle of which nothing is wrong so far."""
    if r.heard_us is None:
        return "Nothing was ever heard from it: nobody knows how it is."
    if r.detail is None:
        return "Not analysed yet."
    return "Nothing is known to be wrong, but no line is proven." if r.need == "not_proven" else "Nothing to do."


def strip(lines: Sequence[LineCondition]) -> html.Div:
    """The lines in the order of the line list, bundle by bundle: a mark each, taller where something is wrong with it, hatched where
    nothing is proven. One picture, since a page holds a thousand lines."""
    if not lines:
        return html.Div("not known yet", className="dim")
    drawn: dict[LineState, list[str]] = {}
    x, last = 4, lines[0].bundle
    for line in lines:
        x += 7 if line.bundle != last else 0
        last = line.bundle
        drawn.setdefault(line.state, []).append(f"M{x} 20v-{LINE_MARKS[line.state].height}")
        x += 7
    paths = ""
    for state, moves in drawn.items():
        mark = LINE_MARKS[state]
        hatch = " stroke-dasharray='2 2'" if mark.hatched else ""
        paths += f"<path stroke='{mark.colour}' stroke-width='{mark.width}'{hatch} d='{''.join(moves)}'/>"
    picture = f"<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 {x} 20' width='{x}' height='20'>{paths}</svg>"
    told = lines_in_words(lines)
    return html.Div(
        [html.Img(src=f"data:image/svg+xml,{quote(picture, safe=_PLAIN)}", alt=told, className="strip", height=20),
         html.Div(told, className="dim")]
    )  # fmt: skip


def lines_in_words(lines: Sequence[LineCondition]) -> str:
    """How many lines there are, which are in trouble, and of how many nothing is proven."""
    wrong = [x for x in lines if x.state in SEVERITIES and x.condition in FINDING_KINDS]
    every = len(wrong) == len(lines) > 1 and len({x.condition for x in wrong}) == 1
    if every:
        return f"all {len(lines)} lines: {FINDING_KINDS[wrong[0].condition].title.lower()}"
    parts = [f"line {x.line} {FINDING_KINDS[x.condition].title.lower()}" for x in wrong[:4]]
    parts += [f"{len(wrong) - 4} more in trouble"] if len(wrong) > 4 else []
    unproven = sum(x.state == "not_proven" for x in lines)
    parts += [f"{'all' if unproven == len(lines) else unproven} not proven"] if unproven else []
    return f"{len(lines)} lines" + (f": {', '.join(parts)}" if parts else "")


_PLAIN = " =:/'-"


def _grease(r: FleetRow, refill: Refill | None) -> list[Any]:
    level = refill.level_pct if refill else None
    out: list[Any] = [components.level_bar(level, r.low_mark_pct)]
    if refill is not None and level is not None and refill.litres_to_full is not None:
        room = refill.litres_to_full
        take = f"needs {formatting.litres(room)} of NLGI {r.nlgi}" if room >= 0.05 else "full"
        out.append(html.Div(f"{level:.0f} % · {take}", className="dim"))
    return out


def _refill(refill: Refill | None, timezone: str, now_us: int) -> list[Any]:
    if refill is None:
        return [html.Span("not known yet", className="dim")]
    if refill.state == "due":
        return [html.Strong("now")]
    early_us, late_us = refill.due_early_us, refill.due_late_us
    if early_us is None or refill.due_expected_us is None:
        return [html.Span(refill.reason or "not known yet", className="dim")]
    span = AXIS_DAYS * 86_400e6
    left = min(max(0.0, (early_us - now_us) / span), 1.0)
    right = min(1.0, ((late_us or early_us + span) - now_us) / span)
    text = formatting.window(early_us, late_us, timezone)
    bar = [
        html.Div(
            className="axis-band",
            style={"left": f"{100 * left:.1f}%", "width": f"{100 * max(right - left, 0.015):.1f}%"},
        )
    ]
    return [html.Div(bar if left < 1 else [], className="axis", **{"aria-hidden": "true"}), html.Div(text)]


@callback(
    Output("fleet-body", "children"),
    Output("fleet-seen", "data"),
    Input("fleet-tick", "n_intervals"),
    State("fleet-chosen", "data"),
    State("fleet-seen", "data"),
    prevent_initial_call=True,
)
def refresh(_: int, chosen: dict[str, str], seen: int) -> tuple[Any, Any]:
    """Show what is new, if anything is."""
    view = _view(chosen)
    now = _seen(view)
    return (dash.no_update, dash.no_update) if now == seen else (body(view, chosen, times.now_us()), now)


@callback(
    Output("fleet-body", "children", allow_duplicate=True),
    Output("fleet-seen", "data", allow_duplicate=True),
    Output("fleet-chosen", "data"),
    Output("fleet-location", "href"),
    Input("fleet-depot", "value"),
    Input("fleet-class", "value"),
    Input("fleet-search", "value"),
    Input("fleet-sort", "value"),
    State("fleet-chosen", "data"),
    prevent_initial_call=True,
)
def choose(
    depot: str | None, vehicle_class: str | None, search: str | None, sort: str | None, chosen: dict[str, str]
) -> Any:
    """Show what was chosen, and put it into the address, so that a view can be kept and shared; the fields stay as they are, and
    nothing that is being typed is lost."""
    sort = "" if sort == "need" else sort
    wanted = {"depot": depot or "", "class": vehicle_class or "", "search": search or "", "sort": sort or ""}
    if all(chosen[name] == value for name, value in wanted.items()):
        return [dash.no_update] * 4
    chosen = chosen | wanted | {"page": ""}
    view = _view(chosen)
    return body(view, chosen, times.now_us()), _seen(view), chosen, _address(chosen)


@callback(
    Output("fleet-file", "data"),
    Input("fleet-csv", "n_clicks"),
    State("fleet-chosen", "data"),
    prevent_initial_call=True,
)
def save(_: int, chosen: dict[str, str]) -> dict[str, Any]:
    """All vehicles of the view as a file."""
    view = _view(chosen)
    rows = [row for n in range(1, view.pages + 1) for row in _view(chosen | {"page": str(n)}).rows]
    return csv.as_file(csv.fleet_table(rows), "fleet", "fleet.csv")
