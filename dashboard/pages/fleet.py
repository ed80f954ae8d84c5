"""Who needs somebody today and what for, worst first; then who is next."""

from datetime import datetime
from typing import Any
from urllib.parse import urlencode

import dash
import dash_mantine_components as dmc
from dash import Input, Output, State, callback, dcc, html

from analytics.findings import KINDS
from dashboard import parts, queries, words
from dashboard.app import REFRESH_MS, engine
from dashboard.queries import FleetRow, FleetView
from ingest.messages import microseconds

dash.register_page(__name__, path="/", name="Fleet", title="Fleet", in_menu=True, order=0)

AXIS_DAYS = 28


def layout(depot: str = "", need: str = "", search: str = "", page: str = "1", **_: Any) -> html.Div:
    """The page for the filters in the address."""
    chosen = {"depot": depot, "need": need if need in queries.NEEDS else "", "search": search, "page": page}
    view = _view(chosen)
    return html.Div(
        [
            dcc.Store(id="fleet-chosen", data=chosen),
            dcc.Location(id="fleet-location", refresh="callback-nav"),
            dcc.Interval(id="fleet-tick", interval=REFRESH_MS),
            html.H1("Fleet"),
            html.Div(
                [
                    dmc.Select(
                        id="fleet-depot", value=depot, data=[{"value": "", "label": "All depots"}]
                        + [{"value": name, "label": name} for name in view.depots],
                        allowDeselect=False, w=200, **{"aria-label": "Depot"},
                    ),
                    dmc.TextInput(id="fleet-search", value=search, placeholder="Unit, vehicle or class", debounce=400, w=220,
                                  **{"aria-label": "Search"}),
                ],
                className="filters",
            ),
            html.Div(body(view, chosen, queries.now_us()), id="fleet-body"),
        ]
    )  # fmt: skip


def _view(chosen: dict[str, str]) -> FleetView:
    page = int(chosen["page"]) if chosen["page"].isdecimal() else 1
    return queries.fleet(engine(), chosen["depot"], chosen["need"], chosen["search"], page)


def _address(chosen: dict[str, str], **changes: str) -> str:
    kept = {k: v for k, v in (chosen | {"page": "1"} | changes).items() if v and (k, v) != ("page", "1")}
    return f"/?{urlencode(kept)}" if kept else "/"


def body(view: FleetView, chosen: dict[str, str], now_us: int) -> list[Any]:
    """Totals and rows."""
    if not any(view.totals.values()) and not chosen["depot"] and not chosen["search"]:
        return [
            dmc.Alert(
                "Register vehicles and their call-out sheets with: tallow register DIR",
                title="No vehicles yet",
                color="gray",
            )
        ]
    out: list[Any] = [html.Div([_total(name, view, chosen) for name in queries.NEEDS], className="totals")]
    if view.unregistered:
        text = f"{view.unregistered} more vehicles are sending but are not registered; nothing can be said of them yet."
        out.append(html.P(text, className="dim"))
    if not view.rows:
        out.append(html.P("No vehicle matches.", className="dim"))
        return out
    heads = ("Vehicle", "What for", "Grease", f"Refill, next {AXIS_DAYS} days", "Cycles, 7 days", "Last heard")
    table = parts.table(heads, [row(r, now_us) for r in view.rows], "fleet")
    out.append(table)
    if view.pages > 1:
        steps = [
            dcc.Link(str(n), href=_address(chosen, page=str(n)), className="here" if n == view.page else "")
            for n in range(1, view.pages + 1)
        ]
        out.append(html.Nav(["Page ", *steps], className="steps", **{"aria-label": "Pages"}))
    return out


def _total(name: str, view: FleetView, chosen: dict[str, str]) -> dcc.Link:
    here = chosen["need"] == name
    return dcc.Link(
        [html.Strong(str(view.totals[name])), parts.need(name)],
        href=_address(chosen, need="" if here else name),
        className=f"total{' here' if here else ''}",
    )


