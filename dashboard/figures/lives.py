"""How long things last, as a chart."""

from collections.abc import Sequence

import numpy as np
import plotly.graph_objects as go

from analytics.account.lives import Curve
from dashboard.figures.theme import ink, short, text, thinned, with_layout
from dashboard.tokens import GREY
from ingest.languages import tr

_DASHES = ("solid", "dash", "dot", "dashdot", "longdash")
MOST = len(_DASHES)  # curves that can be told apart


def lives(curves: Sequence[Curve], template: str) -> go.Figure:
    """Share that reaches each age, in steps; limits of the first curve, which is of all."""
    figure = go.Figure()
    for n, one in enumerate(curves[:MOST]):
        few = thinned(one.share)
        at_h = np.r_[one.from_h, short(one.at_h[few], 1)]
        share, low, high = (np.r_[100.0, short(100 * values[few], 2)] for values in (one.share, one.low, one.high))
        if n == 0:
            line = {"width": 0, "shape": "hv"}
            figure.add_scatter(x=at_h, y=high, mode="lines", line=line, showlegend=False, hoverinfo="skip")
            figure.add_scatter(
                x=at_h, y=low, mode="lines", line=line, fill="tonexty", fillcolor="rgba(138,143,152,0.3)", name=tr("95 % limits"),
                hoverinfo="skip",
            )  # fmt: skip
        figure.add_scatter(
            x=at_h, y=share, mode="lines", name=tr("all") if n == 0 else text(one.group),
            hovertemplate=tr("{share} % reach {hours} h", share="%{y:.0f}", hours="%{x:,.0f}"),
            line={"color": ink(template) if n == 0 else GREY, "width": 2, "shape": "hv", "dash": _DASHES[n]},
        )  # fmt: skip
    with_layout(figure, template, 320, tr("% that reach it"))
    figure.update_xaxes(title=tr("ignition hours"), rangemode="tozero")
    figure.update_yaxes(range=[0, 103])
    return figure
