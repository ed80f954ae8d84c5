"""What all charts share: colours, times of the local clock, few enough points, layout."""

from datetime import datetime
from html import escape
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import plotly.graph_objects as go
import plotly.io as pio
from numpy.typing import NDArray
from tsdownsample import NaNMinMaxDownsampler

from dashboard.tokens import BLUE, DARK, FONT, GREY, LIGHT, RED, SIZES_PX, YELLOW, Scheme
from dashboard.units import Units
from ingest.languages import cldr
from ingest.times import instant, local_us

MOST_POINTS = 1000  # of one line: a screen shows no more

MOST_MARKS = 600  # of single marks, which take a browser longer


BI = Units()


_SCHEMES = {"tallow_light": LIGHT, "tallow_dark": DARK}


def template_of(scheme: str | None) -> str:
    """The template of a page's scheme, light or dark."""
    return "tallow_dark" if scheme == "dark" else "tallow_light"


def scheme_of(template: str) -> Scheme:
    """The colours that a template is made of."""
    return _SCHEMES.get(template, LIGHT)


def ink(template: str) -> str:
    """The colour of text and of marks that mean nothing by their colour."""
    return scheme_of(template).ink


def add_templates() -> None:
    """Make the charts' templates from the tokens."""
    for name, scheme in _SCHEMES.items():
        axis = {
            "gridcolor": scheme.rule, "linecolor": scheme.edge, "zerolinecolor": scheme.rule, "tickcolor": scheme.edge,
            "tickfont": {"color": scheme.quiet}, "title": {"font": {"color": scheme.quiet}}, "automargin": False,
        }  # fmt: skip
        pio.templates[name] = go.layout.Template(
            layout={
                "font": {"family": FONT, "size": SIZES_PX["small"], "color": scheme.ink},
                "paper_bgcolor": scheme.surface, "plot_bgcolor": scheme.surface, "colorway": [BLUE, GREY, YELLOW, RED],
                "xaxis": axis, "yaxis": axis,
                "hoverlabel": {"bgcolor": scheme.surface, "bordercolor": scheme.edge, "font": {"color": scheme.ink, "family": FONT}},
                "modebar": {"bgcolor": "rgba(0,0,0,0)", "color": scheme.quiet, "activecolor": scheme.ink},
                "shapedefaults": {"line": {"color": scheme.edge}},
            }
        )  # fmt: skip


def local(at_us: Any, zone: ZoneInfo) -> NDArray[np.float64]:
    """Times of the local clock for an axis of dates, milliseconds since 1970: numbers travel as bytes, dates as text."""
    return np.asarray(local_us(np.atleast_1d(np.asarray(at_us, np.int64)), zone) / 1000, np.float64)


def short(values: Any, digits: int = 1) -> NDArray[np.float32]:
    """Values as a chart needs them."""
    return np.asarray(np.round(values, digits), np.float32)


def local_datetime(at_us: int, zone: ZoneInfo) -> datetime:
    return instant(at_us).astimezone(zone).replace(tzinfo=None)


def text(said: str) -> str:
    """What somebody wrote, as text: Plotly would read markup in it."""
    return escape(said, quote=False)


def thinned(values: NDArray[np.floating[Any]], most: int = MOST_POINTS) -> NDArray[np.intp]:
    """Which of a series to draw, ascending: all of a short one, and of a long one the lowest and highest of each stretch, so that no
    peak is lost."""
    if len(values) <= most:
        return np.arange(len(values))
    downsampler: Any = NaNMinMaxDownsampler
    chosen = downsampler().downsample(np.ascontiguousarray(values, np.float64), n_out=most // 2 * 2)
    return np.asarray(chosen, np.intp)


_DAY_MS = 86_400_000
# Dates of an axis are written as they are in texts, as far as there is room.
TICKS = [
    {"dtickrange": [None, _DAY_MS - 1], "value": "%-d %b, %H:%M"},
    {"dtickrange": [_DAY_MS, "M1"], "value": "%-d %b"},
    {"dtickrange": ["M1", "M11"], "value": "%b %Y"},
    {"dtickrange": ["M12", None], "value": "%Y"},
]


def with_layout(
    figure: go.Figure, template: str, height: int, title_y: str, first: Any = None, last: Any = None
) -> go.Figure:
    figure.update_layout(
        template=template,
        height=height,
        margin={"l": 58, "r": 12, "t": 34, "b": 36},
        legend={"orientation": "h", "y": 1.02, "x": 0, "yanchor": "bottom"},
        hovermode="x unified",
        yaxis_title=title_y,
        dragmode=False,
        separators=cldr.decimal(1.5, 1)[1] + cldr.grouped(10_000)[2],
    )
    if first is not None:
        figure.update_xaxes(range=[first, last], type="date", tickformatstops=TICKS, hoverformat="%-d %b %Y, %H:%M")
    return figure
