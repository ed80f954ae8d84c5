"""Greased as planned, as charts."""

from typing import Any

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from dashboard.figures.theme import text, with_layout
from dashboard.tokens import GREY, RED
from ingest.languages import tr


def course(told: pd.DataFrame, period: str, template: str) -> go.Figure:
    """What did not surely arrive in each month or week (column `period`): percent of the planned doses that surely did not, and above it
    those that are not proven. What is left to 100 surely arrived; from zero, so that a bar is as long as what it stands for."""
    figure = go.Figure()
    x = [text(str(value)) for value in told[period]]
    shares: tuple[tuple[str, Any, str, str], ...] = (
        (tr("surely did not arrive"), 100 - told["at_most_pct"], RED, ""),
        (tr("not proven"), told["at_most_pct"] - told["arrived_pct"], GREY, "/"),
    )
    for name, values, colour, pattern in shares:
        figure.add_bar(
            x=x, y=np.round(values, 2), name=name, marker={"color": colour, "pattern_shape": pattern},
            hovertemplate=f"{name} %{{y:.1f}} %<extra></extra>",
        )  # fmt: skip
    figure.update_layout(barmode="stack", bargap=0.35)
    with_layout(figure, template, 260, tr("% of planned doses"))
    highest = float((100 - told["arrived_pct"]).max()) if len(told) else 0.0
    figure.update_yaxes(range=[0, max(1.0, 1.1 * highest)])
    figure.update_xaxes(type="category", automargin=True)
    return figure
