"""What was done to which vehicle, by whom: the history of work over all of them."""

from typing import Any, Final

import dash
import dash_mantine_components as dmc
from dash import Input, Output, State, callback, dcc, html

from dashboard import components, formatting
from dashboard.exports import csv
from dashboard.queries import scope, work
from dashboard.queries.scope import scope_of
from dashboard.queries.work import Away, WorkRow, WorkView
from dashboard.web.database import engine
from ingest.languages import later, tr, trn
from ingest.work import KINDS

dash.register_page(
    __name__, path="/work", name=later("Work"), title=lambda **_: tr("Work"), in_menu=True, order=3.5, icon="work"
)

_ASKED: Final = ("fleet", "depot", "vehicle", "kind", "page")


def layout(**asked: Any) -> html.Div:
    """The page for the filters in the address."""
    chosen = {name: str(asked.get(name) or "") for name in _ASKED}
    kinds = [
        {"value": "", "label": tr("Any work")},
        *({"value": name, "label": tr(told[0])} for name, told in KINDS.items()),
    ]
    return html.Div(
        [
            dcc.Store(id="work-chosen", data=chosen),
            dcc.Location(id="work-location", refresh=False),
            dcc.Download(id="work-file"),
            html.Div(
                [html.H1(tr("Work")), html.Div(components.page_menu([(tr("Save as CSV"), "work-csv")]), className="page-menu")],
                className="page-head",
            ),
            html.Div(
                [
                    dmc.TextInput(id="work-vehicle", value=chosen["vehicle"], placeholder=tr("Vehicle or unit"), debounce=400, w=220,
                                  **{"aria-label": tr("Vehicle or unit")}),
                    dmc.Select(
                        id="work-of-kind", value=chosen["kind"] if chosen["kind"] in KINDS else "", data=kinds, allowDeselect=False,
                        w=240, **{"aria-label": tr("What was done")},
                    ),
                ],
                className="filters",
            ),
            *not_in_use(work.away(engine(), scope_of(chosen))),
            html.Div(body(_view(chosen), chosen), id="work-body"),
        ]
    )  # fmt: skip


def not_in_use(found: list[Away]) -> list[Any]:
    """Whom people recorded as laid up, in the workshop or sold, and the way to take it back: in no other list are those that are sold."""
    if not found:
        return []
    lines = [
        html.Tr(
            [html.Td(dcc.Link(one.unit, href=f"/vehicle/{one.fleet}/{one.vehicle}#work")), html.Td(one.depot),
             html.Td(tr(one.work.title)), html.Td(formatting.moment(one.work.at_us, one.timezone, with_zone=True)),
             html.Td(one.work.by)]
        )
        for one in found
    ]  # fmt: skip
    heads = (tr("Vehicle"), tr("Depot"), tr("What was recorded"), tr("Since"), tr("By"))
    number = trn("{n} vehicle is not in use", "{n} vehicles are not in use", len(found))
    back = tr("Their alarms are hidden meanwhile. If one is in use after all, open it and record “Back in use”.")
    inside = [html.Summary(number), html.P(back, className="dim"), components.table(heads, lines, "plain-wrap")]
    return [html.Details(inside, className="card work-not-in-use", **{"data-keep": "work-not-in-use"})]


def _view(chosen: dict[str, str]) -> WorkView:
    page = min(int(chosen["page"]), 100_000) if chosen["page"].isdecimal() and int(chosen["page"]) else 1
    return work.work(engine(), scope_of(chosen), chosen["vehicle"], chosen["kind"], page)


def _address(chosen: dict[str, str], page: int = 1) -> str:
    return scope.address(
        "/work", scope_of(chosen), vehicle=chosen["vehicle"], kind=chosen["kind"], page=str(page) if page > 1 else ""
    )


def body(view: WorkView, chosen: dict[str, str]) -> list[Any]:
    """The records, and the way to earlier ones."""
    if not view.rows:
        if not any(chosen.values()):
            said = tr("Nothing is recorded yet. Work is recorded on a vehicle's page.")
            return [html.Div([html.P(said), dcc.Link(tr("To the fleet"), href="/fleet")], className="card empty")]
        clear = dcc.Link(
            tr("Clear the filters"),
            href=_address(dict.fromkeys(_ASKED, "") | {k: chosen[k] for k in ("fleet", "depot")}),
        )
        return [html.Div([html.P(tr("No work matches.")), clear], className="card empty")]
    heads = (tr("When"), tr("Vehicle"), tr("Depot"), tr("What was done"), tr("By"), tr("Remarks"))
    table = components.table(heads, [_row(one) for one in view.rows], "work-history")
    steps = []
    if view.page > 1:
        steps.append(dcc.Link(tr("Later"), href=_address(chosen, view.page - 1)))
    if view.more:
        steps.append(dcc.Link(tr("Earlier"), href=_address(chosen, view.page + 1)))
    paging = [html.Nav(steps, className="steps", **{"aria-label": tr("Pages")})] if steps else []
    return [html.Div(table, className="card card-table"), *paging]


def _row(one: WorkRow) -> html.Tr:
    done = "; ".join([tr(one.work.title), *formatting.work_details(one.work)])
    pictures = sum(said.size is not None for said in one.remarks)
    said = [text for text in (trn("{n} remark", "{n} remarks", len(one.remarks)) if one.remarks else "",
                              tr("{pictures} with a photo", pictures=pictures) if pictures else "") if text]  # fmt: skip
    address = f"/vehicle/{one.fleet}/{one.vehicle}"
    return html.Tr(
        [
            html.Td(formatting.moment(one.work.at_us, one.timezone, with_zone=True), className="no-wrap"),
            html.Td(dcc.Link(one.unit, href=address)),
            html.Td(one.depot, **{"data-head": tr("Depot")}),
            html.Td(done if one.stands else html.Del(done)),
            html.Td(one.work.by, **{"data-head": tr("By")}),
            html.Td(dcc.Link(", ".join(said), href=f"{address}#work") if said else ""),
        ]
    )


@callback(
    Output("work-body", "children"),
    Output("work-location", "href"),
    Output("work-chosen", "data"),
    Input("work-vehicle", "value"),
    Input("work-of-kind", "value"),
    State("work-chosen", "data"),
    prevent_initial_call=True,
)
def show(vehicle: str | None, kind: str | None, before: dict[str, str]) -> Any:
    """The chosen records; the address holds the choice."""
    chosen = before | {"vehicle": str(vehicle or ""), "kind": str(kind or ""), "page": ""}
    return body(_view(chosen), chosen), _address(chosen), chosen


@callback(
    Output("work-file", "data"), Input("work-csv", "n_clicks"), State("work-chosen", "data"), prevent_initial_call=True
)
def save(clicks: int | None, chosen: dict[str, str]) -> Any:
    """All records of the choice as a file, the latest first."""
    if not clicks:
        return dash.no_update
    view = work.work(engine(), scope_of(chosen), chosen["vehicle"], chosen["kind"], page_rows=work.MOST_ROWS)
    return csv.as_file(csv.work_table(view.rows), "at", "work.csv")
