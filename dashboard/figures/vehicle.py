"""A vehicle's charts: a result in, figure out. Times arrive as microseconds UTC and are drawn in the depot's zone."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from analytics.kinds import FINDING_KINDS
from analytics.vehicle.analysis import Result
from analytics.vehicle.day import Day
from analytics.vehicle.pressure.traces import sampled
from dashboard import formatting
from dashboard.figures.theme import BI, MOST_MARKS, ink, local, local_datetime, short, text, thinned, with_layout
from dashboard.formatting import work_details
from dashboard.tokens import BLUE, GREY, RED, SEVERITY_COLOURS, YELLOW
from dashboard.units import Units
from ingest.times import DAY_US, local_us

_BAND_POINTS = 500  # of a band's edges, which are smooth

_LONGEST_NAME = 22


_LOWEST = 1 / 3

_HIGHEST = 3.0  # ratios beyond these look alike


def level(result: Result, template: str, units: Units = BI) -> go.Figure:
    """Level readings with fills, the low mark, the level now, and the refill window."""
    zone = ZoneInfo(result.history.setup.timezone)
    figure = go.Figure()
    readings = result.history.levels
    if len(readings):
        few = thinned(readings.level_pct, MOST_MARKS)
        figure.add_scatter(
            x=local(readings.at_us[few], zone), y=short(readings.level_pct[few]), mode="markers", name="reading",
            marker={"size": 4, "color": GREY}, hovertemplate="%{y:.1f} %",
        )  # fmt: skip
    track = result.reservoir.level_at_cycle_pct
    known = np.flatnonzero(~np.isnan(track))
    if len(known):
        known = known[thinned(track[known])]
        at_us, course = result.history.cycles.at_us[known], track[known]
        if (
            result.refill.level_pct is not None
        ):  # the curve ends where the forecast begins: at the level that the page tells
            at_us, course = np.r_[at_us, result.history.as_of_us], np.r_[course, result.refill.level_pct]
        figure.add_scatter(
            x=local(at_us, zone), y=short(np.clip(course, 0, 120)), mode="lines",
            name="level", line={"color": BLUE, "width": 2}, hovertemplate="%{y:.1f} %",
        )  # fmt: skip
    if result.fills:
        figure.add_scatter(
            x=[local_datetime(f.at_us, zone) for f in result.fills], y=[f.to_pct for f in result.fills], mode="markers",
            name="fill", marker={"symbol": "triangle-up", "size": 11, "color": BLUE},
            customdata=[f"{units.of_litres(f.litres):.2f} {units.volume}" for f in result.fills], hovertemplate="filled %{customdata}",
        )  # fmt: skip
    _add_work(figure, result, 106, template)
    mark = result.history.setup.low_mark_pct
    figure.add_hline(y=mark, line={"color": RED, "dash": "dash", "width": 1.5}, annotation_text=f"low mark {mark:g} %",
                     annotation_position="bottom left")  # fmt: skip
    figure.add_hline(y=100, line={"color": GREY, "dash": "dot", "width": 1}, annotation_text="full mark",
                     annotation_position="top left")  # fmt: skip
    refill, now = result.refill, result.history.as_of_us
    if refill.due_early_us is not None and refill.due_expected_us is not None and refill.level_pct is not None:
        late = refill.due_late_us or refill.due_expected_us
        if refill.due_expected_us > now:
            figure.add_scatter(
                x=[local_datetime(now, zone), local_datetime(refill.due_expected_us, zone)], y=[refill.level_pct, mark], mode="lines",
                name="expected", line={"color": BLUE, "dash": "dot"}, hoverinfo="skip",
            )  # fmt: skip
            figure.add_vrect(
                x0=local_datetime(max(refill.due_early_us, now), zone), x1=local_datetime(late, zone), fillcolor=YELLOW, opacity=0.25,
                line_width=0, annotation_text="refill due", annotation_position="top left",
            )  # fmt: skip
    figure.add_vline(x=local_datetime(now, zone), line={"color": GREY, "width": 1})
    figure.update_yaxes(range=[0, max(112, float(np.max(readings.level_pct, initial=0)) + 4)])
    return with_layout(figure, template, 300, "level, % of full mark", *_span(result))


def _add_work(figure: go.Figure, result: Result, height: float, template: str) -> None:
    """What people did, as marks at a height of the chart that say it."""
    zone = ZoneInfo(result.history.setup.timezone)
    done = result.history.work
    if done:
        figure.add_scatter(
            x=[local_datetime(one.at_us, zone) for one in done], y=[height] * len(done), mode="markers", name="work",
            marker={"symbol": "diamond", "size": 9, "color": ink(template)},
            customdata=[text("; ".join([one.title, *work_details(one)])) for one in done], hovertemplate="%{customdata}",
        )  # fmt: skip


def _span(result: Result) -> tuple[datetime, datetime]:
    """What the charts over time show at first: from the first that was heard until the refill is due, if that is not far."""
    zone, now, late = ZoneInfo(result.history.setup.timezone), result.history.as_of_us, result.refill.due_late_us
    heard = result.history.heard_us
    first = int(heard[0]) if len(heard) else now - DAY_US
    last = now if late is None else min(max(late, now), now + 45 * DAY_US)
    return local_datetime(first, zone), local_datetime(last + 2 * DAY_US, zone)


def cycles(days: Sequence[Day], template: str) -> go.Figure:
    """Cycles by day, by what became of them, against ignition hours."""
    figure = go.Figure()
    day = [d.day.isoformat() for d in days]
    for key, name, colour, pattern in (
        ("done", "done", GREY, ""),
        ("lost", "done, message lost", BLUE, "."),
        ("incomplete", "incomplete", YELLOW, "/"),
        ("missed", "missed", RED, "x"),
    ):
        if key == "done" or any(getattr(d, key) for d in days):
            figure.add_bar(x=day, y=[getattr(d, key) for d in days], name=name, marker={"color": colour, "pattern_shape": pattern},
                           hovertemplate="%{y}")  # fmt: skip
    figure.add_scatter(
        x=day, y=[d.ignition_h or None for d in days], name="ignition hours", yaxis="y2", mode="markers",
        marker={"symbol": "line-ew-open", "size": 9, "color": ink(template)},
        hovertemplate="%{y:.1f} h",
    )  # fmt: skip
    figure.update_layout(
        barmode="stack",
        bargap=0.1,
        yaxis2={
            "overlaying": "y",
            "side": "right",
            "title": "ignition hours",
            "showgrid": False,
            "rangemode": "tozero",
            "tickmode": "auto",
            "nticks": 5,
        },
    )
    figure.update_yaxes(rangemode="tozero")
    figure.update_xaxes(nticks=8)
    half_day = timedelta(hours=14)
    ends = (
        (datetime.fromisoformat(day[0]) - half_day, datetime.fromisoformat(day[-1]) + half_day) if day else (None, None)
    )
    return with_layout(figure, template, 260, "cycles a day", *ends).update_layout(margin={"r": 52})


def pressure_map(result: Result, template: str, units: Units = BI) -> go.Figure | None:
    """Each channel's pressure in ratio to what is expected, by day: the median of the day's cycles, with the air temperature at the
    pump below. None without channels."""
    pressures, zone = result.pressures, ZoneInfo(result.history.setup.timezone)
    at_us = result.history.cycles.at_us
    if not pressures.channels or not len(at_us):
        return None
    by_day = pd.DataFrame(pressures.ratio).groupby(local_us(at_us, zone) // DAY_US).median()
    ratio, shown = by_day.to_numpy().T, local(by_day.index.to_numpy() * DAY_US, ZoneInfo("UTC"))
    names = [channel_name(result, name) for name in pressures.channels]
    limit = float(np.log2(_HIGHEST))
    rows_px, below_px = 22 * len(names), 70
    figure = make_subplots(
        2, 1, shared_xaxes=True, vertical_spacing=24 / (rows_px + below_px + 24),
        row_heights=[rows_px / (rows_px + below_px), below_px / (rows_px + below_px)],
    )  # fmt: skip
    figure.add_trace(
        go.Heatmap(
            x=shown,
            y=names,
            z=short(np.log2(np.clip(ratio, _LOWEST, _HIGHEST)), 2),
            customdata=short(ratio, 2),
            hovertemplate="%{y}<br>%{x|%-d %b %Y}: %{customdata:.2f} times expected<extra></extra>",
            zmin=-limit,
            zmax=limit,
            colorscale=[[0, BLUE], [0.38, "#c9dcec"], [0.5, "#f4f4f2"], [0.62, "#f3d2c8"], [1, RED]],
            colorbar={
                "title": {"text": "times expected", "side": "top"},
                "tickvals": [-limit, -1, 0, 1, limit],
                "ticktext": ["⅓", "½", "1", "2", "3"],
                "thickness": 8,
                "orientation": "h",
                "len": 0.6,
                "x": 0,
                "xanchor": "left",
                "y": 1.0,
                "yanchor": "bottom",
            },
        ),
        1,
        1,
    )
    degrees = pd.Series(result.history.cycles.temp_c).groupby(local_us(at_us, zone) // DAY_US).median()
    figure.add_scatter(
        x=shown, y=short([units.of_c(c) for c in degrees.to_list()]), mode="lines+markers", row=2, col=1,
        line={"color": GREY, "width": 1}, marker={"size": 3}, showlegend=False, connectgaps=False,
        hovertemplate="%{x|%-d %b %Y}: %{y:.0f} " + units.temperature + "<extra></extra>",
    )  # fmt: skip
    figure.update_yaxes(autorange="reversed", tickfont={"size": 11}, row=1, col=1)
    figure.update_yaxes(title=units.temperature, nticks=4, row=2, col=1)
    height = 140 + rows_px + below_px + 24
    with_layout(figure, template, height, "", *_span(result)).update_layout(
        hovermode="closest", margin={"l": 132, "t": 74}
    )
    return figure.update_yaxes(title=None, row=1, col=1)


def channel_name(result: Result, channel: str) -> str:
    """A channel as people know it: its line and point, or its bundle, or the main line."""
    lines = [line for line in result.history.setup.lines if line.channel == channel]
    if len(lines) == 1:
        name = f"{lines[0].line} {lines[0].point}"
    elif lines:
        name = f"{channel} ({lines[0].line} to {lines[-1].line})"
    else:
        name = f"{channel} (not listed)"
    return text(name if len(name) <= _LONGEST_NAME else name[: _LONGEST_NAME - 1] + "…")


def pressure_line(result: Result, channel: str, template: str, units: Units = BI) -> go.Figure:
    """One channel's peak pressures with what is expected of them."""
    zone = ZoneInfo(result.history.setup.timezone)
    cycles_ = result.history.cycles
    figure = go.Figure()
    if channel in cycles_.channels:
        peak = cycles_.peak_kpa[:, cycles_.channels.index(channel)].astype(np.float64)
        ratio = result.pressures.ratio[:, result.pressures.channels.index(channel)].astype(np.float64)
        noise = float(result.pressures.noise[result.pressures.channels.index(channel)])
        expected = peak / ratio
        when = local(cycles_.at_us, zone)
        known = np.flatnonzero(np.isfinite(expected))
        known = known[thinned(expected[known], _BAND_POINTS)]
        shown = thinned(peak, MOST_MARKS)
        for factor, name, width in ((np.exp(2 * noise), "usual range", 0), (np.exp(-2 * noise), "", 0)):
            figure.add_scatter(
                x=when[known], y=short(units.of_kpa(1.0) * expected[known] * factor), mode="lines", line={"width": width},
                fill="tonexty" if not name else None, fillcolor="rgba(47,111,176,0.22)", name=name or "usual range",
                showlegend=not name, hoverinfo="skip",
            )  # fmt: skip
        figure.add_scatter(
            x=when[shown], y=short(units.of_kpa(1.0) * peak[shown]), mode="markers", name="peak",
            marker={"size": 3.5, "color": ink(template)}, hovertemplate="%{y:.0f} " + units.pressure,
        )  # fmt: skip
    relief = units.of_kpa(result.history.setup.relief_kpa)
    figure.add_hline(y=relief, line={"color": RED, "dash": "dash", "width": 1}, annotation_text=f"relief {relief:.0f} {units.pressure}",
                     annotation_position="top left")  # fmt: skip
    _add_work(figure, result, relief * 1.05, template)
    figure.update_yaxes(range=[0, relief * 1.1])
    return with_layout(figure, template, 280, f"peak pressure, {units.pressure}", *_span(result))


