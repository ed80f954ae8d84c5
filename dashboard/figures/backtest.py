"""How well past refill dates held, as a chart."""

from collections.abc import Sequence

import numpy as np
import plotly.graph_objects as go

from dashboard.figures.theme import ink, with_layout
from dashboard.tokens import GREY
from ingest.languages import tr


def held_dates(below: Sequence[float], cases: int, template: str) -> go.Figure:
    """How often past low marks were reached by the early, expected and late date, beside how often they should have been."""
    meant = np.array([10.0, 50.0, 90.0])
    spread = 196 * np.sqrt(meant / 100 * (1 - meant / 100) / max(cases, 1))
    figure = go.Figure()
    figure.add_scatter(
        x=[0, 100], y=[0, 100], mode="lines", line={"color": GREY, "dash": "dash"}, name=tr("ideal"), hoverinfo="skip"
    )
    figure.add_scatter(
        x=meant, y=np.round(100 * np.array(below), 1), mode="lines+markers", name=tr("actual"),
        line={"color": ink(template)}, marker={"size": 9}, error_y={"type": "data", "array": spread, "color": GREY},
        hovertemplate=tr("{came} % came by the date that {should} % should", came="%{y:.0f}", should="%{x:.0f}"),
    )  # fmt: skip
    figure.update_xaxes(range=[0, 100], title=tr("should have come by then, %"), dtick=25)
    figure.update_yaxes(range=[0, 100], dtick=25)
    return with_layout(figure, template, 340, tr("came by then, %")).update_layout(
        hovermode="closest", margin={"b": 48}
    )
