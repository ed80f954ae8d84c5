"""What a point costs that runs dry."""

from typing import Any

import dash
import dash_mantine_components as dmc
from dash import ALL, Input, Output, State, callback, ctx, html
from sqlalchemy import Connection

from analytics.account.prices import HourlyRate, Price, of_a_dry_hour
from dashboard import components
from dashboard.exports import prices as words
from dashboard.pages.set_up.changes import write
from dashboard.queries import prices
from dashboard.web.database import engine
from ingest.errors import Problem
from ingest.languages import tr
from ingest.languages.saying import say
from ingest.times import now_us


def price_rows() -> Any:
    """What was said, each with a button that forgets it."""
    with engine().connect() as connection:
        rate, found = prices.read_rate(connection), prices.read_prices(connection)
    rows = [
        components.row(
            [one.point_kind, f"{one.part:g}", f"{one.work_h:g}", f"{one.standstill_h:g}", f"{one.dry_life_h:g}",
             "" if rate is None else f"{rate.currency} {of_a_dry_hour(one, rate):.2f}",
             html.Button("remove", id={"type": "setup-price", "kind": one.point_kind}, className="quiet")],
            range(1, 6),
        )
        for one in found
    ]  # fmt: skip
    heads = (
        tr("Kind of point"),
        tr("Part"),
        tr("Work, h"),
        tr("Standstill, h"),
        tr("Lasts dry, h"),
        tr("A dry hour"),
        "",
    )
    shown = (
        html.Div(components.table(heads, rows, "plain", range(1, 6)), className="wide")
        if rows
        else html.P(tr(words.NO_PRICES))
    )
    return html.Div([html.P(f"{words.hourly(rate).rstrip('.')}."), shown])


def price_form() -> html.Div:
    """A form for the hourly rates, and one for a kind of point."""
    kinds = prices.point_kinds(engine())
    return html.Div(
        [
            html.Div(
                [
                    dmc.TextInput(id="setup-currency", label=tr("Currency"), placeholder="EUR"),
                    dmc.NumberInput(id="setup-rate-work", label=tr("An hour of work"), min=0),
                    dmc.NumberInput(id="setup-rate-standstill", label=tr("An hour of standstill"), min=0),
                ],
                className="work-form",
            ),
            dmc.Button(tr("Save rates"), id="setup-rate-keep", mt="sm", variant="default"),
            html.Div(
                [
                    dmc.Select(id="setup-price-kind", label=tr("Kind of point"), data=kinds, searchable=True),
                    dmc.NumberInput(id="setup-price-part", label=tr("Part"), min=0),
                    dmc.NumberInput(id="setup-price-work", label=tr("Work, hours"), min=0),
                    dmc.NumberInput(id="setup-price-standstill", label=tr("Standstill, hours"), min=0),
                    dmc.NumberInput(id="setup-price-life", label=tr("Lasts dry, ignition hours"), min=1),
                ],
                className="work-form",
            ),
            dmc.Button(tr("Save price"), id="setup-price-keep", mt="sm"),
            html.Div(id="setup-price-told", role="status", className="work-told"),
        ]
    )  # fmt: skip


def keep(
    _: int | None, __: int | None, clicks: list[int | None], currency: str | None, work: Any, standstill: Any,
    kind: str | None, part: Any, work_h: Any, standstill_h: Any, life_h: Any,
) -> Any:  # fmt: skip
    """Keep rates or a price, or forget one."""
    asked = ctx.triggered_id
    if isinstance(asked, dict):
        if not any(clicks):
            return (dash.no_update,) * 3
        return write(lambda connection: _forget(connection, str(asked["kind"])), price_rows)
    if asked == "setup-rate-keep":
        return write(lambda connection: _rate(connection, currency or "", work, standstill), price_rows)

    def do(connection: Connection) -> str:
        values = [
            _number(value, name)
            for name, value in (
                ("part", part),
                ("work", work_h),
                ("standstill", standstill_h),
                ("lasts dry", life_h),
            )
        ]
        one = Price(
            point_kind=kind or "", part=values[0], work_h=values[1], standstill_h=values[2], dry_life_h=values[3]
        )
        prices.keep_price(connection, one, now_us())
        return words.price(one, prices.read_rate(connection))

    return write(do, price_rows)


def _rate(connection: Connection, currency: str, work: Any, standstill: Any) -> str:
    rate = HourlyRate(currency=currency, work=_number(work, "work"), standstill=_number(standstill, "standstill"))
    prices.keep_rate(connection, rate)
    return words.hourly(rate)


def _forget(connection: Connection, kind: str) -> str:
    prices.drop_price(connection, kind)
    return say("price of {kind} removed", kind=kind)


def _number(value: Any, name: str) -> float:
    if not isinstance(value, int | float):
        raise Problem(f"{name}: say a number")
    return float(value)


def register() -> None:
    """Wire what stands here into the application that is being made."""
    callback(
        Output("setup-price-told", "children"),
        Output("setup-prices", "children"),
        Output("setup-changes", "children", allow_duplicate=True),
        Input("setup-rate-keep", "n_clicks"),
        Input("setup-price-keep", "n_clicks"),
        Input({"type": "setup-price", "kind": ALL}, "n_clicks"),
        State("setup-currency", "value"),
        State("setup-rate-work", "value"),
        State("setup-rate-standstill", "value"),
        State("setup-price-kind", "value"),
        State("setup-price-part", "value"),
        State("setup-price-work", "value"),
        State("setup-price-standstill", "value"),
        State("setup-price-life", "value"),
        prevent_initial_call=True,
    )(keep)
