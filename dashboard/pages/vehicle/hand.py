"""A vehicle's points greased by hand: since when each waits, and when it is due."""

from typing import Any

from dash import dcc, html

from analytics.vehicle.analysis import Result
from dashboard import components
from dashboard.exports import hand as words
from dashboard.queries.hand import HandDue, of_result
from ingest.languages import tr


def section(result: Result) -> Any:
    """The list; nothing where the vehicle has no such point."""
    found = of_result(result)
    if not found:
        return []
    rows = [_row(one) for one in found]
    heads = (tr("Point"), tr("Interval"), tr("Amount"), tr("Since grease"), tr("Due"))
    depot = result.history.setup.depot
    tick = html.P(
        [
            tr("Ticked off in the list of"),
            " ",
            dcc.Link(tr("all hand points"), href=f"/points?depot={depot}"),
            ", ",
            tr("or under Work."),
        ]
    )
    return components.section(
        tr("Hand points"), [html.Div(components.table(heads, rows, "plain"), className="wide"), tick], tr(words.MEANING)
    )


def _row(one: HandDue) -> html.Tr:
    warned = f" ({tr('steering or braking depends on it')})" if one.critical else ""
    return components.row(
        [f"{one.number} {one.point}{warned}", words.every(one.every, one.interval_unit), words.amount_of(one),
         words.since_by_meter(one), f"{words.WORDS[one.state]}: {words.date_or_why(one)}"]
    )  # fmt: skip
