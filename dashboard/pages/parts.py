"""Parts to have at each depot, what fails more often, and how long things last."""

from typing import Any

import dash
import dash_mantine_components as dmc
from dash import Input, Output, State, callback, dcc, html

from analytics.account.lives import DIMENSIONS, FAILURES, FEWEST, Comparison
from analytics.account.parts import DAYS, Need
from dashboard import components
from dashboard.exports import csv
from dashboard.exports import parts as words
from dashboard.figures import theme
from dashboard.figures.lives import lives
from dashboard.queries.lives import Lasting, lasting
from dashboard.queries.scope import address, scope_of
from dashboard.web.database import engine
from ingest import times
from ingest.languages import begun, cldr, inside, later, tr

dash.register_page(
    __name__, path="/parts", name=later("Parts"), title=lambda **_: tr("Parts"), in_menu=True, order=5.5, icon="parts"
)


def layout(by: str = "point", what: str = "blocked_line", **asked: Any) -> html.Div:
    """The page for the scope, the grouping and the way to fail in the address."""
    return html.Div(
        [
            dcc.Location(id="parts-location", refresh=False),
            dcc.Download(id="parts-file"),
            dcc.Store(id="parts-scope", data=scope_of(asked)._asdict()),
            components.page_head(tr("Parts"), [(tr("Save as CSV"), "parts-csv")]),
            html.Div(
                [
                    dmc.Select(
                        id="parts-what", value=what if what in FAILURES else "blocked_line", allowDeselect=False, w=240,
                        label=tr("Failure"),
                        data=[{"value": kind, "label": words.title(kind)} for kind in FAILURES],
                    ),
                    dmc.Select(
                        id="parts-by", value=by if by in DIMENSIONS else "point", allowDeselect=False, w=220, label=tr("Compare by"),
                        data=[{"value": key, "label": begun(tr(name))} for key, name in DIMENSIONS.items()],
                    ),
                ],
                className="filters",
            ),
            html.Div(components.pending(), id="parts-body"),
        ]
    )  # fmt: skip


def body(told: Lasting, what: str, by: str, template: str) -> list[Any]:
    """What to have, what fails more often, and how long things last."""
    if not told.vehicles:
        return [html.P(tr(words.NOTHING))]
    return [
        components.section(tr("Parts to have, next {days} days", days=DAYS), _needs(told.needs), tr(words.PARTS_MEANING)),
        components.section(tr("What fails more often"), _often(told.more_often), words.often_meaning()),
        components.section(tr("How long it lasts: {what}", what=inside(words.title(what))),
                           _lasts(told, what, by, template), tr(words.LIVES_MEANING)),
    ]  # fmt: skip


def _needs(needs: list[Need]) -> Any:
    rows = [
        components.row(
            [one.depot, one.part, words.expected(one), words.amount(one.enough, one.unit),
             words.amount(one.now, one.unit) if one.now else "", words.amount(one.wearing, one.unit) if one.wearing else ""],
            range(2, 6),
        )
        for one in words.told(needs)
    ]  # fmt: skip
    left = [html.P(f"{text}.", className="dim") for text in words.untold(needs)]
    heads = (tr("Depot"), tr("Part"), tr("Expected"), tr("Enough, 9 times in 10"), tr("Failed now"), tr("By trends"))
    if not needs:
        return html.P(tr("Nothing: no part is registered whose failure a sensor would show."), className="dim")
    return [html.Div(components.table(heads, rows, "plain", range(2, 6)), className="wide"), *left] if rows else left


def _often(told: list[Comparison]) -> Any:
    if not told:
        return html.P(tr("Nothing stands out beyond chance, or too little has failed to say."), className="dim")
    return html.Ul([html.Li(f"{words.sentence(one)}.") for one in told], className="plain-list")


def _lasts(told: Lasting, what: str, by: str, template: str) -> Any:
    curves = told.curves[what]
    if not curves:
        return html.P(
            tr("{failures} failures so far: too few to say how long it lasts. It takes {fewest} on lines that a"
" sensor of their own watches, of vehicles whose day of fitting is registered, or after a repair.",
    failures=told.failures[what], fewest=FEWEST),
            className="dim",
        )  # fmt: skip
    ages = [age for age in words.AGES_H if any(words.reaches(one, age) for one in curves)]
    rows = [
        components.row(
            [words.group_name(one), str(one.parts), str(one.failures), *(words.reaches(one, age) for age in ages)],
            range(1, 3 + len(ages)),
        )
        for one in curves
    ]
    heads = (
        begun(tr(DIMENSIONS[by])),
        tr("Lives"),
        tr("Failures"),
        *(tr("Reach {age} h", age=cldr.grouped(age, 0)) for age in ages),
    )
    shown: list[Any] = [
        dcc.Graph(figure=lives(curves, template), config={"displayModeBar": False}),
        html.Div(components.table(heads, rows, "plain", range(1, len(heads))), className="wide"),
    ]
    same = [one for one in told.same_age if one.what == what]
    if same:
        items = [
            html.Li(tr("{where}: {times} as all others", where=words.where(one), times=words.times(one)))
            for one in same
        ]
        shown += [html.H3(tr("At the same age, by Cox's regression")), html.Ul(items, className="plain-list")]
    return shown


@callback(
    Output("parts-body", "children"),
    Output("parts-location", "href"),
    Input("parts-what", "value"),
    Input("parts-by", "value"),
    Input("scheme-now", "data"),
    State("parts-scope", "data"),
)
def show(what: str, by: str, scheme: str | None, asked: dict[str, str]) -> tuple[list[Any], str]:
    """The chosen comparison; the address holds it."""
    chosen = scope_of(asked)
    told = lasting(engine(), chosen, times.now_us(), by, kinds=[what])
    return body(told, what, by, theme.template_of(scheme)), address("/parts", chosen, what=what, by=by)


@callback(
    Output("parts-file", "data"),
    Input("parts-csv", "n_clicks"),
    State("parts-scope", "data"),
    prevent_initial_call=True,
)
def save(_: int, asked: dict[str, str]) -> dict[str, Any]:
    """Parts to have as a file."""
    told = lasting(engine(), scope_of(asked), times.now_us(), kinds=[])
    return csv.as_file(words.need_table(told.needs), "depot", "parts.csv")
