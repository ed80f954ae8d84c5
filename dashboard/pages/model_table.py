"""The table of how well the pressure model fits, for the fleet and for a vehicle."""

from collections.abc import Sequence
from typing import Any

from dash import dcc, html

from analytics.vehicle.model_check import Check
from dashboard import components
from dashboard.exports import model
from dashboard.queries.model import Fit

TITLE = "Does the pressure model fit?"
_HEADS = ("Channel", "What to do", "Spread", "Outside limits", "Memory", "Leans with temperature")


def of_fleet(fit: Fit) -> Any:
    """The channels worth a look, the worst first."""
    if not fit.checked and not fit.unknown:
        return components.section(
            TITLE, html.P("Not worked out yet: the watch or `tallow analyse` does so once a day.", className="dim"), model.MEANING
        )  # fmt: skip
    counts = f"{fit.remarked} of {fit.checked} channels are worth a look; of {fit.unknown} more it is not known, with too few sound readings."
    rows = [
        html.Tr([html.Td([dcc.Link(unit, href=f"/vehicle/{fleet}/{vehicle}#wear"), f" ({depot})"]), *_cells(one)])
        for fleet, vehicle, unit, depot, one in fit.worst
    ]
    table = html.Div(components.table(("Vehicle", *_HEADS), rows, "plain-wrap"), className="wide")
    more = fit.remarked - len(fit.worst)
    rest = [html.P(f"And {more} more, less far off.", className="dim")] if more > 0 else []
    return components.section(TITLE, [html.P(counts), *([table, *rest] if rows else [])], model.MEANING)


def of_vehicle(checks: Sequence[Check]) -> Any:
    """All channels of a vehicle, folded; what is worth a look in the open."""
    if not checks:
        return None
    remarked = [one for one in checks if one.remarks]
    known = sum(one.worst is not None for one in checks)
    told = f"{len(remarked)} of {known} channels are worth a look" if known else "Not known yet"
    table = components.table(_HEADS, [html.Tr(_cells(one)) for one in checks], "plain-wrap")
    folded = html.Details(
        [html.Summary(f"{told}; all {len(checks)}"), html.P(model.MEANING, className="dim"), html.Div(table, className="wide")],
        **{"data-keep": "vehicle-model"},
    )  # fmt: skip
    seen = [html.Ul([html.Li(f"{model.where(one)}: {model.what(one)}") for one in remarked])] if remarked else []
    return components.section(TITLE, [*seen, folded])


def _cells(one: Check) -> list[html.Td]:
    texts = model.where(one), model.what(one), model.spread(one), model.outside(one), model.memory(one), model.lean(one)
    return [html.Td(text) for text in texts]
