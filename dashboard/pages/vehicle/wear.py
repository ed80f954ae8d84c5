"""What changes slowly on a vehicle: its trends, those that worsen first."""

from collections.abc import Sequence
from typing import Any

from dash import html

from analytics.trends import Trend
from analytics.vehicle.wear import FEWEST_DAYS, FEWEST_H
from dashboard import components
from dashboard.exports import wear
from ingest.languages import cldr, tr, trn


def nothing() -> str:
    """What is said while no trend is known."""
    return tr(
        "No trend is known yet: it takes {days} days with readings and {hours} ignition hours by an hour meter, and is made once a day by"
        " the watch or tallow analyse.",
        days=FEWEST_DAYS, hours=cldr.decimal(FEWEST_H, 0),
    )  # fmt: skip


def section(trends: Sequence[Trend], timezone: str) -> Any:
    """What worsens in plain sight, all trends one click away."""
    if not trends:
        return components.section(tr("What changes slowly"), html.P(nothing(), className="dim"), tr(wear.MEANING))
    worse = [one for one in trends if one.worsens]
    seen = (
        _table(worse, timezone)
        if worse
        else html.P(tr("Nothing gets worse slowly, as far as is known."), className="dim")
    )
    folded = html.Details(
        [html.Summary(tr("All {count} trends", count=len(trends))), _table(trends, timezone)],
        **{"data-keep": "vehicle-trends"},
    )
    return components.section(tr("What changes slowly"), [seen, folded], tr(wear.MEANING))


def _table(trends: Sequence[Trend], timezone: str) -> html.Div:
    rows = [
        html.Tr(
            [html.Td(_where(one)), html.Td(wear.WHAT[one.what]), html.Td(wear.in_1000_h(one)), html.Td(wear.since(one)),
             html.Td(wear.latest(one)), html.Td(wear.passes_in(one, timezone) if one.worsens else "")]
        )
        for one in trends
    ]  # fmt: skip
    heads = (
        tr("Where"),
        tr("What"),
        tr("Change, 95 % limits"),
        tr("So far"),
        tr("Now"),
        tr("Expected to pass its limit"),
    )
    return html.Div(components.table(heads, rows, "plain"), className="wide")


def _where(one: Trend) -> str:
    if not one.lines:
        return tr("pump")
    return trn("line {lines}", "lines {lines}", len(one.lines), lines=", ".join(map(str, one.lines)))
