"""The parts of a vehicle's charts over time: what happened, level, cycles, pressures line by line, temperature. Each is put into the figure
on an axis of its own, below the last; what nobody knows has no part."""

from dataclasses import dataclass, field
from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from analytics.kinds import FINDING_KINDS
from analytics.vehicle.analysis import Result
from analytics.vehicle.day import Day
from dashboard.figures.theme import MOST_MARKS, local, local_datetime, short, text, thinned
from dashboard.figures.vehicle_line import AT, ON, channel_name
from dashboard.formatting import work_details
from dashboard.tokens import BLUE, GREY, RED, SEVERITY_COLOURS, YELLOW, Scheme
from dashboard.units import Units
from ingest.languages import cldr, tr
from ingest.times import DAY_US, local_us

_ROW_PX: Final = 24  # of a finding, or of a line of the map
_LOWEST, _HIGHEST = 1 / 3, 3.0  # ratios beyond these look alike
_DAY_MS: Final = 86_400_000


@dataclass
class Stack:
    """The figure while it is being put together: its parts from the top, each with an axis of its own."""

    result: Result
    days: list[Day]
    scheme: Scheme
    units: Units
    traces: list[dict[str, Any]] = field(default_factory=list)
    shapes: list[dict[str, Any]] = field(default_factory=list)
    words: list[dict[str, Any]] = field(default_factory=list)
    axes: dict[str, dict[str, Any]] = field(default_factory=dict)  # name of a y axis -> what it is like
    heights: dict[str, int] = field(default_factory=dict)  # of the parts, name of the y axis -> pixels
    titles: dict[str, str] = field(default_factory=dict)

    @property
    def zone(self) -> ZoneInfo:
        """The depot's zone."""
        return ZoneInfo(self.result.history.setup.timezone)

    def part(self, title: str, height_px: int) -> str:
        """A further part, below the last; the name of its y axis."""
        name = f"y{len(self.heights) + 1}".replace("y1", "y")
        self.heights[name], self.titles[name], self.axes[name] = height_px, title, {}
        return name

    def draw(self, kind: str, axis: str, **trace: Any) -> None:
        """A trace of a part. The figure is made of them at the end: asking Plotly to check each as it comes takes a second."""
        self.traces.append({"type": kind, "yaxis": axis, **trace})

    def word(self, said: str, x: Any, y: float, yref: str, **where: Any) -> None:
        """A word at what it says."""
        font = {"color": self.scheme.quiet, "size": 11}
        self.words.append({"text": said, "x": x, "y": y, "yref": yref, "showarrow": False, "font": font} | where)

    def rule(self, axis: str, at: float, said: str, colour: str, dash: str, *, above: bool = True) -> None:
        """A line across a part, and what it is."""
        self.shapes.append({"type": "line", "x0": 0, "x1": 1, "xref": "x domain", "y0": at, "y1": at, "yref": axis,
                            "line": {"color": colour, "dash": dash, "width": 1}})  # fmt: skip
        self.word(said, 0, at, axis, xref="paper", xanchor="left", yanchor="bottom" if above else "top")


def happened(made: Stack) -> None:
    """Findings as bars from when they began until they ended, and what people did; nothing where nothing was."""
    result, zone, now = made.result, made.zone, made.result.history.as_of_us
    kinds = list(
        dict.fromkeys(f.kind for f in sorted(result.findings, key=lambda f: list(FINDING_KINDS).index(f.kind)))
    )
    done = result.history.work
    rows = [FINDING_KINDS[kind].title for kind in kinds] + ([tr("Work")] if done else [])
    if not rows:
        return
    axis = made.part(tr("Findings and work"), _ROW_PX * len(rows) + 8)
    for found in result.findings:
        ends = [
            local_datetime(found.began_us, zone),
            local_datetime(now if found.ended_us is None else found.ended_us, zone),
        ]
        kind = FINDING_KINDS[found.kind].title
        said = f"{kind}, {channel_name(result, found.channel)}" if found.channel else kind
        made.draw("scatter", axis,
            x=ends, y=[kind] * 2, mode="lines+markers", line={"color": SEVERITY_COLOURS[found.severity], "width": 9},
            marker={"size": 9, "symbol": "square"}, customdata=[said] * 2, hovertemplate="%{customdata}" + AT,
        )  # fmt: skip
    if done:
        made.draw("scatter", axis,
            x=[local_datetime(one.at_us, zone) for one in done], y=[tr("Work")] * len(done), mode="markers",
            marker={"symbol": "diamond", "size": 10, "color": made.scheme.ink},
            customdata=[text("; ".join([tr(one.title), *work_details(one)])) for one in done],
            hovertemplate="%{customdata}" + AT,
        )  # fmt: skip
    made.axes[axis] = {
        "type": "category",
        "categoryarray": rows,
        "categoryorder": "array",
        "range": [len(rows) - 0.5, -0.5],
    }


