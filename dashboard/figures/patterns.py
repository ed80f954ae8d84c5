"""How often lines fail, as charts."""

from collections.abc import Sequence

import numpy as np
import plotly.graph_objects as go

from analytics.statistics.rates import MeanCumulative, Rate
from dashboard.figures.theme import ink, short, text, thinned, with_layout
from dashboard.tokens import GREY
from ingest.languages import cldr, tr


def fault_rates(rates: Sequence[tuple[str, Rate]], template: str, unit: str, per: int) -> go.Figure:
    """Faults of each group in so many units of exposure, with their limits."""
    shown = list(reversed(rates))
    figure = go.Figure()
    figure.add_scatter(
        x=[per * r.rate for _, r in shown], y=[text(name) for name, _ in shown], mode="markers", cliponaxis=False,
        marker={"size": 9, "color": ink(template)}, showlegend=False,
        error_x={
            "type": "data", "symmetric": False, "color": GREY, "thickness": 2,
            "array": [per * (r.ci_high - r.rate) for _, r in shown], "arrayminus": [per * (r.rate - r.ci_low) for _, r in shown],
        },
        customdata=[[r.events, round(r.exposure), round(per * r.ci_low, 2), round(per * r.ci_high, 2)] for _, r in shown],
        hovertemplate="%{y}: "
        + tr("{faults} faults in {watched} {unit}, {rate} in {per} ({low} to {high})",
             faults="%{customdata[0]}", watched="%{customdata[1]}", unit=unit, rate="%{x:.2f}", per=cldr.grouped(per),
             low="%{customdata[2]}", high="%{customdata[3]}")
        + "<extra></extra>",
    )  # fmt: skip
    with_layout(figure, template, 90 + 26 * len(shown), "")
    figure.update_layout(hovermode="closest", margin={"l": 150, "r": 12, "t": 12, "b": 44})
    axis = tr("in {number} {what}, 95 % limits", number=cldr.grouped(per), what=unit)
    figure.update_xaxes(title=axis, rangemode="tozero")
    figure.update_yaxes(type="category", ticklabelstandoff=10)  # clear of marks at zero
    return figure


def fault_course(course: MeanCumulative, until: float, template: str, unit: str) -> go.Figure:
    """Mean number of line faults that a vehicle has had, over the months or hours it was watched, with limits; it goes on to the end of
    the longest watch."""
    figure = go.Figure()
    few = thinned(course.mean)
    mean, low, high = (
        np.r_[0.0, (y := short(values[few], 3)), y[-1]] for values in (course.mean, course.ci_low, course.ci_high)
    )
    time = np.r_[0.0, short(course.time[few], 3), until]
    figure.add_scatter(
        x=time, y=high, mode="lines", line={"width": 0, "shape": "hv"}, showlegend=False, hoverinfo="skip"
    )
    figure.add_scatter(
        x=time, y=low, mode="lines", line={"width": 0, "shape": "hv"}, fill="tonexty", fillcolor="rgba(138,143,152,0.3)",
        name=tr("95 % limits"), hoverinfo="skip",
    )  # fmt: skip
    figure.add_scatter(
        x=time, y=mean, mode="lines", line={"color": ink(template), "width": 2, "shape": "hv"}, name=tr("mean"),
        hovertemplate="%{y:.2f}",
    )  # fmt: skip
    with_layout(figure, template, 320, tr("line faults a vehicle"))
    figure.update_xaxes(title=tr("{unit} watched", unit=unit), rangemode="tozero")
    figure.update_yaxes(rangemode="tozero")
    return figure