def row(r: FleetRow, now_us: int) -> html.Tr:
    """One vehicle."""
    shown = [html.Div([html.Strong(f"{KINDS[f.kind].title}: "), f.summary]) for f in r.findings[:3]]
    if len(r.findings) > 3:
        shown.append(html.Div(f"and {len(r.findings) - 3} more", className="dim"))
    refill = r.refill or {}
    if not shown:
        soon = {"soon": "Refill within a week.", "due": "Refill now."}.get(str(refill.get("state")), "")
        shown = [
            html.Div(soon or ("Nothing to do." if r.refill else "Not analysed yet."), className="" if soon else "dim")
        ]
    done, expected = r.week
    online = "" if r.online is None else "online" if r.online else "offline"
    return html.Tr(
        [
            html.Td([dcc.Link(r.unit, href=f"/vehicle/{r.fleet}/{r.vehicle}", className="unit"),
                     html.Div(f"{r.vehicle} · {r.depot}", className="dim"), parts.need(r.need)], className="cell-unit"),
            html.Td(shown, className="cell-what"),
            html.Td(_grease(r, refill), className="cell-grease"),
            html.Td(_refill(r, refill, now_us), className="cell-refill", **{"data-head": "Refill"}),
            html.Td([html.Strong(f"{done} of {expected}")] if expected else html.Span("none due", className="dim"),
                    className="cell-cycles", **{"data-head": "Cycles, 7 days"}),
            html.Td([words.ago(r.heard_us, now_us), html.Div(online, className="dim")], className="cell-heard",
                    **{"data-head": "Last heard"}),
        ]
    )  # fmt: skip


def _grease(r: FleetRow, refill: dict[str, Any]) -> list[Any]:
    level = refill.get("level_pct")
    out: list[Any] = [parts.level_bar(level, r.low_mark_pct)]
    if level is not None:
        room = refill["litres_to_full"]
        take = f"takes {words.litres(room)} of NLGI {r.nlgi}" if room >= 0.05 else "full"
        out.append(html.Div(f"{level:.0f} % · {take}", className="dim"))
    return out


def _refill(r: FleetRow, refill: dict[str, Any], now_us: int) -> list[Any]:
    if refill.get("state") == "due":
        return [html.Strong("now")]
    if r.due_early_us is None or refill.get("due_expected") is None:
        return [html.Span(refill.get("reason") or "not known yet", className="dim")]
    late = refill["due_late"]
    late_us = None if late is None else microseconds(datetime.fromisoformat(late))
    span = AXIS_DAYS * 86_400e6
    left = min(max(0.0, (r.due_early_us - now_us) / span), 1.0)
    right = min(1.0, ((late_us or r.due_early_us + span) - now_us) / span)
    text = words.window(r.due_early_us, late_us, r.timezone)
    bar = [
        html.Div(
            className="axis-band",
            style={"left": f"{100 * left:.1f}%", "width": f"{100 * max(right - left, 0.015):.1f}%"},
        )
    ]
    ticks = [html.Div(className="axis-tick", style={"left": f"{25 * n}%"}) for n in range(1, 4)]
    return [html.Div([*ticks, *(bar if left < 1 else [])], className="axis", **{"aria-hidden": "true"}), html.Div(text)]


@callback(
    Output("fleet-body", "children"),
    Input("fleet-tick", "n_intervals"),
    State("fleet-chosen", "data"),
    prevent_initial_call=True,
)
def refresh(_: int, chosen: dict[str, str]) -> list[Any]:
    """Show what is new."""
    return body(_view(chosen), chosen, queries.now_us())


@callback(
    Output("fleet-location", "href"),
    Input("fleet-depot", "value"),
    Input("fleet-search", "value"),
    State("fleet-chosen", "data"),
    prevent_initial_call=True,
)
def choose(depot: str | None, search: str | None, chosen: dict[str, str]) -> Any:
    """Put the filters into the address, so that a view can be kept and shared."""
    if (depot or "", search or "") == (chosen["depot"], chosen["search"]):
        return dash.no_update
    return _address(chosen, depot=depot or "", search=search or "")