def level(made: Stack) -> None:
    """Level readings with fills, the low mark, the level now, and the refill window; nothing where no level is known."""
    result, zone, now = made.result, made.zone, made.result.history.as_of_us
    readings, track, refill = result.history.levels, result.reservoir.level_at_cycle_pct, result.refill
    known = np.flatnonzero(~np.isnan(track))
    if not len(readings) and not len(known) and not result.fills:
        return
    axis = made.part(tr("Level, % of the full mark"), 190)
    low_pct = result.history.setup.low_mark_pct
    now_pct = None if refill.level_pct is None else round(refill.level_pct, 1)
    if len(readings):
        few = thinned(readings.level_pct, MOST_MARKS)
        made.draw("scatter", axis,
            x=local(readings.at_us[few], zone), y=short(readings.level_pct[few]), mode="markers", name=tr("reading"),
            marker={"size": 4, "color": GREY}, hovertemplate=tr("read {level} %", level="%{y:.1f}") + AT,
        )  # fmt: skip
    if len(known):
        known = known[thinned(track[known])]
        at_us, course = result.history.cycles.at_us[known], track[known]
        if now_pct is not None:  # the curve ends where the forecast begins: at the level that the page tells
            at_us, course = np.r_[at_us, now], np.r_[course, now_pct]
        made.draw("scatter", axis,
            x=local(at_us, zone), y=short(np.clip(course, 0, 120)), mode="lines", name=tr("level"),
            line={"color": BLUE, "width": 2}, hovertemplate=tr("level {level} %", level="%{y:.1f}") + AT,
        )  # fmt: skip
    if result.fills:
        made.draw("scatter", axis,
            x=[local_datetime(f.at_us, zone) for f in result.fills], y=[f.to_pct for f in result.fills], mode="markers",
            name=tr("fill"), marker={"symbol": "triangle-up", "size": 11, "color": BLUE},
            customdata=[f"{cldr.decimal(made.units.of_litres(f.litres), 2)} {made.units.volume}" for f in result.fills],
            hovertemplate=tr("filled {litres}", litres="%{customdata}") + AT,
        )  # fmt: skip
    made.rule(axis, low_pct, tr("low mark {mark} %", mark=cldr.plain(low_pct)), RED, "dash")
    made.rule(axis, 100.0, tr("full mark"), GREY, "dot")
    present = local_datetime(now, zone)
    made.shapes.append({"type": "line", "x0": present, "x1": present, "y0": 0, "y1": 1, "yref": "paper", "layer": "below",
                        "line": {"color": made.scheme.edge, "width": 1}})  # fmt: skip
    _expected(made, axis, now_pct)
    highest = max(112.0, float(np.max(readings.level_pct, initial=0)) + 4)
    made.axes[axis] = {"range": [0, highest], "nticks": 6}


def _expected(made: Stack, axis: str, now_pct: float | None) -> None:
    """The way to the low mark, and the days on which a refill is due."""
    refill, now = made.result.refill, made.result.history.as_of_us
    if (
        refill.due_early_us is None
        or refill.due_expected_us is None
        or now_pct is None
        or refill.due_expected_us <= now
    ):
        return
    from_, expected, early, late = (
        local_datetime(at, made.zone)
        for at in (
            now,
            refill.due_expected_us,
            max(refill.due_early_us, now),
            refill.due_late_us or refill.due_expected_us,
        )
    )
    made.draw(
        "scatter", axis, x=[from_, expected], y=[now_pct, made.result.history.setup.low_mark_pct], mode="lines", name=tr("expected"),
        line={"color": BLUE, "dash": "dot"}, hoverinfo="skip",
    )  # fmt: skip
    made.shapes.append({"type": "rect", "x0": early, "x1": late, "y0": 0, "y1": 1, "yref": f"{axis} domain", "fillcolor": YELLOW,
                        "opacity": 0.25, "line": {"width": 0}, "layer": "below"})  # fmt: skip
    made.word(tr("refill due"), late, 1.0, f"{axis} domain", xanchor="right", yanchor="top")


def _key(*entries: tuple[str, str, str]) -> str:
    """What colours and marks mean, as part of a title."""
    return "   ".join(f'<span style="color:{colour}">{mark}</span> {said}' for mark, colour, said in entries)


