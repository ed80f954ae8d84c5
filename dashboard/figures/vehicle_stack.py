"""A vehicle's charts over time as one figure with one axis of time: what happened, level, cycles, pressures line by line, one line opened,
temperature. A result in, a figure out; times arrive as microseconds UTC and are drawn in the depot's zone.

Every part lies on the same x axis, so that edges, span and crosshair are the same by construction.
"""

from datetime import datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np
import plotly.graph_objects as go

from analytics.vehicle import daily
from analytics.vehicle.analysis import Result
from dashboard.figures.theme import BI, TICKS, local_datetime, scheme_of
from dashboard.figures.vehicle_line import line_title, line_traces
from dashboard.figures.vehicle_parts import Stack, cycles, happened, level, pressure_map, temperature
from dashboard.tokens import RED
from dashboard.units import Units
from ingest.languages import tr
from ingest.times import DAY_US

LINE_TRACES: Final = 4  # of the opened line
_LEFT_PX: Final = 148  # names of lines stand there
_RIGHT_PX: Final = 44
_TOP_PX: Final = 52
_BOTTOM_PX: Final = 28
_TITLE_PX: Final = 30  # above each part, for its title


def span(result: Result) -> tuple[datetime, datetime]:
    """What the charts over time show at first: from the first that was heard until the refill is due, if that is not far."""
    zone, now, late = ZoneInfo(result.history.setup.timezone), result.history.as_of_us, result.refill.due_late_us
    heard = result.history.heard_us
    first = int(heard[0]) if len(heard) else now - DAY_US
    last = now if late is None else min(max(late, now), now + 45 * DAY_US)
    return local_datetime(first, zone), local_datetime(last + 2 * DAY_US, zone)


def stack(result: Result, channel: str | None, template: str, units: Units = BI) -> go.Figure | None:
    """All parts for which anything is known, with the line of `channel` opened; None where nothing was ever heard.

    `layout.meta` says what the page needs of it: the first span, the present, which line is in which row of the map,
    and the axes of map and line.
    The LINE_TRACES traces and the title of the opened line come first, so that another one can take their place.
    """
    if not len(result.history.heard_us):
        return None
    made = Stack(result, daily.days(result), scheme_of(template), units)
    happened(made)
    level(made)
    cycles(made)
    meta: dict[str, Any] = {
        "home": [str(at) for at in span(result)],
        "now": str(local_datetime(result.history.as_of_us, made.zone)),
        "lines": [],
        "map": "",
        "line": "",
    }
    opened: list[dict[str, Any]] = []
    if result.pressures.channels and len(result.history.cycles.at_us):
        if np.isfinite(result.pressures.ratio).any():  # an empty map would say that nothing was read
            meta |= {"map": pressure_map(made), "lines": _first_lines(result)}
        if channel is not None:
            meta["line"] = made.part(line_title(result, channel, units), 190)
            opened = line_traces(result, channel, meta["line"], made.scheme, units)
            relief = units.of_kpa(result.history.setup.relief_kpa)
            made.axes[meta["line"]] = {"range": [0, relief * 1.1], "nticks": 6}
            at = tr("relief {pressure}", pressure=f"{relief:.0f} {units.pressure}")
            made.rule(meta["line"], relief, at, RED, "dash", above=False)
    temperature(made)
    if not made.heights:
        return None
    # What another line exchanges comes first, so that it is found by number.
    made.traces = [*opened, *made.traces]
    return go.Figure({"data": made.traces, "layout": _layout(made, meta["line"], template) | {"meta": meta}})


def _first_lines(result: Result) -> list[int | None]:
    """Of each channel the first line that it watches; None where no line list names it."""
    first: dict[str | None, int] = {}
    for line in result.history.setup.lines:
        first.setdefault(line.channel, line.line)
    return [first.get(channel) for channel in result.pressures.channels]


def _layout(made: Stack, line_axis: str, template: str) -> dict[str, Any]:
    """The parts below each other, all on one axis of time."""
    heights = made.heights
    plot_px = sum(heights.values()) + _TITLE_PX * (len(heights) - 1)
    top, titles = 0, []
    for name, height in heights.items():
        upper, lower = 1 - top / plot_px, max(1 - (top + height) / plot_px, 0.0)
        made.axes[name] |= {
            "domain": [lower, upper],
            "fixedrange": True,
            "anchor": "x",
            "showline": False,
            "zeroline": False,
        }
        titles.append(
            {"x": 0, "xref": "paper", "xanchor": "left", "y": upper, "yref": "paper", "yanchor": "bottom", "yshift": 3 if top else 22,
             "text": made.titles[name], "showarrow": False, "font": {"size": 12, "color": made.scheme.quiet}, "name": name}
        )  # fmt: skip
        top += height + _TITLE_PX
    titles.sort(key=lambda one: one["name"] != line_axis)
    first, last = span(made.result)
    axis = {
        "type": "date",
        "range": [first, last],
        "tickformatstops": TICKS,
        "hoverformat": "%-d %b %Y, %H:%M",
        "nticks": 9,
        "ticks": "outside",
    }
    crosshair = {"showspikes": True, "spikemode": "across", "spikesnap": "cursor", "spikethickness": 1, "spikedash": "solid",
                 "spikecolor": made.scheme.quiet}  # fmt: skip
    # Dates above the uppermost part as well: the axis needs something to be drawn for.
    made.traces.append(
        {
            "type": "scatter",
            "x": [first],
            "y": [None],
            "xaxis": "x2",
            "yaxis": "y",
            "hoverinfo": "skip",
            "mode": "markers",
        }
    )
    return {
        "template": template, "height": plot_px + _TOP_PX + _BOTTOM_PX,
        "margin": {"l": _LEFT_PX, "r": _RIGHT_PX, "t": _TOP_PX, "b": _BOTTOM_PX, "pad": 0},
        "annotations": [*titles, *made.words], "shapes": made.shapes, "showlegend": False, "dragmode": False, "hovermode": "closest",
        "barmode": "stack", "bargap": 0, "uirevision": "vehicle", "hoverdistance": 12, "spikedistance": -1,
        "xaxis": axis | crosshair | {"anchor": list(heights)[-1]},
        "xaxis2": axis | {"overlaying": "x", "matches": "x", "tickmode": "auto", "side": "top", "anchor": "y", "showgrid": False},
        **{f"yaxis{name[1:]}": one for name, one in made.axes.items()},
    }  # fmt: skip
