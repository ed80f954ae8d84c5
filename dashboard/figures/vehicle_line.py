"""One line of a vehicle: its readings within an expected band that stands, and the course of single cycles."""

from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from analytics.vehicle.analysis import Result
from analytics.vehicle.pressure.traces import sampled
from dashboard import formatting
from dashboard.figures.theme import BI, MOST_MARKS, local, local_datetime, scheme_of, short, text, thinned, with_layout
from dashboard.tokens import BLUE, GREY, Scheme
from dashboard.units import Units
from ingest.arrays import Floats
from ingest.languages import tr
from ingest.times import DAY_US, local_us

_LONGEST_NAME = 22
_END_OF_NAME = 10  # stays: points differ by it, as left and right do
_TRACES_SHOWN = 6
_DAY_MS = 86_400_000
AT = ": %{x|%-d %b %Y, %H:%M}<extra></extra>"
ON = ": %{x|%-d %b %Y}<extra></extra>"


def channel_name(result: Result, channel: str) -> str:
    """A channel as people know it: its line and point, or its bundle, or the main line; long ones without their middle."""
    lines = [line for line in result.history.setup.lines if line.channel == channel]
    if len(lines) == 1:
        name = f"{lines[0].line} {lines[0].point}"
    elif lines:
        name = tr("{channel} ({first} to {last})", channel=channel, first=lines[0].line, last=lines[-1].line)
    else:
        name = tr("{channel} (not listed)", channel=channel)
    if len(name) > _LONGEST_NAME:
        name = f"{name[: _LONGEST_NAME - 1 - _END_OF_NAME].rstrip()}…{name[-_END_OF_NAME:].lstrip()}"
    return text(name)


def line_title(result: Result, channel: str, units: Units) -> str:
    """What the opened line's part of the charts is called."""
    return tr(
        "{channel}, peaks, {unit}; grey: expected",
        channel=f"<b>{channel_name(result, channel)}</b>",
        unit=units.pressure,
    )


def line_traces(result: Result, channel: str, axis: str, scheme: Scheme, units: Units = BI) -> list[dict[str, Any]]:
    """The edges of the expected band, the peaks, and the work on this line.

    What is expected rests on a baseline that stands: readings that creep away do not take it along. It follows the weather of the day;
    what all channels share is taken for weather, but not where the pump has no grease: there the band stays where the weather puts it.
    """
    cycles, zone = result.history.cycles, ZoneInfo(result.history.setup.timezone)
    bar, relief = units.of_kpa(1.0), units.of_kpa(result.history.setup.relief_kpa)
    peak = np.full(len(cycles.at_us), np.nan)
    if channel in cycles.channels:
        peak = cycles.peak_kpa[:, cycles.channels.index(channel)].astype(np.float64)
    noon, middle, wide = _expected(result, channel, peak, zone)
    shown = thinned(peak, MOST_MARKS)
    edge = {
        "type": "scatter",
        "x0": noon,
        "dx": _DAY_MS,
        "yaxis": axis,
        "mode": "lines",
        "line": {"width": 0},
        "hoverinfo": "skip",
    }
    done = [one for one in result.history.work if channel in result.history.channels_of(one)]
    return [
        dict(**edge, y=short(bar * middle * wide), name=tr("expected, highest")),
        dict(**edge, y=short(bar * middle / wide), name=tr("expected, lowest"), fill="tonexty", fillcolor="rgba(138,143,152,0.35)"),
        {
            "type": "scatter", "x": local(cycles.at_us[shown], zone), "y": short(bar * peak[shown]), "yaxis": axis,
            "mode": "markers", "name": tr("peak"),
            "marker": {"size": 3.5, "color": scheme.ink}, "hovertemplate": "%{y:.0f} " + units.pressure + AT,
        },
        {
            "type": "scatter", "x": [local_datetime(one.at_us, zone) for one in done], "y": [relief * 1.05] * len(done), "yaxis": axis,
            "mode": "markers", "name": tr("work"),
            "marker": {"symbol": "diamond", "size": 9, "color": scheme.ink},
            "customdata": [text("; ".join([one.title, *formatting.work_details(one)])) for one in done],
            "hovertemplate": "%{customdata}" + AT,
        },
    ]  # fmt: skip


def _expected(result: Result, channel: str, peak: Floats, zone: ZoneInfo) -> tuple[float, Floats, float]:
    """(middle of the first day on the axis, expected pressure of each in kPa, factor to the edge of the usual scatter). Days between
    two that are known lie between them, for two weeks at most; beyond the last nothing is expected yet."""
    j = result.pressures.channels.index(channel)
    with np.errstate(invalid="ignore", divide="ignore"):
        expected = peak / result.pressures.ratio[:, j].astype(np.float64)
    known = np.isfinite(expected)
    wide = float(np.exp(2 * result.pressures.noise[j]))
    if not known.any():
        return 0.0, np.zeros(0), wide
    day = pd.Series(expected[known]).groupby(local_us(result.history.cycles.at_us[known], zone) // DAY_US).median()
    day = day.reindex(np.arange(day.index[0], day.index[-1] + 1)).interpolate(limit=14)
    return float(day.index[0]) * _DAY_MS + _DAY_MS / 2, np.asarray(day, np.float64), wide


def traces(result: Result, channel: str, template: str, units: Units = BI) -> go.Figure | None:
    """The course of one channel's pressure over its latest sampled cycles, the newest in front. None where none was sampled."""
    found = sampled(result.history, channel, _TRACES_SHOWN)
    if not found:
        return None
    zone, scheme = result.history.setup.timezone, scheme_of(template)
    figure = go.Figure()
    for n, (at_us, dt_s, kpa) in enumerate(found, 1):
        newest = n == len(found)
        figure.add_scatter(
            x=np.round(np.arange(len(kpa)) * dt_s, 2), y=np.round(units.of_kpa(1.0) * kpa, 1), mode="lines",
            name=formatting.moment(at_us, zone), line={"color": BLUE if newest else GREY, "width": 2.5 if newest else 1},
            opacity=1.0 if newest else 0.35 + 0.5 * n / len(found), hovertemplate="%{y:.0f} " + units.pressure,
        )  # fmt: skip
    run_s = float(np.median(result.history.cycles.run_s[-20:]))
    figure.add_vline(
        x=run_s,
        line={"color": scheme.edge, "dash": "dot", "width": 1},
        annotation_text=tr("pump stops"),
        annotation_position="top left",
        annotation_yshift=18,  # above the courses, which end up here
    )
    with_layout(figure, template, 240, tr("pressure, {unit}", unit=units.pressure))
    figure.update_xaxes(title=tr("seconds since the cycle began"), fixedrange=True).update_yaxes(fixedrange=True)
    return figure.update_layout(margin={"l": 58, "r": 12, "t": 28, "b": 44}, showlegend=False)