def cycles(made: Stack) -> None:
    """Cycles by day, by what became of them, against ignition hours; nothing where no day was heard of."""
    days = made.days
    if not days:
        return
    states = [
        ("done", tr("done"), GREY, ""), ("lost", tr("lost message"), BLUE, "."),
        ("incomplete", tr("incomplete"), YELLOW, "/"), ("missed", tr("missed"), RED, "x"),
    ]  # fmt: skip
    shown = [one for one in states if one[0] == "done" or any(getattr(d, one[0]) for d in days)]
    key = _key(
        *(("■", colour, name) for _, name, colour, _ in shown),
        ("━", made.scheme.ink, tr("ignition h")),
    )
    axis = made.part(tr("Cycles a day:   {key}", key=key), 120)
    noon = _noon_ms(np.array([d.day.toordinal() - 719_163 for d in days]))
    for name, said, colour, pattern in shown:
        made.draw("bar", axis,
            x=noon, y=[getattr(d, name) for d in days], name=said, width=0.86 * _DAY_MS,
            marker={"color": colour, "pattern_shape": pattern, "line_width": 0},
            hovertemplate="%{y} " + said + ON,
        )  # fmt: skip
    hours = f"y{len(made.heights) + 20}"
    made.draw("scatter", hours,
        x=noon, y=[d.ignition_h or None for d in days], name=tr("ignition hours"), mode="markers",
        marker={"symbol": "line-ew-open", "size": 7, "color": made.scheme.ink, "line_width": 2},
        hovertemplate=tr("ignition on for {hours} h", hours="%{y:.1f}") + ON,
    )  # fmt: skip
    most = max(max(d.done + d.lost + d.incomplete + d.missed for d in days), 1)
    most_h = max(max(d.ignition_h for d in days), 1.0)
    right = {
        "overlaying": axis,
        "side": "right",
        "anchor": "x",
        "showgrid": False,
        "range": [0, 1.12 * most_h],
        "nticks": 4,
        "tickmode": "auto",
        "fixedrange": True,
    }
    made.axes[axis] = {"range": [0, 1.12 * most], "nticks": 5}
    made.axes[hours] = right


def _noon_ms(day: Any) -> Any:
    """Days since 1970 as the middle of the day on the axis: what is told by day lies over its hours."""
    return np.asarray(day, np.float64) * _DAY_MS + _DAY_MS / 2


def _by_day(values: Any, at_us: Any, zone: ZoneInfo) -> tuple[Any, Any]:
    """(days since 1970, medians of each) with a row for every day between the first and the last, empty where nothing was read: a
    day without a reading must not borrow its neighbour's colour."""
    median = pd.DataFrame(values).groupby(local_us(at_us, zone) // DAY_US).median()
    median = median.reindex(np.arange(median.index[0], median.index[-1] + 1))
    return median.index.to_numpy(), median.to_numpy()


def pressure_map(made: Stack) -> str:
    """Each channel's pressure in ratio to what is expected, by day: the median of the day's cycles. The name of its axis."""
    pressures = made.result.pressures
    names = [channel_name(made.result, name) for name in pressures.channels]
    day, ratio = _by_day(pressures.ratio, made.result.history.cycles.at_us, made.zone)
    scale = _scale(made.scheme)
    colours = {1 / 3: "⅓", 0.5: "½", 1.0: "1", 2.0: "2", 3.0: "3"}
    key = _key(*(("■", dict(scale)[_place(at)], said) for at, said in colours.items()))
    axis = made.part(tr("Times expected:   {key}", key=key), _ROW_PX * len(names))
    made.draw(
        "heatmap", axis,
            x0=float(_noon_ms(day[0])), dx=_DAY_MS, y=names, z=short(ratio.T, 2), zmin=_LOWEST, zmax=_HIGHEST,
            colorscale=[list(stop) for stop in scale],
            showscale=False, ygap=1, hoverongaps=False, name="map",
            hovertemplate="%{y}<br>" + tr("{ratio} times expected", ratio="%{z:.2f}") + ON,
    )  # fmt: skip
    made.axes[axis] = {"range": [len(names) - 0.5, -0.5], "showgrid": False, "tickfont": {"size": 11}, "ticks": ""}
    return axis


def _place(ratio: float) -> float:
    """Where a ratio stands between the lowest and the highest colour."""
    return (ratio - _LOWEST) / (_HIGHEST - _LOWEST)


def _scale(scheme: Scheme) -> list[tuple[float, str]]:
    """Colours of ratios: sound is grey; half as much below is as far from it as twice as much above."""
    light = scheme.ink < "#8"
    below, half, above, twice = (
        ("#c6d6e6", "#7fa7d0", "#f0cdc4", "#e57b6b") if light else ("#2c4259", "#315d8b", "#5a3531", "#9a2f2a")
    )
    stops = [(1 / 3, BLUE), (0.5, half), (0.77, below), (0.88, scheme.sunken), (1.0, scheme.sunken), (1.14, scheme.sunken), (1.3, above),
             (2.0, twice), (3.0, RED)]  # fmt: skip
    return [
        (0.0 if k == 0 else 1.0 if k == len(stops) - 1 else _place(ratio), colour)
        for k, (ratio, colour) in enumerate(stops)
    ]


def temperature(made: Stack) -> None:
    """The air at the pump, by day; nothing where no thermometer reads."""
    history = made.result.history
    if not np.isfinite(history.cycles.temp_c).any():
        return
    day, celsius = _by_day(history.cycles.temp_c, history.cycles.at_us, made.zone)
    axis = made.part(tr("Air at the pump, {unit}", unit=made.units.temperature), 70)
    made.draw("scatter", axis,
        x0=float(_noon_ms(day[0])), dx=_DAY_MS, y=short([made.units.of_c(float(c)) for c in celsius[:, 0]]),
        mode="lines+markers", name=tr("temperature"),
        line={"color": GREY, "width": 1}, marker={"size": 3}, connectgaps=False,
        hovertemplate="%{y:.0f} " + made.units.temperature + ON,
    )  # fmt: skip
    made.axes[axis] = {"nticks": 4}