_TRACES_SHOWN = 6


def traces(result: Result, channel: str, template: str, units: Units = BI) -> go.Figure | None:
    """The course of one channel's pressure over its latest sampled cycles, the newest in front. None where none was sampled."""
    found = sampled(result.history, channel, _TRACES_SHOWN)
    if not found:
        return None
    zone = ZoneInfo(result.history.setup.timezone)
    figure = go.Figure()
    for n, (at_us, dt_s, kpa) in enumerate(found, 1):
        newest = n == len(found)
        figure.add_scatter(
            x=np.round(np.arange(len(kpa)) * dt_s, 2), y=np.round(units.of_kpa(1.0) * kpa, 1), mode="lines",
            name=formatting.moment(at_us, str(zone)), line={"color": BLUE if newest else GREY, "width": 2.5 if newest else 1},
            opacity=1.0 if newest else 0.35 + 0.5 * n / len(found), hovertemplate="%{y:.0f} " + units.pressure,
        )  # fmt: skip
    run_s = float(np.median(result.history.cycles.run_s[-20:]))
    figure.add_vline(x=run_s, line={"color": GREY, "dash": "dot", "width": 1}, annotation_text="pump stops")
    with_layout(figure, template, 260, f"pressure, {units.pressure}")
    figure.update_xaxes(title="seconds since the cycle began")
    return figure.update_layout(margin={"b": 48})


