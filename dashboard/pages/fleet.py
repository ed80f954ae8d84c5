"""Every vehicle in one line, most urgent first; healthy ones are counted; what was filtered can be kept and shared."""

from collections.abc import Mapping
from typing import Any, Final
from zlib import crc32

import dash
import dash_mantine_components as dmc
from dash import ALL, ClientsideFunction, Input, Output, State, callback, clientside_callback, ctx, dcc, html

from analytics.kinds import FINDING_KINDS
from analytics.pipeline.vehicle_summary import PRIORITIES
from dashboard import accounts, components, formatting, rows
from dashboard.exports import csv
from dashboard.exports import prices as money
from dashboard.queries import fleet, saved_views, scope
from dashboard.queries.fleet import FleetRow, FleetView
from dashboard.queries.scope import scope_of
from dashboard.web.database import engine
from dashboard.web.frame import REFRESH_MS
from ingest import times
from ingest.errors import Problem
from ingest.languages import Words, later, tr, trn
from ingest.times import DAY_US

dash.register_page(
    __name__, path="/fleet", name=later("Fleet"), title=lambda **_: tr("Fleet"), in_menu=True, order=1, icon="fleet"
)

_ASKED: Final = ("fleet", "depot", "class", "need", "kind", "search", "sort", "page")
_TICK_MS: Final = 1_000  # a look that finds nothing new costs one short query
_SORTS: Final = Words({
    "need": later("Most urgent first"), "refill": later("Next refill first"), "level": later("Lowest level first"),
    "unit": later("By name"), "heard": later("Longest silent first"),
})  # fmt: skip


def layout(**asked: Any) -> html.Div:
    """The page for the filters in the address."""
    chosen = {name: str(asked.get(name) or "") for name in _ASKED}
    chosen["need"] = chosen["need"] if chosen["need"] in PRIORITIES else ""
    chosen["kind"] = chosen["kind"] if chosen["kind"] in FINDING_KINDS else ""
    chosen["sort"] = chosen["sort"] if chosen["sort"] in (*fleet.SORTS, fleet.MONEY) else ""
    view = _view(chosen)
    return html.Div(
        [
            dcc.Store(id="fleet-chosen", data=chosen),
            dcc.Store(id="fleet-seen", data=_seen(view)),
            dcc.Location(id="fleet-location", refresh=False),
            dcc.Store(id="fleet-newest", data=fleet.newest_us(engine())),
            dcc.Interval(id="fleet-tick", interval=_TICK_MS),
            dcc.Download(id="fleet-file"),
            components.page_head(
                tr("Fleet"),
                [(tr("Save as CSV"), "fleet-csv")],
                dmc.Button(tr("Filters"), id="fleet-unfold", variant="default", className="phone-only"),
                _views(),
            ),
            html.Div(_filters(chosen, view), id="fleet-filters", className="filters fleet-folded"),
            html.Div(body(view, chosen, times.now_us()), id="fleet-body"),
        ]
    )


def _filters(chosen: dict[str, str], view: FleetView) -> list[Any]:
    kinds = [{"value": name, "label": kind.title} for name, kind in FINDING_KINDS.items()]
    return [
        dmc.TextInput(
            id="fleet-search", value=chosen["search"], placeholder=tr("Unit, point or finding"), debounce=400, w=220,
            **{"aria-label": tr("Search")},
        ),
        dmc.Select(
            id="fleet-kind", value=chosen["kind"], data=[{"value": "", "label": tr("Any finding")}, *kinds], allowDeselect=False,
            searchable=True, w=200, **{"aria-label": tr("Finding")},
        ),
        dmc.Select(
            id="fleet-class", value=chosen["class"], data=components.one_or_all(tr("All classes"), view.classes),
            allowDeselect=False, w=170, **{"aria-label": tr("Class")},
        ),
        dmc.Select(
            id="fleet-sort", value=chosen["sort"] or "need", allowDeselect=False, w=210,
            data=[{"value": name, "label": text} for name, text in _sorts(view).items()], **{"aria-label": tr("Order")},
        ),
    ]  # fmt: skip


def _sorts(view: FleetView) -> Mapping[str, str]:
    return _SORTS if view.at_risk is None else {**_SORTS, fleet.MONEY: tr("Most money at risk first")}


def _view(chosen: dict[str, str]) -> FleetView:
    page = int(chosen["page"]) if chosen["page"].isdecimal() else 1
    return fleet.fleet(
        engine(), chosen["depot"], chosen["need"], chosen["search"], page, chosen["class"], chosen["sort"] or "need",
        fleet_name=chosen["fleet"], kind=chosen["kind"], fold=_folds(chosen),
    )  # fmt: skip


