"""Charts as data: what they show, in which units, without a browser."""

from dataclasses import replace
from functools import cache
from pathlib import Path

import msgspec
import numpy as np
import plotly.graph_objects as go
import pytest

from analytics.statistics.rates import mean_cumulative
from analytics.vehicle.analysis import Result, analyse
from analytics.vehicle.daily import days
from dashboard.figures import patterns, theme, vehicle
from dashboard.units import Units
from ingest.work import Work
from simulators.scenario import Trouble
from tests.helpers.vehicles import END_US, arrivals, recorded

LIGHT = "tallow_light"


@cache
def result(folder: Path) -> Result:
    troubles = (Trouble("blocked_line", 12, None, line=5, ratio=4.0), Trouble("missed_cycles", 4, None, variant="dead"))
    _, held = recorded(folder, [arrivals("HS-101", troubles, days=60)])
    return analyse(*held["HS-101"], END_US)


@pytest.fixture(scope="module")
def analysed(tmp_path_factory: pytest.TempPathFactory) -> Result:
    """A vehicle with a blocked line and a dead pump."""
    return result(tmp_path_factory.mktemp("figures"))


def names(figure: go.Figure) -> set[str]:
    return {trace.name for trace in figure.data if trace.name}


@pytest.mark.parametrize("template", ["tallow_light", "tallow_dark"])
def test_the_level_chart_has_readings_fills_mark_and_window(analysed: Result, template: str) -> None:
    """Everything that the forecast rests on, and the forecast."""
    theme.add_templates()
    figure = vehicle.level(analysed, template)
    assert names(figure) >= {"reading", "level", "fill", "expected"}
    assert len(figure.data[0].x) == len(analysed.history.levels)
    assert {a.text for a in figure.layout.annotations} >= {"low mark 15 %", "full mark", "refill due"}
    assert "%" in figure.layout.yaxis.title.text


def test_the_level_now_is_one_number(analysed: Result) -> None:
    """What the page tells, the end of the curve and the beginning of the forecast."""
    figure = vehicle.level(analysed, "plotly_white")
    traces = {trace.name: trace for trace in figure.data}
    assert traces["level"].y[-1] == pytest.approx(analysed.refill.level_pct, abs=0.06)
    assert traces["expected"].y[0] == analysed.refill.level_pct


def test_dates_on_axes_are_written_as_in_texts(analysed: Result) -> None:
    """Day before month, and the year where the pointer is."""
    axis = vehicle.level(analysed, "plotly_white").layout.xaxis
    assert axis.hoverformat == "%-d %b %Y, %H:%M"
    assert [stop.value for stop in axis.tickformatstops][:2] == ["%-d %b, %H:%M", "%-d %b"]


def test_the_cycles_chart_counts_what_the_days_say(analysed: Result) -> None:
    """Done and missed cycles of each day."""
    told = days(analysed)
    figure = vehicle.cycles(told, "plotly_white")
    bars = {trace.name: trace for trace in figure.data}
    assert sum(bars["done"].y) == sum(d.done for d in told) > 500
    assert sum(bars["missed"].y) == sum(d.missed for d in told) >= 3
    assert figure.layout.yaxis2.title.text == "ignition hours"


def test_the_pressure_map_shows_the_blocked_line(analysed: Result) -> None:
    """A row for each channel; the blocked one high from its day on."""
    figure = vehicle.pressure_map(analysed, "plotly_white")
    assert figure is not None
    heat, weather = figure.data
    assert len(weather.y) == heat.z.shape[1]
    assert len(heat.y) == 14
    assert list(heat.y)[4].startswith("5 kingpin")
    ratio = np.array(heat.customdata)
    assert np.nanmax(ratio[4]) > 3
    assert np.nanmax(np.delete(ratio, 4, axis=0)) < 1.5


def test_a_line_is_drawn_in_bar_with_its_relief_pressure(analysed: Result) -> None:
    """28,000 kPa are 280 bar."""
    figure = vehicle.pressure_line(analysed, "p05", "plotly_white")
    assert "bar" in figure.layout.yaxis.title.text
    assert figure.layout.annotations[0].text == "relief 280 bar"
    peak = next(trace for trace in figure.data if trace.name == "peak")
    assert 100 < np.nanmax(peak.y) < 300


