"""A vehicle's points greased by hand: since when each waits, and when it is due."""

from typing import Any

from dash import dcc, html

from analytics.vehicle.analysis import Result
from dashboard import components
from dashboard.exports import hand as words
from dashboard.queries.hand import HandDue, of_result


def section(result: Result) -> Any:
    """The list; nothing where the vehicle has no such point."""
    found = of_result(result)
    if not found:
        return []
    rows = [_row(one) for one in found]
    heads = ("Point", "Interval", "Amount", "Since grease", "Due")
    depot = result.history.setup.depot
    tick = html.P(
        ["Ticked off in the list of ", dcc.Link("all hand points", href=f"/points?depot={depot}"), ", or under Work."]
    )
    return components.section(
        "Hand points", [html.Div(components.table(heads, rows, "plain"), className="wide"), tick], words.MEANING
    )


def _row(one: HandDue) -> html.Tr:
    warned = " (steering or braking depends on it)" if one.critical else ""
    grease = f" of {one.grease}" if one.grease else ""
    return components.row(
        [f"{one.number} {one.point}{warned}", words.every(one.every, one.interval_unit), f"{words.amount(one)}{grease}",
         words.since(one), f"{words.WORDS[one.state]}: {words.due(one).removeprefix('not known: ')}"]
    )  # fmt: skip