def happenings(result: Result, template: str) -> go.Figure | None:
    """Findings as bars from when they began until they ended, and what people did, on the time axis of the other charts. None where
    nothing was."""
    zone, now = ZoneInfo(result.history.setup.timezone), result.history.as_of_us
    kinds = list(
        dict.fromkeys(f.kind for f in sorted(result.findings, key=lambda f: list(FINDING_KINDS).index(f.kind)))
    )
    if not kinds and not result.history.work:
        return None
    figure = go.Figure()
    for found in result.findings:
        ends = [
            local_datetime(found.began_us, zone),
            local_datetime(found.ended_us if found.ended_us is not None else now, zone),
        ]
        where = f", {found.channel}" if found.channel else ""
        figure.add_scatter(
            x=ends, y=[FINDING_KINDS[found.kind].title] * 2, mode="lines+markers", showlegend=False,
            line={"color": SEVERITY_COLOURS[found.severity], "width": 9}, marker={"size": 9, "symbol": "square"},
            customdata=[text(f"{FINDING_KINDS[found.kind].title}{where}")] * 2,
            hovertemplate="%{customdata}: %{x|%-d %b %Y}<extra></extra>",
        )  # fmt: skip
    if result.history.work:
        figure.add_scatter(
            x=[local_datetime(one.at_us, zone) for one in result.history.work], y=["Work"] * len(result.history.work), mode="markers",
            marker={"symbol": "diamond", "size": 10, "color": ink(template)}, showlegend=False,
            customdata=[text("; ".join([one.title, *work_details(one)])) for one in result.history.work],
            hovertemplate="%{customdata}<extra></extra>",
        )  # fmt: skip
    rows = len(kinds) + bool(result.history.work)
    with_layout(figure, template, 60 + 28 * rows, "", *_span(result))
    figure.update_yaxes(type="category", autorange="reversed")
    return figure.update_layout(hovermode="closest", margin={"l": 132, "t": 12})
