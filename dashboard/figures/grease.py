"""Grease by month, as a chart."""

import math
from collections.abc import Sequence

import numpy as np
import plotly.graph_objects as go

from analytics.planning.usage import Amount
from dashboard import formatting
from dashboard.figures.theme import BI, with_layout
from dashboard.tokens import GREY
from dashboard.units import Units
from ingest.languages import tr


def grease_months(found: Sequence[Amount], template: str, units: Units = BI) -> go.Figure:
    """Grease used and filled in each month."""
    months = sorted({one.month for one in found})
    figure = go.Figure()
    for name, colour, pattern, values in (
        (tr("used"), GREY, "", [sum(a.used_l for a in found if a.month == m) for m in months]),
        (tr("filled"), GREY, "/", [_filled_l([a for a in found if a.month == m]) for m in months]),
    ):
        figure.add_bar(
            x=[formatting.month(month) for month in months],
            y=np.round([units.of_litres(value) for value in values], 2),
            name=name,
            marker={"color": colour, "pattern_shape": pattern},
            hovertemplate=f"%{{y:.1f}} {units.volume}",
        )
    figure.update_layout(barmode="group", bargap=0.25)
    figure.update_xaxes(type="category", automargin=True)
    return with_layout(figure, template, 280, tr("litres") if units.volume == "l" else units.volume)


def _filled_l(found: Sequence[Amount]) -> float:
    """What is known of it, NaN where nothing is: no bar."""
    known = [one.known_filled_l for one in found if one.known_filled_l is not None]
    return sum(known) if known else math.nan
