"""Charts as pure functions: arrays in, figure out. Times arrive as microseconds UTC and are drawn in the depot's zone."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import plotly.graph_objects as go
from numpy.typing import NDArray

from analytics.amounts import Amount
from analytics.history import DAY_US
from analytics.rates import MeanCumulative, Rate
from analytics.vehicle import Result, local_us
from dashboard.words import work_details
from ingest.messages import instant

# Meanings by ISO 22324: red danger, yellow caution, green safe; blue and grey are supplementary.
RED, YELLOW, GREEN, BLUE, GREY, BLACK = "#c00000", "#e0a800", "#1a7f37", "#2f6fb0", "#8a8f98", "#30343b"
BAR_KPA = 100.0
_LONGEST_NAME = 22
_LOWEST, _HIGHEST = 1 / 3, 3.0  # ratios beyond these look alike


def template_of(scheme: str | None) -> str:
    """The template of a page's scheme, light or dark."""
    return "mantine_dark" if scheme == "dark" else "mantine_light"


def _ink(template: str) -> str:
    return BLACK if template.endswith("light") else "#d0d4da"


def local(at_us: Any, zone: ZoneInfo) -> NDArray[np.datetime64]:
    """Naive local times for an axis."""
    return local_us(np.atleast_1d(np.asarray(at_us, np.int64)), zone).astype("datetime64[us]")


def _point(at_us: int, zone: ZoneInfo) -> datetime:
    return instant(at_us).astimezone(zone).replace(tzinfo=None)


def _layout(
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
    )
    if first is not None:
        figure.update_xaxes(range=[first, last])
    return figure


def level(result: Result, template: str) -> go.Figure:
    """Level readings with fills, the low mark, the level now, and the refill window."""
    zone = ZoneInfo(result.history.setup.timezone)
    figure = go.Figure()
    readings = result.history.levels
    if len(readings):
        figure.add_scatter(
            x=local(readings.at_us, zone), y=np.round(readings.level_pct, 1), mode="markers", name="reading",
            marker={"size": 4, "color": GREY}, hovertemplate="%{y:.1f} %",
        )  # fmt: skip
    track = result.reservoir.track
    known = ~np.isnan(track)
    if known.any():
        figure.add_scatter(
            x=local(result.history.cycles.at_us[known], zone), y=np.round(np.clip(track[known], 0, 120), 1), mode="lines",
            name="level", line={"color": BLUE, "width": 2}, hovertemplate="%{y:.1f} %",
        )  # fmt: skip
    if result.fills:
        figure.add_scatter(
            x=[_point(f.at_us, zone) for f in result.fills], y=[f.to_pct for f in result.fills], mode="markers",
            name="fill", marker={"symbol": "triangle-up", "size": 11, "color": GREEN},
            customdata=[f"{f.litres:.2f} l" for f in result.fills], hovertemplate="filled %{customdata}",
        )  # fmt: skip
    _add_work(figure, result, 106, template)
    mark = result.history.setup.low_mark_pct
    figure.add_hline(y=mark, line={"color": RED, "dash": "dash", "width": 1.5}, annotation_text=f"low mark {mark:g} %",
                     annotation_position="bottom left")  # fmt: skip
    figure.add_hline(y=100, line={"color": GREY, "dash": "dot", "width": 1}, annotation_text="full mark",
                     annotation_position="top left")  # fmt: skip
    refill, now = result.refill, result.history.as_of_us
    last = now + 2 * DAY_US
    if refill.due_early_us is not None and refill.due_expected_us is not None and refill.level_pct is not None:
        late = refill.due_late_us or refill.due_expected_us
        if refill.due_expected_us > now:
            figure.add_scatter(
                x=[_point(now, zone), _point(refill.due_expected_us, zone)], y=[refill.level_pct, mark], mode="lines",
                name="expected", line={"color": BLUE, "dash": "dot"}, hoverinfo="skip",
            )  # fmt: skip
            figure.add_vrect(
                x0=_point(max(refill.due_early_us, now), zone), x1=_point(late, zone), fillcolor=YELLOW, opacity=0.25,
                line_width=0, annotation_text="refill due", annotation_position="top left",
            )  # fmt: skip
            last = max(last, min(late, now + 45 * DAY_US) + 2 * DAY_US)
    figure.add_vline(x=_point(now, zone), line={"color": GREY, "width": 1})
    figure.update_yaxes(range=[0, max(112, float(np.max(readings.level_pct, initial=0)) + 4)])
    return _layout(figure, template, 300, "level, % of full mark", _point(_first_us(result), zone), _point(last, zone))


