"""The line list with the condition of each line, and past findings."""

from typing import Any

from dash import html

from analytics.vehicle import line_conditions
from analytics.vehicle.analysis import Result
from dashboard import components, formatting
from dashboard.pages.vehicle.charts import as_csv

_NOTE = (
    "Condition of each line by its latest readings, and ignition hours since grease last surely arrived: by a whole cycle with the"
    " line sound, or by hand."
)


def _since(hours: float | None) -> str:
    return "never seen" if hours is None else f"{hours:.1f}" if hours < 10 else f"{hours:.0f}"


def tail(result: Result) -> list[Any]:
    """The line list with the condition of each line, and past findings."""
    setup = result.history.setup
    condition = {c.line: c for c in line_conditions.line_conditions(result)}
    rows = []
    for line in setup.lines:
        now = condition[line.line]
        ratio = "" if now.ratio is None else f"{now.ratio:.2f}"
        critical = html.Span(" ⚠ steering or braking", className="dim") if line.critical else ""
        rows.append(
            html.Tr(
                [html.Td(str(line.line)), html.Td([line.point, critical]), html.Td(line.bundle), html.Td(f"{line.dose_cm3:g}"),
                 html.Td(formatting.line_condition(now), className=f"state-{now.state}"), html.Td(ratio),
                 html.Td(_since(now.hours_since_grease))]
            )
        )  # fmt: skip
    heads = ("Line", "Point", "Bundle", "cm3 a cycle", "Condition", "Times expected", "Ignition hours since grease")
    sheet = html.Div(
        components.table(heads, rows, "sheet"),
        className="wide",
    )
    over = sorted((f for f in result.findings if not f.open), key=lambda f: -(f.ended_us or 0))
    out = [components.section("Line list", [sheet, as_csv("line-list")], _NOTE)]
    past = [components.finding(f, setup.timezone, full=False) for f in over[:20]] or [html.P("None.", className="dim")]
    out.append(components.section("Past findings", past))
    return out
