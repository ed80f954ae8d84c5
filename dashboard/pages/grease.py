"""How much grease goes where, by month, depot and grease, and what is needed next."""

from collections.abc import Mapping, Sequence
from typing import Any, Final

import dash
import dash_mantine_components as dmc
from dash import Input, Output, State, callback, dcc, html

from analytics.planning import usage
from analytics.planning.usage import Amount
from dashboard import accounts, components, formatting
from dashboard.exports import csv
from dashboard.exports import greases as words
from dashboard.figures import theme
from dashboard.figures.grease import grease_months
from dashboard.queries.grease import read_ahead_l, read_amounts
from dashboard.queries.greases import read_greases, read_season
from dashboard.queries.scope import Scope, address, scope_of
from dashboard.web.database import engine
from ingest.languages import cldr, later, tr
from ingest.times import instant, now_us

dash.register_page(
    __name__,
    path="/grease",
    name=later("Grease"),
    title=lambda **_: tr("Grease"),
    in_menu=True,
    order=4,
    icon="grease",
    begins=True,
)

_LATEST_MONTHS: Final = 3


def layout(**asked: Any) -> html.Div:
    """The page for the scope in the address."""
    return html.Div(
        [
            dcc.Location(id="grease-location", refresh=False),
            dcc.Store(id="grease-scope", data=scope_of(asked)._asdict()),
            dcc.Download(id="grease-file"),
            components.page_head(tr("Grease"), [(tr("Save as CSV"), "grease-save")]),
            html.Div(
                dmc.NumberInput(
                    id="grease-density", label=tr("Kilograms a litre"), value=usage.DENSITY_KG_PER_L, min=0.5, max=2, step=0.01,
                    w=160, debounce=400,
                ),
                className="filters",
            ),
            html.Div(components.pending(), id="grease-body"),
        ]
    )  # fmt: skip


def body(
    found: list[Amount],
    ahead_l: Mapping[tuple[str, str], float],
    density: float,
    template: str,
    cold: Sequence[Any] = (),
) -> list[Any]:
    """What is needed next, what has to be changed before it gets cold, and the months."""
    if not found:
        return [html.P(tr("Nothing is analysed yet."), className="dim")]
    ahead = [
        html.Li(
            tr(
                "{depot}: {litres} ({kg} kg) of {grease}",
                depot=depot,
                litres=formatting.litres(litres),
                kg=cldr.decimal(litres * density, 1),
                grease=grease,
            )
        )
        for (depot, grease), litres in ahead_l.items()
    ]
    return [
        components.section(
            tr("The next {days} days", days=usage.AHEAD_DAYS),
            html.Ul(ahead),
            tr("At the pace of each vehicle's last four weeks."),
        ),
        *cold,
        components.section(
            tr("By month"),
            [
                dcc.Graph(figure=grease_months(found, template, accounts.my_units()), config={"displayModeBar": False}),
                *_tables(found, density),
            ],
            tr(
                "Used: by the cycles. Filled: by the level readings, or by record where there are none. Unaccounted: filled but neither"
                " used nor still in reservoirs. Sensors are good to a few percent."
            ),
        ),
    ]


def before_the_cold(chosen: Scope, now_us: int) -> list[Any]:
    """Which vehicles need another grease before which week."""
    with engine().connect() as connection:
        listed = bool(read_greases(connection))
        told = read_season(connection, chosen, instant(now_us).date())
    shown: list[Any] = [html.P(tr(words.NO_GREASES), className="dim")]
    if listed:
        shown = (
            [html.Ul([html.Li(f"{words.season(row)}.") for row in told.rows])]
            if told.rows
            else [html.P(tr("Nothing has to be changed, as far as is known."))]
        )
        shown += [html.P(text, className="dim") for text in words.unknown(told)]
    return [components.section(tr("Before it gets cold"), shown, words.meaning())]


def _tables(found: list[Amount], density: float) -> list[Any]:
    """The latest months in plain sight, the others one click away."""
    latest = set(sorted({one.month for one in found})[-_LATEST_MONTHS:])
    parts = [_table([one for one in found if (one.month in latest) == late], density) for late in (True, False)]
    wide = [
        html.Div(part, className="wide", tabIndex=0, role="region", **{"aria-label": name})
        for part, name in zip(parts, (tr("Grease by month"), tr("Earlier months")), strict=True)
    ]
    if len(latest) == len({one.month for one in found}):
        return wide[:1]
    return [wide[0], html.Details([html.Summary(tr("Earlier months")), wide[1]], **{"data-keep": "grease-earlier"})]


def _table(found: list[Amount], density: float) -> html.Table:
    unit = accounts.my_units()
    used, filled, held, unaccounted = (
        f"{what}, {unit.volume}" for what in (tr("Used"), tr("Filled"), tr("Change in reservoirs"), tr("Unaccounted"))
    )
    heads = (tr("Month"), tr("Depot"), tr("Grease"), tr("Vehicles"), used, "kg", filled, "kg", held, unaccounted)
    rows = [
        components.row([
            formatting.month(one.month),
            one.depot, one.grease, str(one.vehicles), cldr.decimal(unit.of_litres(one.used_l), 1), cldr.decimal(one.used_l * density, 1),
            *_filled(one, density), _signed(one.held_l),
            _signed(one.unaccounted_l),
        ], range(3, 10))
        for one in reversed(found)
    ]  # fmt: skip
    return components.table(heads, rows, "plain", range(3, 10))


def _filled(one: Amount, density: float) -> tuple[str, str]:
    """What was filled in, in the units of whoever reads and in kg; where no level tells it and nobody wrote it down nobody knows."""
    if one.known_filled_l is None:
        return tr("not known"), tr("not known")
    return cldr.decimal(accounts.my_units().of_litres(one.filled_l), 1), cldr.decimal(one.filled_l * density, 1)


def _signed(litres: float | None) -> str:
    """In the units of whoever reads; where no level was seen nobody knows."""
    if litres is None:
        return tr("not known")
    shown = accounts.my_units().of_litres(litres)
    return cldr.decimal(0, 1) if abs(shown) < 0.05 else f"{'+' * (shown > 0)}{cldr.decimal(shown, 1)}"


def _density(value: object) -> float:
    return float(value) if isinstance(value, int | float) and value > 0 else usage.DENSITY_KG_PER_L


@callback(
    Output("grease-body", "children"),
    Output("grease-location", "href"),
    Input("grease-scope", "data"),
    Input("grease-density", "value"),
    Input("scheme-now", "data"),
)
def show(asked: dict[str, str], density: object, scheme: str | None) -> tuple[list[Any], str]:
    """The chosen scope; the address holds it."""
    chosen = scope_of(asked)
    found, ahead_l = read_amounts(engine(), chosen), read_ahead_l(engine(), chosen)
    shown = body(found, ahead_l, _density(density), theme.template_of(scheme), before_the_cold(chosen, now_us()))
    return shown, address("/grease", chosen)


@callback(
    Output("grease-file", "data"),
    Input("grease-save", "n_clicks"),
    State("grease-scope", "data"),
    State("grease-density", "value"),
    prevent_initial_call=True,
)
def save(_: int, asked: dict[str, str], density: object) -> dict[str, Any]:
    """The table as CSV."""
    rows = csv.amounts_table(read_amounts(engine(), scope_of(asked)), _density(density))
    return csv.as_file(rows, "month", "grease.csv")
