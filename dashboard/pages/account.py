"""The account: was every point greased as planned, where not, and which points got least."""

import math
from collections.abc import Sequence
from datetime import date
from typing import Any

import dash
import dash_mantine_components as dmc
import pandas as pd
from dash import Input, Output, State, callback, dcc, html

from dashboard import accounts, components, formatting
from dashboard.exports import account as words
from dashboard.exports import csv
from dashboard.exports import prices as money
from dashboard.exports import wear as trend
from dashboard.figures import theme
from dashboard.figures.account import course
from dashboard.pages import found
from dashboard.queries import account
from dashboard.queries.account import WorstPoints
from dashboard.queries.fleet import MONEY
from dashboard.queries.found import verdicts
from dashboard.queries.scope import address, scope_of
from dashboard.queries.wear import Wearing, wearing
from dashboard.web.database import engine
from ingest import times
from ingest.languages import begun, cldr, later, tr

dash.register_page(
    __name__,
    path="/account",
    name=later("Account"),
    title=lambda **_: tr("Account"),
    in_menu=True,
    order=4.5,
    icon="account",
)

NOTHING = later(
    "Nothing is accounted for yet. Doses are counted when a vehicle is analysed: the watch does it within minutes, tallow analyse"
    " at once. A vehicle needs a line list, an interval, and messages with its cycles and ignition hours."
)


def layout(month: str = "", by: str = "depot", worst: str = "", **asked: Any) -> html.Div:
    """The page for the month, the scope, the grouping and the order of points in the address."""
    chosen = scope_of(asked)
    known, priced = account.months(engine(), chosen), account.priced_in(engine()) is not None
    return html.Div(
        [
            dcc.Location(id="account-location", refresh=False),
            dcc.Store(id="account-scope", data=chosen._asdict()),
            html.H1(tr("Account")),
            html.Div(
                [
                    dmc.Select(
                        id="account-month", label=tr("Month"), w=140, allowDeselect=False,
                        data=[{"value": one, "label": formatting.month(one)} for one in known],
                        value=month if month in known else (known[0] if known else None),
                    ),
                    dmc.Select(
                        id="account-by", label=tr("Compare by"), value=by if by in account.GROUPS else "depot", w=220, allowDeselect=False,
                        data=[{"value": key, "label": begun(tr(told[0]))} for key, told in account.GROUPS.items()],
                    ),
                    html.Div(
                        dmc.Select(
                            id="account-worst", label=tr("Points that got least, by"), w=220, allowDeselect=False,
                            value=MONEY if worst == MONEY and priced else "share",
                            data=[{"value": "share", "label": tr("Share of doses")}, {"value": MONEY, "label": tr("Money at risk")}],
                        ),
                        style={} if priced else {"display": "none"},
                    ),
                    dmc.Button(tr("Save as CSV"), id="account-csv", variant="default", mt=24),
                    dmc.Button(tr("Save worst points as CSV"), id="account-worst-csv", variant="default", mt=24),
                    dcc.Download(id="account-file"),
                ],
                className="filters",
            ),
            html.Div(components.pending(), id="account-body"),
        ]
    )  # fmt: skip


def body(
    trend: pd.DataFrame, weeks: pd.DataFrame, groups: pd.DataFrame, worst: list[WorstPoints], *,
    month: str, by: str, unknown: int, template: str, report: str, more: Sequence[Any] = (), currency: str | None = None,
) -> list[Any]:  # fmt: skip
    """The month's figure, its trend, a comparison, and the points that got least."""
    now = trend[trend["month"] == month]
    if not len(now):
        return [html.P(tr(NOTHING))]
    told, in_words = now.iloc[0], formatting.in_words(trend)
    weeks = weeks.assign(week=[formatting.day(date.fromisoformat(monday)) for monday in weeks["week"]])
    missing = (
        " " + tr("{number} more planned no dose: they stood, or nothing was heard of them.", number=unknown)
        if unknown
        else ""
    )
    return [
        components.section(
            tr("Greased as planned in {month}", month=formatting.month(month)),
            [
                html.P(html.Strong(words.headline(told)), className="total-figure"),
                html.P(words.doses(told) + missing),
                dcc.Graph(figure=course(in_words, "month", template), config={"displayModeBar": False}),
                _weeks(weeks, template),
                html.P(dcc.Link(tr("The month's report, to print"), href=report), className="steps"),
            ],
            tr(words.MEANING),
        ),
        components.section(
            tr("By {what}", what=tr(account.GROUPS[by][0])),
            html.Div(_group_table(groups, by), className="wide"),
            tr("The lowest first. The limits say how far a figure may lie from another month's or group's only because vehicles differ:"
            " where they overlap, little is proven."),
        ),
        components.section(
            tr("Points that got least"),
            html.Div(_worst_table(worst, currency), className="wide")
            if worst
            else html.P(tr("No dose is known not to have arrived.")),
            tr("By the share of planned doses that surely did not arrive. A day counts where at least one dose did not.")
            if currency is None
            else f"{tr('A day counts where at least one dose did not arrive. What is at risk is of now.')} {money.model()}",
        ),
        *more,
    ]  # fmt: skip