def _add_work(figure: go.Figure, result: Result, height: float, template: str) -> None:
    """What people did, as marks at a height of the chart that say it."""
    zone = ZoneInfo(result.history.setup.timezone)
    done = result.history.work
    if done:
        figure.add_scatter(
            x=[_point(one.at_us, zone) for one in done], y=[height] * len(done), mode="markers", name="work",
            marker={"symbol": "diamond", "size": 9, "color": _ink(template)},
            customdata=["; ".join([one.title, *work_details(one)]) for one in done], hovertemplate="%{customdata}",
        )  # fmt: skip


def _first_us(result: Result) -> int:
    heard = result.history.heard_us
    return int(heard[0]) if len(heard) else result.history.as_of_us - DAY_US


def cycles(days: list[dict[str, Any]], template: str) -> go.Figure:
    """Cycles by day, by what became of them, against ignition hours."""
    figure = go.Figure()
    day = [d["day"] for d in days]
    for key, name, colour, pattern in (
        ("done", "done", GREEN, ""),
        ("lost", "done, message lost", BLUE, "."),
        ("incomplete", "incomplete", YELLOW, "/"),
        ("missed", "missed", RED, "x"),
    ):
        if key == "done" or any(d[key] for d in days):
            figure.add_bar(x=day, y=[d[key] for d in days], name=name, marker={"color": colour, "pattern_shape": pattern},
                           hovertemplate="%{y}")  # fmt: skip
    figure.add_scatter(
        x=day, y=[d["ignition_h"] or None for d in days], name="ignition hours", yaxis="y2", mode="markers",
        marker={"symbol": "line-ew-open", "size": 9, "color": _ink(template)},
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
    return _layout(figure, template, 260, "cycles a day", *ends).update_layout(margin={"r": 52})


def pressure_map(result: Result, template: str) -> go.Figure | None:
    """Each channel's pressure in ratio to what is expected, by day: the median of the day's cycles. None without channels."""
    pressures, zone = result.pressures, ZoneInfo(result.history.setup.timezone)
    at_us = result.history.cycles.at_us
    if not pressures.channels or not len(at_us):
        return None
    day = local_us(at_us, zone) // DAY_US
    shown = np.unique(day)
    ratio = np.full((len(pressures.channels), len(shown)), np.nan)
    for k, d in enumerate(shown):
        rows = pressures.ratio[day == d]
        for j in range(len(pressures.channels)):
            known = rows[~np.isnan(rows[:, j]), j]
            if len(known):
                ratio[j, k] = np.median(known)
    names = [channel_name(result, name) for name in pressures.channels]
    limit = float(np.log2(_HIGHEST))
    figure = go.Figure(
        go.Heatmap(
            x=shown.astype("datetime64[D]").astype("datetime64[ms]"),
            y=names,
            z=np.round(np.log2(np.clip(ratio, _LOWEST, _HIGHEST)), 3),
            customdata=np.round(ratio, 2),
            hovertemplate="%{y}<br>%{x|%-d %b}: %{customdata:.2f} times expected<extra></extra>",
            zmin=-limit,
            zmax=limit,
            colorscale=[[0, "#2f6fb0"], [0.38, "#c9dcec"], [0.5, "#f4f4f2"], [0.62, "#f3d2c8"], [1, "#c00000"]],
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
        )
    )
    figure.update_yaxes(autorange="reversed", tickfont={"size": 11})
    height = 140 + 22 * len(names)
    return _layout(figure, template, height, "").update_layout(hovermode="closest", margin={"l": 132, "t": 74})


def channel_name(result: Result, channel: str) -> str:
    """A channel as people know it: its line and point, or its bundle, or the main line."""
    lines = [line for line in result.history.setup.lines if line.channel == channel]
    if len(lines) == 1:
        name = f"{lines[0].line} {lines[0].point}"
    elif lines:
        name = f"{channel} ({lines[0].line} to {lines[-1].line})"
    else:
        name = f"{channel} (not on sheet)"
    return name if len(name) <= _LONGEST_NAME else name[: _LONGEST_NAME - 1] + "…"


def pressure_line(result: Result, channel: str, template: str) -> go.Figure:
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
        known = np.isfinite(expected)
        for factor, name, width in ((np.exp(2 * noise), "usual range", 0), (np.exp(-2 * noise), "", 0)):
            figure.add_scatter(
                x=when[known], y=np.round(expected[known] * factor / BAR_KPA, 1), mode="lines", line={"width": width},
                fill="tonexty" if not name else None, fillcolor="rgba(47,111,176,0.22)", name=name or "usual range",
                showlegend=not name, hoverinfo="skip",
            )  # fmt: skip
        figure.add_scatter(
            x=when, y=np.round(peak / BAR_KPA, 1), mode="markers", marker={"size": 3.5, "color": _ink(template)}, name="peak",
            hovertemplate="%{y:.0f} bar",
        )  # fmt: skip
    relief = result.history.setup.relief_kpa / BAR_KPA
    figure.add_hline(y=relief, line={"color": RED, "dash": "dash", "width": 1}, annotation_text=f"relief {relief:g} bar",
                     annotation_position="top left")  # fmt: skip
    _add_work(figure, result, relief * 1.05, template)
    figure.update_yaxes(range=[0, relief * 1.1])
    return _layout(figure, template, 280, "peak pressure, bar")


def fault_rates(rates: Sequence[tuple[str, Rate]], template: str) -> go.Figure:
    """Faults per 100 line-months of each group, with their limits."""
    shown = list(reversed(rates))
    figure = go.Figure()
    figure.add_scatter(
        x=[100 * r.rate for _, r in shown], y=[name for name, _ in shown], mode="markers",
        marker={"size": 9, "color": BLUE}, showlegend=False,
        error_x={
            "type": "data", "symmetric": False, "color": GREY, "thickness": 2,
            "array": [100 * (r.high - r.rate) for _, r in shown], "arrayminus": [100 * (r.rate - r.low) for _, r in shown],
        },
        customdata=[[r.events, round(r.exposure), round(100 * r.low, 2), round(100 * r.high, 2)] for _, r in shown],
        hovertemplate="%{y}: %{customdata[0]} faults in %{customdata[1]} line-months, %{x:.2f} in 100"
        " (%{customdata[2]} to %{customdata[3]})<extra></extra>",
    )  # fmt: skip
    _layout(figure, template, 90 + 26 * len(shown), "")
    figure.update_layout(hovermode="closest", margin={"l": 150, "r": 12, "t": 12, "b": 44})
    figure.update_xaxes(title="in 100 line-months, 95 % limits", rangemode="tozero")
    figure.update_yaxes(type="category")
    return figure


def fault_course(course: MeanCumulative, template: str) -> go.Figure:
    """Mean number of line faults that a vehicle has had, over the months it was watched, with limits."""
    figure = go.Figure()
    time = np.r_[0.0, course.time]
    low, high = np.r_[0.0, course.low], np.r_[0.0, course.high]
    figure.add_scatter(
        x=time, y=high, mode="lines", line={"width": 0, "shape": "hv"}, showlegend=False, hoverinfo="skip"
    )
    figure.add_scatter(
        x=time, y=low, mode="lines", line={"width": 0, "shape": "hv"}, fill="tonexty", fillcolor="rgba(47,111,176,0.2)",
        name="95 % limits", hoverinfo="skip",
    )  # fmt: skip
    figure.add_scatter(
        x=time, y=np.r_[0.0, course.mean], mode="lines", line={"color": BLUE, "width": 2, "shape": "hv"}, name="mean",
        hovertemplate="%{y:.2f}",
    )  # fmt: skip
    _layout(figure, template, 320, "line faults a vehicle")
    figure.update_xaxes(title="months watched", rangemode="tozero")
    figure.update_yaxes(rangemode="tozero")
    return figure


def grease_months(found: Sequence[Amount], template: str) -> go.Figure:
    """Litres used and filled in each month."""
    months = sorted({one.month for one in found})
    figure = go.Figure()
    for name, colour, pattern, values in (
        ("used", BLUE, "", [sum(a.used_l for a in found if a.month == m) for m in months]),
        ("filled", GREEN, "/", [sum(a.filled_l for a in found if a.month == m) for m in months]),
    ):
        figure.add_bar(
            x=months,
            y=np.round(values, 2),
            name=name,
            marker={"color": colour, "pattern_shape": pattern},
            hovertemplate="%{y:.1f} l",
        )
    figure.update_layout(barmode="group", bargap=0.25)
    figure.update_xaxes(type="category")
    return _layout(figure, template, 280, "litres")


def held_dates(below: Sequence[float], cases: int, template: str) -> go.Figure:
    """How often past low marks were reached by the early, expected and late date, beside how often they should have been."""
    meant = np.array([10.0, 50.0, 90.0])
    spread = 196 * np.sqrt(meant / 100 * (1 - meant / 100) / max(cases, 1))
    figure = go.Figure()
    figure.add_scatter(
        x=[0, 100], y=[0, 100], mode="lines", line={"color": GREY, "dash": "dash"}, name="as meant", hoverinfo="skip"
    )
    figure.add_scatter(
        x=meant, y=np.round(100 * np.array(below), 1), mode="lines+markers", name="as it came",
        line={"color": BLUE}, marker={"size": 9}, error_y={"type": "data", "array": spread, "color": GREY},
        hovertemplate="%{y:.0f} % came by the date that %{x:.0f} % should",
    )  # fmt: skip
    figure.update_xaxes(range=[0, 100], title="should have come by then, %", dtick=25)
    figure.update_yaxes(range=[0, 100], dtick=25)
    return _layout(figure, template, 340, "came by then, %").update_layout(hovermode="closest", margin={"b": 48})