def test_long_names_are_cut_and_unknown_channels_named(analysed: Result) -> None:
    """Axis labels fit; a channel that no sheet names says so."""
    assert all(len(vehicle.channel_name(analysed, c)) <= 22 for c in analysed.pressures.channels)
    assert "not listed" in vehicle.channel_name(analysed, "x9")


def test_a_long_series_is_thinned_without_losing_its_peaks() -> None:
    """A year of 40 cycles a day: a tenth of the points, and every single peak among them."""
    rng = np.random.default_rng(3)
    values = 50 + rng.normal(0, 2, 14_600)
    peaks = np.arange(180, 14_600, 365)
    values[peaks] += 200
    few = theme.thinned(values)
    assert len(few) <= theme.MOST_POINTS
    assert set(peaks) <= set(few)
    assert list(few) == sorted(few)
    assert list(theme.thinned(values[:100])) == list(range(100))


def test_what_somebody_wrote_is_text(analysed: Result) -> None:
    """Plotly would read markup in names and hovers."""
    lines = [msgspec.structs.replace(x, point="<b onmouseover=alert(1)>pin</b>") for x in analysed.history.setup.lines]
    setup = msgspec.structs.replace(analysed.history.setup, lines=tuple(lines))
    note = Work(key="a", kind="bled", at_us=END_US - 1, by="x", note="<a href='javascript:alert(1)'>x</a>")
    odd = replace(analysed, history=replace(analysed.history, setups=(setup,), work=(note,)))
    drawn = [vehicle.level(odd, LIGHT), vehicle.pressure_map(odd, LIGHT), vehicle.happenings(odd, LIGHT),
             vehicle.pressure_line(odd, odd.pressures.channels[0], LIGHT)]  # fmt: skip
    for figure in drawn:
        assert figure is not None
        assert "<b" not in figure.to_json()
        assert "<a" not in figure.to_json()


def test_charts_over_time_begin_and_end_together(analysed: Result) -> None:
    """So that one can be read below the other."""
    drawn = [vehicle.level(analysed, LIGHT), vehicle.pressure_map(analysed, LIGHT), vehicle.happenings(analysed, LIGHT),
             vehicle.pressure_line(analysed, analysed.pressures.channels[0], LIGHT)]  # fmt: skip
    assert len({tuple(map(str, figure.layout.xaxis.range)) for figure in drawn if figure is not None}) == 1


@pytest.mark.parametrize(("unit", "peak"), [("bar", 1.0), ("kPa", 100.0), ("psi", 14.503773773)])
def test_pressures_are_drawn_in_the_readers_unit(analysed: Result, unit: str, peak: float) -> None:
    """1 bar is 100 kPa and 14.5038 psi (NIST SP 811 B.8)."""
    channel = analysed.pressures.channels[0]
    plain = vehicle.pressure_line(analysed, channel, LIGHT).data[-1].y
    drawn = vehicle.pressure_line(analysed, channel, LIGHT, Units(pressure=unit)).data[-1].y
    assert np.allclose(drawn, plain * peak, atol=0.06 * max(peak, 1.0))


def test_the_course_of_sampled_cycles(analysed: Result) -> None:
    """The newest in front; a channel that was never sampled has none."""
    figure = vehicle.traces(analysed, analysed.pressures.channels[0], LIGHT)
    assert figure is not None
    assert figure.data[-1].line.width > figure.data[0].line.width
    assert vehicle.traces(analysed, "nosuch", LIGHT) is None


def test_the_course_of_faults_goes_on_to_the_end_of_the_longest_watch() -> None:
    """Nothing happened after the last fault, and that is worth as much as what did."""
    course = mean_cumulative([(1, 2.0), (2, 5.0)], {1: 4.0, 2: 12.0})
    for line in patterns.fault_course(course, 12.0, LIGHT, "months").data:
        assert (line.x[0], line.x[-1]) == (0.0, 12.0)
        assert line.y[-1] == line.y[-2] > 0