def _folds(chosen: dict[str, str]) -> bool:
    """Whether those that need nothing are only counted: not where somebody looks for one, or sorts all of them otherwise."""
    return not (chosen["need"] or chosen["search"] or chosen["kind"] or chosen["sort"])


def _seen(view: FleetView) -> int:
    """A number that changes with whatever the page shows, and once a minute."""
    return crc32(repr((view, times.now_us() // 60_000_000)).encode())


def _address(chosen: dict[str, str], **changes: str) -> str:
    kept = {k: v for k, v in (chosen | {"page": "1"} | changes).items() if (k, v) != ("page", "1")}
    return scope.address("/fleet", scope_of({}), **kept)


def body(view: FleetView, chosen: dict[str, str], now_us: int) -> list[Any]:
    """Totals and rows."""
    narrowed = any(chosen[name] for name in _ASKED if name not in ("sort", "page"))
    if not any(view.totals.values()) and not narrowed:
        return [components.first_steps()]
    out: list[Any] = [html.Nav(_totals(view, chosen), className="fleet-totals", **{"aria-label": tr("What they need")})]
    if view.unregistered:
        text = trn(
            "{n} more vehicle is sending but is not registered; nothing can be said of it yet.",
            "{n} more vehicles are sending but are not registered; nothing can be said of them yet.",
            view.unregistered,
        )
        out.append(html.P(text, className="dim"))
    if not view.rows and not (view.totals["none"] and _folds(chosen)):
        clear = dcc.Link(
            tr("Clear the filters"),
            href=_address(dict.fromkeys(_ASKED, "") | {k: chosen[k] for k in ("fleet", "depot")}),
        )
        return [*out, html.Div([html.P(tr("No vehicle matches.")), clear], className="card empty")]
    heads = (
        "",
        tr("Vehicle"),
        tr("Reason"),
        tr("Lines"),
        tr("Level, needs"),
        tr("Refill"),
        tr("Cycles, 7 d"),
        tr("Heard"),
        *([] if view.at_risk is None else [tr("At risk")]),
    )
    shown = _grouped(view, now_us) if not chosen["sort"] else [row(r, now_us, _money(view, r)) for r in view.rows]
    if _folds(chosen) and view.totals["none"]:
        number = view.totals["none"]
        text = trn("{n} vehicle needs nothing", "{n} vehicles need nothing", number)
        if view.folded_us is not None and now_us - view.folded_us > DAY_US:  # nobody knows what they need now
            text = trn(
                "{n} vehicle needed nothing when it was last analysed ({ago})",
                "{n} vehicles needed nothing when they were last analysed (the first of them {ago})",
                number,
                ago=formatting.ago(view.folded_us, now_us),
            )
        link = dcc.Link(tr("Show them"), href=_address(chosen, need="none"))
        shown.append(
            html.Tr(
                html.Td([rows.mark("none"), " ", text, " · ", link], colSpan=len(heads)), className="fleet-folded-row"
            )
        )
    out += [
        components.cautions(),
        html.Div(
            components.table(heads, shown, "fleet" if view.at_risk is None else "fleet fleet-with-money"),
            className="card card-table",
        ),
    ]
    out += [html.P(money.model(), className="dim small")] if view.at_risk is not None else []
    return [*out, *components.paging(view.page, fleet.PAGE_ROWS, view.found, lambda n: _address(chosen, page=str(n)))]


def _money(view: FleetView, r: FleetRow) -> str | None:
    """The money at risk on a vehicle in words; None where there are no prices."""
    return None if view.at_risk is None else money.at_risk(view.at_risk.get((r.fleet, r.vehicle)), view.currency)


def _totals(view: FleetView, chosen: dict[str, str]) -> list[Any]:
    every = dcc.Link(
        [html.Span(tr("All")), html.Strong(str(sum(view.totals.values())))], href=_address(chosen, need=""),
        className=f"fleet-total{'' if chosen['need'] else ' here'}",
    )  # fmt: skip
    return [every, *(_total(name, view, chosen) for name in PRIORITIES if view.totals[name] or chosen["need"] == name)]


def _total(name: str, view: FleetView, chosen: dict[str, str]) -> dcc.Link:
    here = chosen["need"] == name
    return dcc.Link(
        [rows.mark(name), html.Span(formatting.NEED_WORDS[name]), html.Strong(str(view.totals[name]))],
        href=_address(chosen, need="" if here else name), className=f"fleet-total{' here' if here else ''}",
    )  # fmt: skip


def _grouped(view: FleetView, now_us: int) -> list[Any]:
    """Rows below what they have in common, which is said once."""
    out: list[Any] = []
    last = None
    for r in view.rows:
        group = r.need, rows.critical(r)
        if group != last:
            out.append(rows.group(group[0], group[1], 8 if view.at_risk is None else 9))
            last = group
        out.append(row(r, now_us, _money(view, r), told_above=True))
    return out


def row(r: FleetRow, now_us: int, at_risk: str | None = None, *, told_above: bool = False) -> html.Tr:
    """One vehicle; what steering and brakes may be in need of is said in short where the row's group says it in full."""
    done, expected = r.detail.week if r.detail else (0, 0)
    week = tr("none due") if r.controller else "–"
    if r.controller and not r.heard_this_week(now_us):
        week, done, expected = tr("not known"), 0, 0
    if expected:
        week = tr("{done} of {expected}", done=done, expected=expected)
    strip = rows.strip(r.detail.lines if r.detail else ()) if r.controller else "–"
    heard = formatting.ago(r.heard_us, now_us) if r.controller else tr("no controller")
    undated = r.detail is not None and r.detail.refill.due_expected_us is None and r.detail.refill.state != "due"
    why = "fleet-cell-refill-why" if r.controller and undated else ""
    online = {True: tr("online"), False: tr("offline")}.get(r.online) if r.online is not None else None
    return html.Tr(
        [
            html.Td(rows.mark(r.need), className="fleet-cell-need"),
            html.Td([rows.link(r), html.Div(f"{r.vehicle} · {r.depot}", className="small dim")], className="fleet-cell-unit"),
            html.Td(_reason(r, told_above), className="fleet-cell-what"),
            html.Td(strip, className="fleet-cell-strip", **{"data-head": tr("Lines")}),
            html.Td(rows.level(r), className="fleet-cell-level", **{"data-head": tr("Level")}),
            html.Td(html.Span(rows.refill_words(r), className=why), className="fleet-cell-refill", **{"data-head": tr("Refill")}),
            html.Td(
                week, className=f"num fleet-cell-cycles{'' if done == expected else ' state-plan'}",
                **{"data-head": tr("7 days")},
            ),
            html.Td(heard, className="num", title=online, **{"data-head": tr("Heard")}),
            *([] if at_risk is None else [html.Td(at_risk, className="num", **{"data-head": tr("At risk")})]),
        ]
    )  # fmt: skip


def _reason(r: FleetRow, told_above: bool) -> list[Any]:
    """In a few words; in sentences on opening."""
    findings = r.detail.findings if r.detail else ()
    more = (r.detail.open if r.detail else 0) - 1
    beside = [
        tr("{more} more", more=more) if more > 0 else "",
        tr("{waiting} unacknowledged", waiting=r.waiting) if r.waiting else "",
    ]
    told = " · ".join(text for text in beside if text)
    if not findings:
        beside_it = [html.Div(told, className="small dim")] if told else []
        return [rows.without_findings(r), *rows.critical_hand(r), *beside_it]
    warning: list[Any] = []
    if rows.critical(r):
        words = tr(rows.CRITICAL_IN_SHORT if told_above else rows.CRITICAL)
        warning = [html.Span(words, className="warns"), " · " if told else ""]
    sentences = [html.P(formatting.in_my_units(found.summary)) for found in findings]
    opened = html.Details(
        [html.Summary(rows.cause(findings[0])), *sentences], **{"data-keep": f"why {r.fleet}/{r.vehicle}"}
    )
    beside_it = [html.Div([*warning, told], className="small dim")] if warning or told else []
    return [opened, *rows.critical_hand(r), *beside_it]


# Views that somebody keeps -------------------------------------------------------------------------------------------


def _views() -> html.Details:
    inside = [
        html.Div(_view_links(), id="fleet-views"),
        dmc.TextInput(
            id="fleet-view-name",
            label=tr("Keep what is shown now as"),
            inputProps={"maxLength": saved_views.LONGEST_NAME},
        ),
        dmc.Button(tr("Save"), id="fleet-view-save", variant="default"),
        html.Div(id="fleet-view-told", role="status", className="small"),
    ]
    return components.disclosure(html.Summary(tr("Saved views"), className="button"), inside)


def _view_links() -> list[Any]:
    kept = saved_views.read_views(engine(), accounts.current_person.get())
    if not kept:
        return [html.P(tr("None yet. Filter the list, then keep it by a name."), className="dim")]
    return [
        html.Div(
            [dcc.Link(one.name, href=f"/fleet{one.query}"),
             html.Button(tr("remove"), id={"type": "fleet-view", "number": one.id}, className="quiet",
                         **{"aria-label": tr("remove {name}", name=one.name)})],
            className="fleet-view-line",
        )
        for one in kept
    ]  # fmt: skip


@callback(
    Output("fleet-views", "children"),
    Output("fleet-view-told", "children"),
    Output("fleet-view-name", "value"),
    Input("fleet-view-save", "n_clicks"),
    Input({"type": "fleet-view", "number": ALL}, "n_clicks"),
    State("fleet-view-name", "value"),
    State("fleet-chosen", "data"),
    prevent_initial_call=True,
)
def keep(_: int | None, clicks: list[int | None], name: str | None, chosen: dict[str, str]) -> Any:
    """Keep a view, or remove one."""
    asked, me = ctx.triggered_id, accounts.current_person.get()
    try:
        if asked == "fleet-view-save":
            saved_views.save(engine(), me, name or "", _address(chosen, page="1").removeprefix("/fleet"))
            return _view_links(), tr("Saved."), ""
        if isinstance(asked, dict) and any(clicks):
            saved_views.remove(engine(), me, int(asked["number"]))
            return _view_links(), tr("Removed."), dash.no_update
    except Problem as problem:
        return dash.no_update, tr("Not saved: {problem}.", problem=problem), dash.no_update
    return dash.no_update, dash.no_update, dash.no_update


clientside_callback(
    ClientsideFunction("tallow", "unfold"),
    Output("fleet-filters", "className"),
    Input("fleet-unfold", "n_clicks"),
    State("fleet-filters", "className"),
    prevent_initial_call=True,
)


@callback(
    Output("fleet-body", "children"),
    Output("fleet-seen", "data"),
    Output("fleet-newest", "data"),
    Input("fleet-tick", "n_intervals"),
    State("fleet-chosen", "data"),
    State("fleet-seen", "data"),
    State("fleet-newest", "data"),
    prevent_initial_call=True,
)
def refresh(tick: int | None, chosen: dict[str, str], seen: int, newest: int) -> Any:
    """Show what is new, if anything is: at once where a vehicle has new results, else as often as other pages look.

    The tick is None where the page was drawn anew between a tick and this."""
    newest_now = fleet.newest_us(engine())
    if newest_now == newest and (tick or 0) % (REFRESH_MS // _TICK_MS):
        return [dash.no_update] * 3
    view = _view(chosen)
    now = _seen(view)
    return (
        (dash.no_update, dash.no_update, newest_now)
        if now == seen
        else (body(view, chosen, times.now_us()), now, newest_now)
    )


@callback(
    Output("fleet-body", "children", allow_duplicate=True),
    Output("fleet-seen", "data", allow_duplicate=True),
    Output("fleet-chosen", "data"),
    Output("fleet-location", "href"),
    Input("fleet-kind", "value"),
    Input("fleet-class", "value"),
    Input("fleet-search", "value"),
    Input("fleet-sort", "value"),
    State("fleet-chosen", "data"),
    prevent_initial_call=True,
)
def choose(
    kind: str | None, vehicle_class: str | None, search: str | None, sort: str | None, chosen: dict[str, str]
) -> Any:
    """Show what was chosen, and put it into the address, so that a view can be kept and shared; the fields stay as they are, and
    nothing that is being typed is lost."""
    sort = "" if sort == "need" else sort
    wanted = {"kind": kind or "", "class": vehicle_class or "", "search": search or "", "sort": sort or ""}
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
    """All vehicles of the view as a file, those that are only counted on the page, too."""
    every = chosen | {"sort": chosen["sort"] or "need"}
    view = _view(every)
    views = [_view(every | {"page": str(n)}) for n in range(1, view.pages + 1)]
    found = [row for one in views for row in one.rows]
    lines = csv.fleet_table(found)
    if view.at_risk is not None:
        money_of = {key: one for v in views for key, one in (v.at_risk or {}).items()}
        lines = [line | {"money_at_risk": money.at_risk(money_of.get((r.fleet, r.vehicle)), view.currency)}
                 for line, r in zip(lines, found, strict=True)]  # fmt: skip
    return csv.as_file(lines, "fleet", "fleet.csv")