def _weeks(weeks: pd.DataFrame, template: str) -> html.Details:
    return html.Details(
        [
            html.Summary(tr("The latest weeks")),
            dcc.Graph(figure=course(weeks, "week", template), config={"displayModeBar": False}),
        ],
        **{"data-keep": "account-weeks"},
    )


def _group_table(groups: pd.DataFrame, by: str) -> html.Table:
    rows = [
        components.row(
            [tr(row["group"]) if by == "critical" else row["group"], words.percent(row), words.limits(row),
             cldr.grouped(row["planned"]), cldr.grouped(row["failed"]),
             cldr.grouped(row["not_proven"])],
            range(1, 6),
        )
        for row in groups.to_dict("records")
    ]  # fmt: skip
    heads = (
        begun(tr(account.GROUPS[by][0])),
        tr("Surely arrived"),
        tr("95 % limits"),
        tr("Planned"),
        tr("Surely not"),
        tr("Not proven"),
    )
    return components.table(heads, rows, "plain", range(1, 6))


def _worst_table(worst: list[WorstPoints], currency: str | None) -> html.Table:
    rows = [
        components.row(
            [dcc.Link(f"{one.unit} ({one.vehicle})", href=f"/vehicle/{one.fleet}/{one.vehicle}"), _share(one.failed_pct),
             _share(_down(one.arrived_pct)), str(one.failed_days), words.points(one), tr("steering or braking") if one.critical else "",
             *([] if currency is None else [money.at_risk(one.at_risk, currency)])],
            (1, 2, 3, 6),
        )
        for one in worst
    ]  # fmt: skip
    heads = (tr("Vehicle"), tr("Surely not"), tr("Surely arrived"), tr("Days"), tr("Points"), tr("What depends on it"))
    return components.table((*heads, *([] if currency is None else [tr("At risk")])), rows, "plain", (1, 2, 3, 6))


def _down(percent: float) -> float:
    return percent if percent < 1 else math.floor(percent)


def _share(percent: float) -> str:
    return tr("below 1 %") if 0 < percent < 1 else f"{cldr.decimal(percent, 0)} %"


def slowly_worse(told: list[Wearing]) -> Any:
    """Lines and pumps whose trend leads to a limit."""
    rows = [
        html.Tr(
            [html.Td(dcc.Link(f"{one.unit} ({one.vehicle})", href=f"/vehicle/{one.fleet}/{one.vehicle}")), html.Td(trend.where(one)),
             html.Td(trend.WHAT[one.trend.what]), html.Td(trend.in_1000_h(one.trend)), html.Td(trend.since(one.trend)),
             html.Td(trend.latest(one.trend)), html.Td(trend.passes(one))]
        )
        for one in told
    ]  # fmt: skip
    heads = (
        tr("Vehicle"),
        tr("Where"),
        tr("What"),
        tr("Change, 95 % limits"),
        tr("So far"),
        tr("Now"),
        tr("Expected to pass its limit"),
    )
    shown = (
        html.Div(components.table(heads, rows, "plain-wrap"), className="wide")
        if rows
        else html.P(tr("Nothing does, as far as is known."))
    )
    return components.section(tr("What gets worse slowly"), shown, tr(trend.MEANING))


@callback(
    Output("account-body", "children"),
    Output("account-location", "href"),
    Input("account-month", "value"),
    Input("account-by", "value"),
    Input("account-worst", "value"),
    Input("scheme-now", "data"),
    State("account-scope", "data"),
)
def show(month: str | None, by: str, worst: str, scheme: str | None, asked: dict[str, str]) -> tuple[list[Any], str]:
    """The chosen month; the address holds it."""
    chosen = scope_of(asked)
    if month is None:
        return [html.P(tr(NOTHING))], address("/account", chosen)
    shown = body(
        account.by_month(engine(), chosen, month),
        account.by_week(engine(), chosen),
        account.by_group(engine(), month, by, chosen),
        account.worst_points(engine(), month, chosen, by_money=worst == MONEY),
        month=month,
        by=by,
        unknown=account.without_doses(engine(), month, chosen),
        template=theme.template_of(scheme),
        more=[
            found.section(verdicts(engine(), chosen), times.now_us(), lead=accounts.current_person.get().may("lead")),
            slowly_worse(wearing(engine(), chosen)),
        ],
        report=address("/account/report", chosen, month=month),
        currency=account.priced_in(engine()),
    )
    return shown, address("/account", chosen, month=month, by=by, worst=worst if worst == MONEY else "")


@callback(
    Output("account-file", "data"),
    Input("account-csv", "n_clicks"),
    Input("account-worst-csv", "n_clicks"),
    State("account-month", "value"),
    State("account-by", "value"),
    State("account-scope", "data"),
    prevent_initial_call=True,
)
def save(_: int | None, __: int | None, month: str | None, by: str, asked: dict[str, str]) -> dict[str, Any]:
    """A table of the month as a file."""
    month, chosen = month or "", scope_of(asked)
    if dash.ctx.triggered_id == "account-worst-csv":
        rows = words.worst_table(account.worst_points(engine(), month, chosen), month, account.priced_in(engine()))
        return csv.as_file(rows, "month", f"worst-points-{month}.csv")
    return csv.as_file(
        words.group_table(account.by_group(engine(), month, by, chosen), month), "month", f"account-{month}-{by}.csv"
    )
