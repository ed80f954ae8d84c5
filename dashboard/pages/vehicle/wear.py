"""What changes slowly on a vehicle: its trends, those that worsen first."""

from collections.abc import Sequence
from typing import Any

from dash import html

from analytics.vehicle.wear import FEWEST_DAYS, FEWEST_H, Trend
from dashboard import components
from dashboard.exports import wear

NOTHING = (
    f"No trend is known yet: it takes {FEWEST_DAYS} days with readings and {FEWEST_H:.0f} ignition hours by an hour meter, and is made once"
    " a day by the watch or `tallow analyse`."
)


def section(trends: Sequence[Trend], timezone: str) -> Any:
    """What worsens in plain sight, all trends one click away."""
    if not trends:
        return components.section("What changes slowly", html.P(NOTHING, className="dim"), wear.MEANING)
    worse = [one for one in trends if one.worsens]
    seen = (
        _table(worse, timezone) if worse else html.P("Nothing gets worse slowly, as far as is known.", className="dim")
    )
    folded = html.Details(
        [html.Summary(f"All {len(trends)} trends"), _table(trends, timezone)], **{"data-keep": "vehicle-trends"}
    )
    return components.section("What changes slowly", [seen, folded], wear.MEANING)


def _table(trends: Sequence[Trend], timezone: str) -> html.Div:
    rows = [
        html.Tr(
            [html.Td(_where(one)), html.Td(wear.WHAT[one.what]), html.Td(wear.in_1000_h(one)), html.Td(wear.since(one)),
             html.Td(wear.latest(one)), html.Td(wear.passes_in(one, timezone) if one.worsens else "")]
        )
        for one in trends
    ]  # fmt: skip
    heads = ("Where", "What", "Change, 95 % limits", "So far", "Now", "Expected to pass its limit")
    return html.Div(components.table(heads, rows, "plain"), className="wide")


def _where(one: Trend) -> str:
    if not one.lines:
        return "pump"
    return f"line {one.lines[0]}" if len(one.lines) == 1 else f"lines {', '.join(map(str, one.lines))}"
