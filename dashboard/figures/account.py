"""Greased as planned, as charts."""

from typing import Any

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from dashboard.colours import BLUE, GREY, RED
from dashboard.figures.theme import text, with_layout


def course(told: pd.DataFrame, period: str, template: str) -> go.Figure:
    """Percent of each month or week (column `period`): a bar of what surely arrived, above it what is not proven, and what is left to
    100 surely did not arrive; the mark is how far another month may lie without a reason."""
    figure = go.Figure()
    x = [text(str(value)) for value in told[period]]
    shares: tuple[tuple[str, Any, str, str], ...] = (
        ("surely arrived", told["arrived_pct"], BLUE, ""),
        ("not proven", told["at_most_pct"] - told["arrived_pct"], GREY, "/"),
        ("surely not", 100 - told["at_most_pct"], RED, ""),
    )
    for name, values, colour, pattern in shares:
        figure.add_bar(
            x=x, y=np.round(values, 2), name=name, marker={"color": colour, "pattern_shape": pattern},
            hovertemplate=f"{name} %{{y:.1f}} %<extra></extra>",
        )  # fmt: skip
    figure.update_layout(barmode="stack", bargap=0.35)
    with_layout(figure, template, 300, "% of planned doses")
    lowest = float(told["arrived_pct"].min()) if len(told) else 0.0
    # Most of a bar is always full: what matters lies near the top. The axis says where it begins.
    figure.update_yaxes(range=[max(0.0, 10 * np.floor(lowest / 10 - 1)), 100])
    figure.update_xaxes(type="category")
    return figure
